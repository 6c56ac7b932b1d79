"""How the pointing wanders from frame to frame, and how the field turns."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from slowglass.judge.pattern import robust_fit
from slowglass.judge.sample import Sample, offsets_arcsec, place_error_arcsec, placed_in_order
from slowglass.judge.silence import Silence

Floats = npt.NDArray[np.float64]

FEWEST_FRAMES = 3


@dataclass(frozen=True)
class Drift:
    """The straight-line part of the wandering, on-sky arcseconds per minute, east and north.

    ``span_arcsec`` is the largest distance between any frame and the first; ``rotation_...`` the
    turning of the field, None where frames are not turned as solved or too few.
    """

    ra_arcsec_per_min: float
    dec_arcsec_per_min: float
    span_arcsec: float
    frames: int
    ra_error_arcsec_per_min: float = math.nan
    dec_error_arcsec_per_min: float = math.nan
    rotation_deg_per_hour: float | None = None
    rotation_error_deg_per_hour: float | None = None
    minutes: float = 0.0

    @property
    def text(self) -> str:
        """The drift in words."""
        east = "east" if self.ra_arcsec_per_min >= 0 else "west"
        north = "north" if self.dec_arcsec_per_min >= 0 else "south"
        return (
            f"over {self.frames} frames the field drifts {abs(self.ra_arcsec_per_min):.1f}″ a "
            f"minute {east} and {abs(self.dec_arcsec_per_min):.1f}″ a minute {north}"
        )


def measure_drift(samples: Iterable[Sample]) -> Drift | Silence:
    """The drift of the placed frames; silence for fewer than three, or at one time."""
    used = placed_in_order(samples)
    if len(used) < FEWEST_FRAMES:
        return Silence(f"{len(used)} solved frames with a time, {FEWEST_FRAMES} needed for a drift")
    time, east, north = offsets_arcsec(used)
    if not time[-1] > 0:
        return Silence("all frames carry the same time: no drift can be told")
    if not (np.isfinite(east).all() and np.isfinite(north).all()):
        return Silence("the frames lie too far apart for a drift")
    minutes = time / 60.0
    noise = np.array([place_error_arcsec(s) for s in used])
    design = np.column_stack([np.ones_like(minutes), minutes])
    ra, ra_error = robust_fit(design, east, noise)
    dec, dec_error = robust_fit(design, north, noise)
    turn = _rotation(used, minutes)
    return Drift(
        ra_arcsec_per_min=float(ra[1]),
        dec_arcsec_per_min=float(dec[1]),
        span_arcsec=float(np.max(np.hypot(east, north))),
        frames=len(used),
        ra_error_arcsec_per_min=float(ra_error[1]),
        dec_error_arcsec_per_min=float(dec_error[1]),
        rotation_deg_per_hour=turn[0],
        rotation_error_deg_per_hour=turn[1],
        minutes=float(minutes[-1]),
    )


def roll_error_arcsec(sample: Sample) -> float:
    """Error of a frame's position angle: that of its place over the stars' lever arm."""
    if not (sample.width_px and sample.height_px and sample.scale_arcsec_per_px):
        return 60.0
    # Evenly spread stars lie this far from the centre, root mean square.
    arm = math.hypot(sample.width_px, sample.height_px) / math.sqrt(12.0)
    arm_rad = math.radians(arm * sample.scale_arcsec_per_px / 3600.0)
    return place_error_arcsec(sample) / arm_rad


def _rotation(used: list[Sample], minutes: Floats) -> tuple[float | None, float | None]:
    """Turning of the field, degrees an hour, with its error."""
    known = [i for i, s in enumerate(used) if s.rotation_deg is not None]
    if len(known) < FEWEST_FRAMES:
        return None, None
    turned = np.array([used[i].rotation_deg for i in known], dtype=np.float64)
    turned = (turned - turned[0] + 180.0) % 360.0 - 180.0
    noise = np.array([roll_error_arcsec(used[i]) / 3600.0 for i in known])
    hours = minutes[known] / 60.0
    fit, error = robust_fit(np.column_stack([np.ones_like(hours), hours]), turned, noise)
    return float(fit[1]), float(error[1])
