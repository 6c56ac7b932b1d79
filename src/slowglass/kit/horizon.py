"""The skyline of a site: how high the sky begins in each direction."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt


def horizon_alt_deg(
    azimuth_deg: npt.ArrayLike, points: Sequence[tuple[float, float]]
) -> npt.NDArray[np.float64]:
    """Altitude of the skyline at each azimuth, degrees, in the shape of ``azimuth_deg``.

    ``points`` are (azimuth, altitude) pairs in rising azimuth, north through east. Between two
    neighbours, the last and first included, the line follows half a cosine wave: smooth,
    through every point and never above the higher neighbour. No points means a flat horizon.
    """
    azimuth: npt.NDArray[Any] = np.mod(np.asarray(azimuth_deg, dtype=np.float64), 360.0)
    if not points:
        return np.zeros_like(azimuth)
    az = np.array([point[0] for point in points], dtype=np.float64)
    alt = np.array([point[1] for point in points], dtype=np.float64)
    az = np.concatenate([[az[-1] - 360.0], az, [az[0] + 360.0]])
    alt = np.concatenate([[alt[-1]], alt, [alt[0]]])
    right = np.clip(np.searchsorted(az, azimuth, side="right"), 1, len(az) - 1)
    left = right - 1
    part = (azimuth - az[left]) / (az[right] - az[left])
    ease = 0.5 - 0.5 * np.cos(np.pi * part)
    return alt[left] + (alt[right] - alt[left]) * ease
