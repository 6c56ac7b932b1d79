"""Collimation from a defocused star: where the hole of its ring sits against the ring.

Out of focus a star is the pupil's shadow: a disc with the obstruction's hole, their diameters in
the obstruction's ratio. With the mirrors square to each other hole and disc share a centre; else
the hole is off, and by how much and which way is all a picture can say. Only stars near the
optical axis count: farther out every telescope shows lopsided rings.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from slowglass.frame.stars import StarList
from slowglass.judge.silence import Silence
from slowglass.judge.tilt import side_words

Floats = npt.NDArray[np.float64]

RAYS = 72
SMALLEST_RING_PX = 9.0
"""Below, in the measured picture's own pixels, blur fills the hole."""
DONUT_STARS = 12
CENTRED_SHARE = 0.02
"""A hole off by less of the disc's radius does no harm one can see."""


@dataclass(frozen=True)
class Donut:
    """The ring of a defocused star, full-resolution pixels; offsets are hole minus disc.

    ``offset_share`` is the offset over the disc's radius, ``error_share`` its standard error;
    ``angle_deg`` points from the disc's centre to the hole's, 0–360 from +x toward +y.
    """

    outer_diameter_px: float
    hole_diameter_px: float
    offset_x_px: float
    offset_y_px: float
    error_px: float
    stars: int

    @property
    def offset_share(self) -> float:
        """Length of the offset over the disc's radius."""
        return math.hypot(self.offset_x_px, self.offset_y_px) / (0.5 * self.outer_diameter_px)

    @property
    def error_share(self) -> float:
        """Its standard error."""
        return self.error_px / (0.5 * self.outer_diameter_px)

    @property
    def angle_deg(self) -> float:
        """Direction of the offset."""
        return math.degrees(math.atan2(self.offset_y_px, self.offset_x_px)) % 360.0

    @property
    def centred(self) -> bool:
        """True where no offset is worth a turn of a screw, or none is sure."""
        return self.offset_share < max(CENTRED_SHARE, 3.0 * self.error_share)

    @property
    def text(self) -> str:
        """The ring in words."""
        size = f"{self.offset_share:.1%} ± {self.error_share:.1%} of the disc's radius"
        if self.centred:
            return f"the hole sits in the middle of the ring ({size}): collimated"
        to = side_words(self.angle_deg + 180.0)
        return (
            f"the hole is off toward the {side_words(self.angle_deg)} by {size}: turn a "
            f"collimation screw a little, shoot again; the right turn moves it toward the {to}"
        )


def measure_donut(
    plane: npt.NDArray[np.float32],
    factor: int,
    stars: StarList,
    *,
    ring_px: float,
    width_px: int,
    height_px: int,
) -> Donut | Silence:
    """The ring of the stars nearest the frame's middle, in a picture binned ``factor``.

    ``ring_px`` is the rough outer diameter in full-resolution pixels.
    """
    size = ring_px / factor
    if size < SMALLEST_RING_PX:
        return Silence(
            f"the rings are {ring_px:.0f} px wide, {SMALLEST_RING_PX * factor:.0f} needed to see "
            "whether the hole is centred: defocus further"
        )
    middle = np.array([(width_px - 1) / 2.0, (height_px - 1) / 2.0])
    away = np.hypot(stars.x_px - middle[0], stars.y_px - middle[1])
    near = np.nonzero((away < 0.35 * math.hypot(width_px, height_px)) & (stars.snr > 30))[0]
    found = []
    for i in near[:DONUT_STARS]:
        ring = fit_ring(
            plane,
            (stars.x_px[i] - (factor - 1) / 2.0) / factor,
            (stars.y_px[i] - (factor - 1) / 2.0) / factor,
            0.5 * size,
        )
        if ring is not None:
            found.append(ring)
    if not found:
        return Silence("no clean ring near the middle of the frame: put a bright star there")
    table = np.array(found) * factor
    weight = 1.0 / table[:, 4] ** 2
    mean = (table * weight[:, None]).sum(axis=0) / weight.sum()
    error = 1.0 / math.sqrt(float(weight.sum()))
    if len(table) > 2:
        scatter = 1.4826 * np.median(np.abs(table[:, 2:4] - np.median(table[:, 2:4], axis=0)))
        error = max(error, float(scatter) / math.sqrt(len(table)))
    return Donut(
        outer_diameter_px=2.0 * float(mean[0]),
        hole_diameter_px=2.0 * float(mean[1]),
        offset_x_px=float(mean[2]),
        offset_y_px=float(mean[3]),
        error_px=error,
        stars=len(found),
    )


