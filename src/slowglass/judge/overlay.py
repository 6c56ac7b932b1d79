"""What to draw over a judged frame: positions in the frame's own pixels, no drawing.

Found stars, catalogue stars, the target's outline, the arrow to it, north and east. An
interface scales these to its picture; first stored row on top.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from slowglass.frame.stars import StarList
from slowglass.sky.coords import offset_point
from slowglass.sky.wcs import TanWcs

if TYPE_CHECKING:
    from slowglass.sky.catalogue import Stars
    from slowglass.sky.objects import SkyObject
    from slowglass.sky.place import Place
    from slowglass.sky.store import Sky

Point = tuple[float, float]

MOST_FOUND = 150
"""More circles than this hide the picture."""
MOST_KNOWN = 120
SMALLEST_MARK = 1.0 / 170.0
"""Radius of the smallest circle as a share of the frame's longer side."""
OUTLINE_POINTS = 72
ARROW_SHARE = 0.42
"""Length of an arrow to a target outside the frame, as a share of the shorter side."""


@dataclass(frozen=True)
class Overlay:
    """Drawing positions in full-resolution pixels (x right, y down, first pixel at 0).

    ``found`` holds (x, y, radius) of detected stars and ``known`` (x, y, mag) of catalogue
    stars inside the frame. ``outline`` is the target's ellipse as a closed polygon, ``arrow``
    runs from mid-frame to the target or, for a target outside, part of the way; None when the
    frame is unsolved or has no target. ``north`` and ``east`` are unit steps (dx, dy).
    """

    width_px: int
    height_px: int
    found: tuple[tuple[float, float, float], ...] = ()
    known: tuple[tuple[float, float, float], ...] = ()
    outline: tuple[Point, ...] = ()
    target: Point | None = None
    target_name: str = ""
    target_inside: bool = False
    arrow: tuple[Point, Point] | None = None
    north: Point | None = None
    east: Point | None = None

    def to_json(self) -> dict[str, Any]:
        """A JSON-serialisable mapping, positions to a tenth of a pixel."""
        rounded: dict[str, Any] = _rounded(asdict(self))
        return rounded


def plan_overlay(
    *,
    width_px: int,
    height_px: int,
    stars: StarList,
    wcs: TanWcs | None = None,
    catalogue: Stars | None = None,
    target: Place | None = None,
    still_px: float | None = None,
) -> Overlay:
    """The overlay of one frame, in its pixels.

    ``catalogue`` are the stars around the frame at its epoch; those outside are left out. A
    target within ``still_px`` of mid-frame (default a twentieth of the shorter side) gets no
    arrow.
    """
    columns = (stars.x_px[:MOST_FOUND], stars.y_px[:MOST_FOUND], stars.hfd_px[:MOST_FOUND])
    found = list(zip(*columns, strict=True))
    return overlay_over(
        width_px, height_px, found, wcs=wcs, catalogue=catalogue, target=target, still_px=still_px
    )


def overlay_over(
    width_px: int,
    height_px: int,
    stars: Sequence[tuple[float, float, float]],
    *,
    wcs: TanWcs | None = None,
    catalogue: Stars | None = None,
    target: Place | None = None,
    still_px: float | None = None,
) -> Overlay:
    """:func:`plan_overlay` for stars as (x, y, half-flux diameter), brightest first."""
    smallest = SMALLEST_MARK * max(width_px, height_px)
    found = tuple(
        (float(x), float(y), max(smallest, 1.6 * float(hfd) if math.isfinite(hfd) else 0.0))
        for x, y, hfd in stars[:MOST_FOUND]
    )
    if wcs is None:
        return Overlay(width_px, height_px, found)

    north, east = compass(wcs, width_px, height_px)
    known: tuple[tuple[float, float, float], ...] = ()
    if catalogue is not None:
        x, y = wcs.sky_to_pixel(catalogue.ra_deg, catalogue.dec_deg)
        inside = np.flatnonzero(_inside(x, y, width_px, height_px))[:MOST_KNOWN]
        known = tuple((float(x[i]), float(y[i]), float(catalogue.mag[i])) for i in inside)
    overlay = Overlay(width_px, height_px, found, known, north=north, east=east)
    return overlay if target is None else _with_target(overlay, wcs, target, still_px)


