"""What is under the pointer: the pixel's value and the place on the sky. Pure."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from slowglass.sky.sexagesimal import dec_text, ra_text

if TYPE_CHECKING:
    from slowglass.frame.shelf import Shown
    from slowglass.kit.model import Kit
    from slowglass.sky.wcs import TanWcs

COLOURS = ("red", "green", "blue")
NAMES = {"R": "red", "G": "green", "B": "blue", "": ""}


@dataclass(frozen=True)
class Spot:
    """A pixel: its place, its values with their names, and the sky there.

    ``values`` are ADU above black, or electrons as ``unit`` says; ``electrons`` None where the
    gain is not known or the picture is finished. The sky is that of the very point, not of the
    pixel's middle.
    """

    x: int
    y: int
    inside: bool
    names: tuple[str, ...] = ()
    values: tuple[float, ...] = ()
    unit: str = "adu"
    electrons: tuple[float, ...] | None = None
    ra_deg: float | None = None
    dec_deg: float | None = None
    ra: str = ""
    dec: str = ""
    light: str = ""
    """The values in words."""

    def to_json(self) -> dict[str, Any]:
        """Plain values."""
        return asdict(self)


def read_spot(
    shown: Shown, wcs: TanWcs | None, x: float, y: float, *, gain_e_per_adu: float | None = None
) -> Spot:
    """The pixel that holds the point (x, y) of a picture and the sky at that point."""
    column, row = int(np.floor(x + 0.5)), int(np.floor(y + 0.5))
    ra = dec = None
    if wcs is not None:
        ra, dec = (float(v) for v in wcs.pixel_to_sky(x, y))
    pyramid = shown.pyramid
    inside = 0 <= column < shown.width_px and 0 <= row < shown.height_px
    values: tuple[float, ...] = ()
    names: tuple[str, ...] = ()
    electrons = None
    if inside:
        values = pyramid.value(column, row)
        names = COLOURS if len(values) == 3 else (NAMES[pyramid.colour(column, row)],)
        if shown.unit == "adu" and gain_e_per_adu and not pyramid.finished:
            electrons = tuple(v * gain_e_per_adu for v in values)
    return Spot(
        column,
        row,
        inside,
        names,
        values,
        shown.unit,
        electrons,
        ra,
        dec,
        "" if ra is None else ra_text(ra),
        "" if dec is None else dec_text(dec),
        _words(shown, names, values, electrons),
    )


def gain_of(shown: Shown, kit: Kit | None) -> float | None:
    """Electrons a step: the header's, or the kit's where the picture has its camera's size."""
    stated = shown.header.gain_e_per_adu
    if stated is not None or kit is None:
        return stated
    camera = kit.camera
    same = {camera.width_px, camera.height_px} == {shown.width_px, shown.height_px}
    return camera.gain_e_per_adu if same else None


def _words(
    shown: Shown,
    names: tuple[str, ...],
    values: tuple[float, ...],
    electrons: tuple[float, ...] | None,
) -> str:
    if not values:
        return "outside the picture"
    if shown.pyramid.finished:
        shares = (100.0 * v / shown.white_adu for v in values)
        told = [f"{n} {s:.1f} %".strip() for n, s in zip(names, shares, strict=True)]
        return ", ".join(told) + " of white, in linear light"
    unit = "e⁻" if shown.unit == "e" else "ADU"
    told = [f"{n} {_number(v)}".strip() for n, v in zip(names, values, strict=True)]
    words = f"{', '.join(told)} {unit}"
    if electrons is not None:
        words += f" = {', '.join(_number(e) for e in electrons)} e⁻"
    if not shown.pyramid.finished and max(values) >= 0.999 * shown.white_adu:
        words += ", clipped"
    return words


def _number(value: float) -> str:
    """Whole ADU as they are, fractions to what a reader can use."""
    if value == int(value) and abs(value) < 1e7:
        return f"{value:.0f}".replace("-", "−")
    return f"{value:.4g}".replace("-", "−") if abs(value) < 1000 else f"{value:.1f}"
