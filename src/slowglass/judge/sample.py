"""One judged frame as a series sees it: when, where, how turned, how wide and how shaped."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from slowglass.judge.pattern import Pattern
from slowglass.sky.wcs import project_tan

if TYPE_CHECKING:
    from slowglass.judge.verdict import Verdict

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Sample:
    """What one frame adds to a series; None where it was not measured.

    The place is that of the frame's centre (ICRS), the time the middle of the exposure, in
    seconds since 1970 UTC: that is when the stars' centres of light stood there.
    """

    mid_s: float | None
    exposure_s: float | None = None
    ra_deg: float | None = None
    dec_deg: float | None = None
    rotation_deg: float | None = None
    scale_arcsec_per_px: float | None = None
    parity: int | None = None
    width_px: int | None = None
    height_px: int | None = None
    matched: int = 0
    rms_arcsec: float | None = None
    fwhm_px: float | None = None
    hfd_px: float | None = None
    pattern: Pattern | None = None
    zero_point_mag: float | None = None
    name: str = ""

    @property
    def placed(self) -> bool:
        """True where time and place are known."""
        return None not in (self.mid_s, self.ra_deg, self.dec_deg)


def sample_of(verdict: Verdict) -> Sample:
    """The part of a verdict that a series needs."""
    exposure = verdict.exposure_s
    start = verdict.start_utc
    mid = datetime.fromisoformat(start).timestamp() + 0.5 * (exposure or 0.0) if start else None
    light = verdict.light
    return Sample(
        mid_s=mid,
        exposure_s=exposure,
        ra_deg=verdict.ra_deg if verdict.solved else None,
        dec_deg=verdict.dec_deg if verdict.solved else None,
        rotation_deg=verdict.rotation_deg if verdict.solved else None,
        scale_arcsec_per_px=verdict.scale_arcsec_per_px,
        parity=verdict.parity,
        width_px=verdict.width_px,
        height_px=verdict.height_px,
        matched=verdict.matched,
        rms_arcsec=verdict.rms_arcsec,
        fwhm_px=verdict.fwhm_px,
        hfd_px=verdict.hfd_px,
        pattern=verdict.pattern,
        zero_point_mag=light.zero_point_mag if light is not None else None,
        name=verdict.file,
    )


def placed_in_order(samples: Iterable[Sample]) -> list[Sample]:
    """The samples with time and place, oldest first."""
    return sorted((s for s in samples if s.placed), key=lambda s: s.mid_s or 0.0)


def offsets_arcsec(samples: Sequence[Sample]) -> tuple[Floats, Floats, Floats]:
    """Times, s from the first, and on-sky places east and north of the first, arcsec.

    The samples must be placed, and within some degrees of each other.
    """
    time = np.array([s.mid_s for s in samples], dtype=np.float64)
    ra = np.array([s.ra_deg for s in samples], dtype=np.float64)
    dec = np.array([s.dec_deg for s in samples], dtype=np.float64)
    xi, eta = project_tan(ra, dec, float(ra[0]), float(dec[0]))
    return time - time[0], xi * 3600.0, eta * 3600.0


def place_error_arcsec(sample: Sample) -> float:
    """Error of a frame's solved centre, per axis: residual over the root of the stars matched."""
    if sample.rms_arcsec is None or sample.matched < 2:
        return 1.0
    return max(PLACE_FLOOR_ARCSEC, sample.rms_arcsec / math.sqrt(2.0 * sample.matched))


PLACE_FLOOR_ARCSEC = 0.1
"""Proper motions, parallaxes and plate-wide distortion leave no solution better than this."""
