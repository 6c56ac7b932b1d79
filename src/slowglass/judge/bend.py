"""How the optics bend a solved frame: distortion toward its corners."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from slowglass.frame.detect import Detection
from slowglass.frame.image import Frame
from slowglass.judge.sky import clear_stars
from slowglass.sky.wcs import TanWcs, project_tan
from slowglass.solve.types import Solution

Floats = npt.NDArray[np.float64]

FEWEST_STARS = 6
LEAST_ERROR_PX = 0.1
"""Of one star's place: catalogue, centroid and air together are never better."""
CLIP_SIGMA = 3.0


@dataclass(frozen=True)
class Distortion:
    """Third-order radial distortion of one frame.

    A star in the corner lies ``corner_shift_px`` farther out than the scale in the middle says.
    """

    corner_shift_px: float
    error_px: float
    stars: int


def distortion_of(frame: Frame, detection: Detection, solution: Solution) -> Distortion | None:
    """The bend of a solved frame, from its matched stars that are whole."""
    if solution.wcs is None:
        return None
    rows = clear_stars(detection.stars, solution.match.star_index)
    index = solution.match.star_index[rows]
    return measure_distortion(
        detection.stars.x_px[index],
        detection.stars.y_px[index],
        solution.match.ra_deg[rows],
        solution.match.dec_deg[rows],
        solution.wcs,
        width_px=frame.width_px,
        height_px=frame.height_px,
    )


def measure_distortion(
    x_px: Floats,
    y_px: Floats,
    ra_deg: Floats,
    dec_deg: Floats,
    wcs: TanWcs,
    *,
    width_px: int,
    height_px: int,
) -> Distortion | None:
    """The bend r → r (1 + k r²) about the frame's middle; None for fewer than six stars.

    Shift, turn and scale are fitted along with it, so that none of them passes for distortion.
    """
    half = math.hypot(width_px, height_px) / 2.0
    (a, b), (c, d) = wcs.cd
    xi, eta = project_tan(ra_deg, dec_deg, wcs.ra0_deg, wcs.dec0_deg)
    p, q = np.linalg.solve(np.array([[a, b], [c, d]]), np.stack([xi, eta]))
    # Offsets from the middle in half diagonals, of the straight projection and of the stars.
    u = (p + wcs.crpix_x - (width_px - 1) / 2.0) / half
    v = (q + wcs.crpix_y - (height_px - 1) / 2.0) / half
    off_x = (x_px - (width_px - 1) / 2.0) / half - u
    off_y = (y_px - (height_px - 1) / 2.0) / half - v
    r2 = u**2 + v**2
    one, none = np.ones_like(u), np.zeros_like(u)
    design = np.vstack(
        [
            np.column_stack([one, none, u, -v, r2 * u]),
            np.column_stack([none, one, v, u, r2 * v]),
        ]
    )
    target = np.concatenate([off_x, off_y])
    keep = np.isfinite(u) & np.isfinite(x_px)
    floor = LEAST_ERROR_PX / half
    for _ in range(3):
        if np.count_nonzero(keep) < FEWEST_STARS:
            return None
        both = np.concatenate([keep, keep])
        found, *_ = np.linalg.lstsq(design[both], target[both], rcond=None)
        left = np.abs(target - design @ found).reshape(2, -1).max(axis=0)
        sigma = max(1.4826 * float(np.median(left[keep])), floor)
        keep = keep & (left <= CLIP_SIGMA * sigma)
    if np.count_nonzero(keep) < FEWEST_STARS:
        return None
    both = np.concatenate([keep, keep])
    rows = design[both]
    found, *_ = np.linalg.lstsq(rows, target[both], rcond=None)
    left = target[both] - rows @ found
    freedom = max(1, left.size - rows.shape[1])
    variance = max(float(left @ left) / freedom, floor**2)
    normal = rows.T @ rows
    if np.linalg.cond(normal) > 1e10:
        return None
    error = math.sqrt(variance * float(np.linalg.inv(normal)[4, 4]))
    return Distortion(float(found[4]) * half, error * half, int(np.count_nonzero(keep)))
