"""What goes over a picture looked at in full size: stars, objects, target, and whose place it is.

Positions are the picture's own pixels; a screen scales them. Where a frame was not judged, its
place comes from what lies beside it or stands in its header.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from slowglass.errors import SlowglassError
from slowglass.frame.header import header_wcs
from slowglass.frame.io import FITS_SUFFIXES, WCS_SUFFIX
from slowglass.judge.overlay import compass, object_outline, stars_round
from slowglass.sky.sip import bent_by_cards
from slowglass.sky.wcs import TanWcs

if TYPE_CHECKING:
    from slowglass.frame.image import FrameHeader
    from slowglass.judge.kept import Kept
    from slowglass.sky.place import Place
    from slowglass.sky.store import Sky

MOST_KNOWN = 600
MOST_NAMED = 60
Point = tuple[float, float]


@dataclass(frozen=True)
class PlacedAt:
    """Where a picture lies on the sky, and from what that is known; ``wcs`` None when it is not."""

    wcs: TanWcs | None
    words: str


@dataclass(frozen=True)
class NamedObject:
    """An object in the picture: its name, kind, middle and outline (empty for one without size)."""

    name: str
    kind: str
    x_px: float
    y_px: float
    outline: tuple[Point, ...]


@dataclass(frozen=True)
class Marks:
    """``found`` (x, y, half-flux diameter or 0), ``known`` (x, y, mag), target, north and east.

    ``target`` may lie outside the picture; None without one or without coordinates. ``north`` and
    ``east`` are unit steps.
    """

    placed: str
    found: tuple[tuple[float, float, float], ...] = ()
    known: tuple[tuple[float, float, float], ...] = ()
    objects: tuple[NamedObject, ...] = ()
    target: Point | None = None
    target_name: str = ""
    outline: tuple[Point, ...] = ()
    north: Point | None = None
    east: Point | None = None
    scale_arcsec_per_px: float | None = None

    def to_json(self) -> dict[str, Any]:
        """Plain values, positions to a hundredth of a pixel."""
        told: dict[str, Any] = _rounded(asdict(self))
        return told


def find_place(
    path: Path,
    header: FrameHeader,
    size_px: tuple[int, int],
    *,
    kept: Kept | None = None,
    verdict: Mapping[str, Any] | None = None,
) -> PlacedAt:
    """The coordinates of a picture: its own judgement's, those beside it, its header's, or those
    of an earlier ``verdict`` (as JSON), which know no distortion."""
    if kept is not None and kept.wcs is not None:
        return PlacedAt(kept.wcs, "placed by its own stars")
    beside = _beside(path, size_px)
    if beside is not None:
        return beside
    wcs = header_wcs(header.cards)
    if wcs is not None:
        return PlacedAt(bent_by_cards(wcs, header.cards), "placed by its file’s header")
    if verdict is not None and verdict["solved"]:
        made = TanWcs.from_simple(
            ra_deg=verdict["ra_deg"],
            dec_deg=verdict["dec_deg"],
            width_px=size_px[0],
            height_px=size_px[1],
            scale_arcsec_per_px=verdict["scale_arcsec_per_px"],
            rotation_deg=verdict["rotation_deg"],
            parity=verdict["parity"],
        )
        return PlacedAt(made, "placed by its verdict, without the lens’s distortion")
    return PlacedAt(None, "its place on the sky is not known")


def _beside(path: Path, size_px: tuple[int, int]) -> PlacedAt | None:
    """Coordinates saved beside a picture, or those of a FITS of the same name and size."""
    stem = path.name.split(".")[0] if path.name.lower().endswith(".gz") else path.stem
    saved = path.with_name(stem + WCS_SUFFIX)
    wcs = _read_wcs(saved, None)
    if wcs is not None:
        return PlacedAt(wcs, f"placed by {saved.name}")
    if path.suffix.lower() in FITS_SUFFIXES | {".gz"}:
        return None
    for suffix in (".fits", ".fit"):
        twin = path.with_name(stem + suffix)
        wcs = _read_wcs(twin, size_px)
        if wcs is not None:
            return PlacedAt(wcs, f"placed by {twin.name}")
    return None


def _read_wcs(path: Path, size_px: tuple[int, int] | None) -> TanWcs | None:
    if not path.is_file():
        return None
    from astropy.io import fits

    try:
        with fits.open(path, memmap=True) as parts:
            for part in parts:
                cards = dict(part.header)
                size = (part.header.get("NAXIS1"), part.header.get("NAXIS2"))
                wcs = header_wcs(cards)
                if wcs is not None and (size_px is None or size == size_px):
                    return bent_by_cards(wcs, cards)
    except (OSError, ValueError, TypeError, SlowglassError):
        return None
    return None


def find_marks(
    size_px: tuple[int, int],
    placed: PlacedAt,
    sky: Sky,
    *,
    epoch_year: float,
    kept: Kept | None = None,
    target: Place | None = None,
) -> Marks:
    """The marks over a picture of (width, height)."""
    found = () if kept is None else kept.stars
    wcs = placed.wcs
    if wcs is None:
        name = "" if target is None else target.name
        return Marks(placed.words, found, target_name=name)
    width, height = size_px
    stars, cone = stars_round(wcs, width, height, sky, epoch_year)
    x, y = wcs.sky_to_pixel(stars.ra_deg, stars.dec_deg)
    inside = np.flatnonzero((x >= 0) & (x <= width - 1) & (y >= 0) & (y <= height - 1))[:MOST_KNOWN]
    known = tuple((float(x[i]), float(y[i]), float(stars.mag[i])) for i in inside)
    north, east = compass(wcs, width, height)
    outline: tuple[Point, ...] = ()
    middle: Point | None = None
    if target is not None:
        tx, ty = (float(v) for v in wcs.sky_to_pixel(target.ra_deg, target.dec_deg))
        middle = (tx, ty) if np.isfinite(tx) and np.isfinite(ty) else None
        outline = () if target.object is None else object_outline(wcs, target.object)
    return Marks(
        placed.words,
        found,
        known,
        _objects(wcs, sky, cone, size_px, target),
        middle,
        "" if target is None else target.name,
        outline,
        north,
        east,
        wcs.scale_arcsec_per_px,
    )


def _objects(
    wcs: TanWcs,
    sky: Sky,
    cone: tuple[float, float, float],
    size_px: tuple[int, int],
    target: Place | None,
) -> tuple[NamedObject, ...]:
    """Objects whose middle lies in the picture, the best known and brightest first."""
    width, height = size_px
    named = []
    own = None if target is None or target.object is None else target.object.id
    near = [one for one in sky.objects.near(*cone) if one.id != own]
    near.sort(key=lambda one: (not one.named, 99.0 if one.mag is None else one.mag))
    for one in near:
        x, y = (float(v) for v in wcs.sky_to_pixel(one.ra_deg, one.dec_deg))
        if 0 <= x <= width - 1 and 0 <= y <= height - 1:
            named.append(NamedObject(one.name, one.kind, x, y, object_outline(wcs, one)))
    return tuple(named[:MOST_NAMED])


def _rounded(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _rounded(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_rounded(item) for item in value]
    return round(value, 4 if abs(value) <= 1.0 else 2) if isinstance(value, float) else value