def stars_round(
    wcs: TanWcs, width_px: int, height_px: int, sky: Sky, epoch_year: float
) -> tuple[Stars, tuple[float, float, float]]:
    """Catalogue stars of a frame and a little beyond, and the cone (ra, dec, radius, degrees)."""
    ra, dec = wcs.pixel_to_sky((width_px - 1) / 2.0, (height_px - 1) / 2.0)
    reach = 0.51 * math.hypot(width_px, height_px) * wcs.scale_arcsec_per_px / 3600.0
    cone = (float(ra), float(dec), reach)
    return sky.stars.cone(*cone, epoch_year=epoch_year), cone


def compass(wcs: TanWcs, width_px: int, height_px: int) -> tuple[Point, Point]:
    """Unit steps (dx, dy) on the picture toward north and toward east, at mid-frame."""
    x0, y0 = (width_px - 1) / 2.0, (height_px - 1) / 2.0
    ra, dec = wcs.pixel_to_sky(x0, y0)
    steps = []
    for angle_deg in (0.0, 90.0):
        ra_near, dec_near = offset_point(float(ra), float(dec), angle_deg, 0.01)
        x, y = wcs.sky_to_pixel(ra_near, dec_near)
        dx, dy = float(x) - x0, float(y) - y0
        length = math.hypot(dx, dy)
        steps.append((dx / length, dy / length))
    return steps[0], steps[1]


def object_outline(wcs: TanWcs, target: SkyObject) -> tuple[Point, ...]:
    """The object's catalogued ellipse as pixel positions; empty when its size is unknown."""
    if not target.major_arcmin:
        return ()
    a = target.major_arcmin / 2.0 / 60.0
    b = (target.minor_arcmin or target.major_arcmin) / 2.0 / 60.0
    turn = np.linspace(0.0, 2.0 * np.pi, OUTLINE_POINTS, endpoint=False)
    along, across = a * np.cos(turn), b * np.sin(turn)
    angle = np.degrees(np.arctan2(across, along)) + (target.position_angle_deg or 0.0)
    ra, dec = offset_point(target.ra_deg, target.dec_deg, angle, np.hypot(along, across))
    x, y = wcs.sky_to_pixel(ra, dec)
    if not np.all(np.isfinite(x) & np.isfinite(y)):
        return ()
    return tuple((float(px), float(py)) for px, py in zip(x, y, strict=True))


def _with_target(overlay: Overlay, wcs: TanWcs, target: Place, still_px: float | None) -> Overlay:
    width, height = overlay.width_px, overlay.height_px
    outline = () if target.object is None else object_outline(wcs, target.object)
    x, y = (float(v) for v in wcs.sky_to_pixel(target.ra_deg, target.dec_deg))
    if not (math.isfinite(x) and math.isfinite(y)):
        return replace(overlay, target_name=target.name)
    middle = ((width - 1) / 2.0, (height - 1) / 2.0)
    dx, dy = x - middle[0], y - middle[1]
    length = math.hypot(dx, dy)
    inside = bool(_inside(np.array(x), np.array(y), width, height))
    arrow: tuple[Point, Point] | None = None
    if length > (0.05 * min(width, height) if still_px is None else still_px):
        reach = length if inside else min(length, ARROW_SHARE * min(width, height))
        tip = (middle[0] + dx / length * reach, middle[1] + dy / length * reach)
        arrow = (middle, tip)
    return replace(
        overlay,
        outline=outline,
        target=(x, y),
        target_name=target.name,
        target_inside=inside,
        arrow=arrow,
    )


def _inside(
    x: npt.NDArray[np.float64], y: npt.NDArray[np.float64], width_px: int, height_px: int
) -> npt.NDArray[np.bool_]:
    return (x >= 0) & (x <= width_px - 1) & (y >= 0) & (y <= height_px - 1)


def _rounded(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _rounded(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_rounded(item) for item in value]
    return round(value, 4 if abs(value) <= 1.0 else 1) if isinstance(value, float) else value
