"""An extended object's light on a frame, and its signal to noise, as the plan tells them.

Pure functions. Levels are those of :func:`slowglass.frame.bayer.luminance`, the mean over the
colour mosaic.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float32]

SKY_RING = (4.0, 6.0)
"""The sky beside an object is taken between these multiples of its half-light radius."""


@dataclass(frozen=True)
class SurfaceLight:
    """Mean electrons a pixel of an object inside an ellipse, of the level beside it, and that
    level's noise in one pixel of full size."""

    object_e_per_px: float
    beside_e_per_px: float
    noise_e: float


def surface_light(
    plane: Floats,
    x_px: float,
    y_px: float,
    *,
    radius_px: float,
    axis_ratio: float = 1.0,
    angle_deg: float = 0.0,
    gain_e_per_adu: float,
    bin_factor: int = 1,
) -> SurfaceLight | None:
    """The light inside an ellipse of a plane in ADU, against the ring around; None at the edge.

    Position, radius (of the major axis) and angle (from +x toward +y) in the plane's own
    pixels; ``bin_factor`` is how many sensor pixels each averages along a side.
    """
    rows, columns = plane.shape
    reach = SKY_RING[1] * radius_px
    left, right = math.floor(x_px - reach), math.ceil(x_px + reach)
    top, bottom = math.floor(y_px - reach), math.ceil(y_px + reach)
    if left < 0 or top < 0 or right >= columns or bottom >= rows:
        return None
    y, x = np.mgrid[top : bottom + 1, left : right + 1]
    turn = math.radians(angle_deg)
    along = (x - x_px) * math.cos(turn) + (y - y_px) * math.sin(turn)
    across = (y - y_px) * math.cos(turn) - (x - x_px) * math.sin(turn)
    distance = np.hypot(along, across / axis_ratio) / radius_px
    part = plane[top : bottom + 1, left : right + 1]
    ring = part[(distance >= SKY_RING[0]) & (distance < SKY_RING[1])]
    level = float(np.median(ring))
    # Stars only brighten: the spread below the median is the noise's own.
    below = ring[ring < level] - level
    noise = float(np.sqrt(np.mean(np.square(below)))) if below.size else math.nan
    return SurfaceLight(
        (float(np.mean(part[distance < 1.0])) - level) * gain_e_per_adu,
        level * gain_e_per_adu,
        noise * gain_e_per_adu * bin_factor,
    )


def element_snr(light: SurfaceLight, pixels: float) -> float:
    """Signal to noise of the object in one resolution element of so many pixels."""
    signal = max(0.0, light.object_e_per_px) * pixels
    return signal / math.sqrt(signal + pixels * light.noise_e**2)
