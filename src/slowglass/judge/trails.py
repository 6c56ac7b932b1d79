"""How long the trails are, and along which sky axis they run."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from slowglass.expose.tracking import trail_tolerance_arcsec
from slowglass.sky.wcs import TanWcs

Axis = Literal["RA", "Dec", "between"]

ROUND = 1.05
"""Below this the direction is noise."""
AXIS_TOLERANCE_DEG = 22.5
"""Within this of east-west a trail is called an RA trail, of north-south a Dec trail."""


@dataclass(frozen=True)
class Trail:
    """A common trail: length in pixels, and on the sky where the frame is solved."""

    length_px: float
    length_arcsec: float | None = None
    position_angle_deg: float | None = None
    """0–180, north through east."""
    axis: Axis | None = None

    @property
    def along_ra_arcsec(self) -> float:
        """Its extent east-west on the sky, arcsec; NaN where unsolved."""
        return self._part(90.0)

    @property
    def along_dec_arcsec(self) -> float:
        """Its extent north-south, arcsec; NaN where unsolved."""
        return self._part(0.0)

    def _part(self, axis_deg: float) -> float:
        if self.length_arcsec is None or self.position_angle_deg is None:
            return math.nan
        return abs(self.length_arcsec * math.cos(math.radians(self.position_angle_deg - axis_deg)))


_FITTED = (1.0, 1.042, 1.094, 1.168, 1.261, 1.372, 1.635, 1.937, 2.26, 2.936, 3.631, 5.04)
_EXCESS = (1.0, 1.012, 1.026, 1.044, 1.064, 1.084, 1.121, 1.149, 1.170, 1.195, 1.209, 1.222)
"""Elongation of a least-squares Gaussian on an evenly trailed Gaussian star, and by how much the
second-moment rule then overstates the trail: computed for L/σ = 0, 1, 1.5, 2, 2.5, 3, 4, 5, 6,
8, 10, 14. At the keeper's limit the two differ by 7 %."""


def trail_length_px(elongation: float, minor_fwhm_px: float) -> float:
    """Length in pixels of the even motion that stretches a round star to a fitted elongation.

    The planner's second-moment rule, corrected for fits, which see the flat top of a long trail.
    """
    fitted = max(1.0, elongation)
    length = trail_tolerance_arcsec(minor_fwhm_px, elongation=fitted)
    return length / float(np.interp(fitted, _FITTED, _EXCESS))


def sky_angle_deg(angle_deg: float, wcs: TanWcs) -> float:
    """Position angle 0–180 (north through east) of an image angle from +x toward +y."""
    (a, b), (c, d) = wcs.cd
    x, y = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    return math.degrees(math.atan2(a * x + b * y, c * x + d * y)) % 180.0


def sky_axis(position_angle_deg: float) -> Axis:
    """The axis a trail runs along: RA (east-west), Dec (north-south) or between."""
    from_east_west = abs(position_angle_deg % 180.0 - 90.0)
    if from_east_west <= AXIS_TOLERANCE_DEG:
        return "RA"
    return "Dec" if from_east_west >= 90.0 - AXIS_TOLERANCE_DEG else "between"


def measure_trail(
    elongation: float, angle_deg: float, fwhm_px: float, wcs: TanWcs | None
) -> Trail | None:
    """The trail behind an elongation; None where it was not measured or the stars are round.

    ``fwhm_px`` is the geometric mean of both axes, so the round star is narrower by √e.
    """
    if not (math.isfinite(elongation) and math.isfinite(fwhm_px)):
        return None
    if elongation < ROUND:
        return None
    length = trail_length_px(elongation, fwhm_px / math.sqrt(elongation))
    if wcs is None:
        return Trail(length)
    angle = sky_angle_deg(angle_deg, wcs)
    return Trail(length, length * wcs.scale_arcsec_per_px, angle, sky_axis(angle))
