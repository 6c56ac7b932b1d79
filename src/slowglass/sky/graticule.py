"""Lines of right ascension and declination over a picture, as positions in its pixels. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from slowglass.sky.sexagesimal import dec_text, ra_text
from slowglass.sky.wcs import TanWcs

Floats = npt.NDArray[np.float64]
Box = tuple[float, float, float, float]
"""Left, top, right, bottom in pixels."""

DEC_STEPS_ARCSEC = (
    0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 20, 30, 60, 120, 300, 600, 900, 1200, 1800, 3600, 7200,
    18000, 36000,
)  # fmt: skip
RA_STEPS_S = (
    0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 20, 30, 60, 120, 300, 600, 900, 1200,
    1800, 3600, 7200, 10800,
)  # fmt: skip
_ALONG = 96
"""Points of a line; between two of them the sky bends by less than anyone sees."""


@dataclass(frozen=True)
class GridLine:
    """One line: of right ascension or declination, its name, its points (x, y)."""

    kind: Literal["ra", "dec"]
    label: str
    points: tuple[tuple[float, float], ...]


def graticule(wcs: TanWcs, box: Box, *, about: int = 4) -> list[GridLine]:
    """The lines of round values that cross a part of the picture, some ``about`` of each kind.

    Lines go a little beyond the box. Empty where the box looks at no sky.
    """
    ra, dec = wcs.pixel_to_sky(*_border(box))
    if not (np.all(np.isfinite(ra)) and np.all(np.isfinite(dec))):
        return []
    ra = np.rad2deg(np.unwrap(np.deg2rad(ra)))
    low, high = float(dec.min()), float(dec.max())
    pole = next((s for s in (1.0, -1.0) if _inside(wcs, box, 0.0, 90.0 * s)), None)
    if pole is None:
        west, east = float(ra.min()), float(ra.max())
        ra_step = _nice((east - west) * 240.0 / about, RA_STEPS_S) / 240.0
    else:
        low, high = (low, 90.0) if pole > 0 else (-90.0, high)
        west, east, ra_step = 0.0, 360.0, 30.0
    dec_step = _nice((high - low) * 3600.0 / about, DEC_STEPS_ARCSEC) / 3600.0
    lines: list[GridLine] = []
    for value in _rounds(low, high, dec_step):
        along = np.linspace(west, east, _ALONG)
        label = _dec_label(value, dec_step)
        lines += _pieces("dec", label, wcs, box, along, np.full(_ALONG, value))
    for value in _rounds(west, east - (1e-6 if pole else 0.0), ra_step):
        along = np.linspace(low, high, _ALONG)
        label = _ra_label(value, ra_step)
        lines += _pieces("ra", label, wcs, box, np.full(_ALONG, value), along)
    return lines


def _border(box: Box) -> tuple[Floats, Floats]:
    left, top, right, bottom = box
    t = np.linspace(0.0, 1.0, 33)
    x, y = left + (right - left) * t, top + (bottom - top) * t
    level, upright = np.full(33, top), np.full(33, right)
    return (
        np.concatenate([x, upright, x[::-1], np.full(33, left)]),
        np.concatenate([level, y, np.full(33, bottom), y[::-1]]),
    )


def _inside(wcs: TanWcs, box: Box, ra_deg: float, dec_deg: float) -> bool:
    x, y = wcs.sky_to_pixel(ra_deg, dec_deg)
    return bool(box[0] <= float(x) <= box[2] and box[1] <= float(y) <= box[3])


def _nice(wanted: float, steps: tuple[float, ...]) -> float:
    return min(steps, key=lambda s: abs(np.log(s / max(wanted, 1e-12))))


def _rounds(low: float, high: float, step: float) -> Iterator[float]:
    first = int(np.ceil(low / step - 1e-9))
    last = int(np.floor(high / step + 1e-9))
    return (k * step for k in range(first, last + 1))


def _pieces(
    kind: Literal["ra", "dec"], label: str, wcs: TanWcs, box: Box, ra: Floats, dec: Floats
) -> Iterator[GridLine]:
    """The parts of a line that lie in the box, each with a point beyond at both ends."""
    x, y = wcs.sky_to_pixel(ra, np.clip(dec, -90.0, 90.0))
    left, top, right, bottom = box
    inside = (x >= left) & (x <= right) & (y >= top) & (y <= bottom)
    near = inside.copy()
    near[1:] |= inside[:-1]
    near[:-1] |= inside[1:]
    near &= np.isfinite(x) & np.isfinite(y)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], near, [False]]).astype(np.int8)))
    for start, end in edges.reshape(-1, 2):
        if end - start > 1:
            points = zip(x[start:end].tolist(), y[start:end].tolist(), strict=True)
            yield GridLine(kind, label, tuple(points))


def _dec_label(value: float, step: float) -> str:
    arcsec = step * 3600.0
    decimals = 0 if arcsec >= 1 else 1
    degrees, minutes, seconds = dec_text(value, decimals=decimals).split()
    if arcsec >= 3600:
        return degrees
    return f"{degrees} {minutes}" if arcsec >= 60 else f"{degrees} {minutes} {seconds}"


def _ra_label(value: float, step: float) -> str:
    seconds = step * 240.0
    decimals = 0 if seconds >= 1 else 1 if seconds >= 0.1 else 2
    parts = ra_text(value, decimals=decimals).split()
    shown = 2 if seconds >= 3600 else 4 if seconds >= 60 else 6
    return " ".join(parts[:shown])