def fit_ring(
    plane: npt.NDArray[np.float32], x: float, y: float, radius: float
) -> tuple[float, float, float, float, float] | None:
    """(outer radius, hole radius, offset x, offset y, error) of one ring, px of the picture.

    Rays from the middle cross half the ring's brightness twice; a circle is fitted to the inner
    and to the outer crossings. None where the ring is not whole.
    """
    import cv2

    reach = math.ceil(1.8 * radius) + 3
    column, row = round(x), round(y)
    if not (reach < column < plane.shape[1] - reach and reach < row < plane.shape[0] - reach):
        return None
    box = plane[row - reach : row + reach + 1, column - reach : column + reach + 1]
    box = np.asarray(cv2.GaussianBlur(np.ascontiguousarray(box), (0, 0), 0.7), dtype=np.float32)
    centre = np.array([x - column + reach, y - row + reach])
    edge = np.concatenate([box[0], box[-1], box[:, 0], box[:, -1]])
    box = box - float(np.median(edge))
    for _ in range(3):
        circles = _circles(box, centre, radius)
        if circles is None:
            return None
        (outer, cx, cy, outer_error), (hole, hx, hy, hole_error) = circles
        shift = np.array([cx, cy])
        centre = centre + shift
        radius = outer
        if float(np.abs(shift).max()) < 0.02:
            break
    if not 0.08 < hole / outer < 0.85:
        return None
    return outer, hole, hx - cx, hy - cy, math.hypot(outer_error, hole_error)


def _circles(
    box: npt.NDArray[np.float32], centre: Floats, radius: float
) -> tuple[tuple[float, float, float, float], ...] | None:
    """Outer and inner circle, (radius, x, y, error) against the centre; None for no ring."""
    from scipy.ndimage import map_coordinates

    angle: Floats = np.arange(RAYS, dtype=np.float64) * (2.0 * np.pi / RAYS)
    steps = np.arange(0.0, 1.7 * radius, 0.2)
    xs = centre[0] + np.cos(angle)[:, None] * steps
    ys = centre[1] + np.sin(angle)[:, None] * steps
    rays = map_coordinates(box, [ys, xs], order=1, mode="nearest")
    bright = rays.max(axis=1)
    level = float(np.median(bright))
    if not level > 0:
        return None
    outer: Floats = np.full(RAYS, np.nan)
    inner: Floats = np.full(RAYS, np.nan)
    for i in range(RAYS):
        # Each ray against its own height: a lopsided ring is brighter where it is narrow.
        half = 0.5 * bright[i]
        if bright[i] < 0.3 * level:
            continue
        above = np.nonzero(rays[i] >= half)[0]
        outer[i] = _crossing(steps, rays[i], int(above[-1]), half, 1)
        if above[0] > 0:
            inner[i] = _crossing(steps, rays[i], int(above[0]), half, -1)
    if np.isfinite(inner).sum() < 0.7 * RAYS or np.isfinite(outer).sum() < 0.9 * RAYS:
        return None
    return _circle(angle, outer), _circle(angle, inner)


def _crossing(steps: Floats, ray: Floats, at: int, half: float, toward: int) -> float:
    """Radius where the ray falls through half its height next to a sample above it."""
    beside = at + toward
    if not 0 <= beside < len(ray):
        return float("nan")
    part = (ray[at] - half) / max(float(ray[at] - ray[beside]), 1e-12)
    return float(steps[at] + toward * part * (steps[1] - steps[0]))


def _circle(angle: Floats, radius: Floats) -> tuple[float, float, float, float]:
    """(radius, centre x, centre y, error of the centre) of a circle seen from near its centre."""
    good = np.isfinite(radius)
    a, r = angle[good], radius[good]
    design = np.column_stack([np.ones_like(a), np.cos(a), np.sin(a)])
    for _ in range(3):
        c, *_ = np.linalg.lstsq(design, r, rcond=None)
        off = r - design @ c
        spread = max(1.4826 * float(np.median(np.abs(off))), 0.02)
        keep = np.abs(off) < 3.5 * spread
        design, r = design[keep], r[keep]
    # Neighbouring rays share pixels: one in three is independent.
    return float(c[0]), float(c[1]), float(c[2]), spread * math.sqrt(2.0 * 3.0 / len(r))
