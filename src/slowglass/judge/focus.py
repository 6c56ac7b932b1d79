"""Focus over a series: is it creeping, and what width does the air itself leave?"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from slowglass.judge.sample import Sample
from slowglass.judge.silence import Silence
from slowglass.kit.optics import airy_fwhm_arcsec

Floats = npt.NDArray[np.float64]

FEWEST_FRAMES = 6
CREEP_SHARE = 0.10
"""Growth over the series from which refocusing pays: 10 % of width is 20 % of the peak."""
FLOOR_SHARE = 0.2
"""The sharpest fifth of the frames shows what air and telescope allow."""


@dataclass(frozen=True)
class FocusTrend:
    """Half-flux diameter over a series, px, with its slope, px an hour, and the floor.

    ``floor_fwhm_px`` is the width (FWHM) of the sharpest fifth of the frames; ``seeing_arcsec``
    what is left of it when the telescope's diffraction is taken off (None without scale and
    aperture). ``change_px`` is the fitted growth from first to last frame.
    """

    hfd_px: float
    slope_px_per_hour: float
    slope_error_px_per_hour: float
    change_px: float
    change_error_px: float
    floor_fwhm_px: float
    floor_fwhm_arcsec: float | None
    seeing_arcsec: float | None
    scatter_px: float
    frames: int
    minutes: float

    @property
    def creeping(self) -> bool:
        """True where focus is surely running away and enough to matter."""
        return (
            self.change_px > 3.0 * self.change_error_px
            and self.change_px > CREEP_SHARE * self.hfd_px
        )

    @property
    def text(self) -> str:
        """The trend in words."""
        floor = f"the sharpest frames are {self.floor_fwhm_px:.1f} px wide"
        if self.seeing_arcsec is not None:
            floor += f": the air gives about {self.seeing_arcsec:.1f}″"
        if self.creeping:
            grown = self.change_px / max(self.hfd_px - 0.5 * self.change_px, 0.1)
            return (
                f"focus is creeping: stars grew by {grown:.0%} in {self.minutes:.0f} min; {floor}"
            )
        return f"focus holds over {self.minutes:.0f} min (± {self.scatter_px:.1f} px); {floor}"


def measure_focus(
    samples: Iterable[Sample], *, aperture_mm: float | None = None
) -> FocusTrend | Silence:
    """The focus trend of the frames with a width and a time; silence for fewer than six.

    The slope is the median of the slopes between frames (Theil 1950, Sen 1968, JASA 63, 1379),
    its error that of a least-squares line with the robust scatter about it.
    """
    used = sorted(
        (
            s
            for s in samples
            if s.hfd_px is not None and s.fwhm_px is not None and s.mid_s is not None
        ),
        key=lambda s: s.mid_s or 0.0,
    )
    if len(used) < FEWEST_FRAMES:
        return Silence(
            f"{len(used)} frames with a star width and a time, {FEWEST_FRAMES} needed for a trend"
        )
    hours = np.array([(s.mid_s or 0.0) - (used[0].mid_s or 0.0) for s in used]) / 3600.0
    if not hours[-1] > 0:
        return Silence("all frames carry the same time: no trend can be told")
    hfd = np.array([s.hfd_px for s in used], dtype=np.float64)
    slope, error, scatter = theil_sen(hours, hfd)
    widths = np.sort(np.array([s.fwhm_px for s in used], dtype=np.float64))
    floor = float(np.median(widths[: max(1, round(FLOOR_SHARE * len(widths)))]))
    scales = [s.scale_arcsec_per_px for s in used if s.scale_arcsec_per_px]
    arcsec = floor * float(np.median(scales)) if scales else None
    return FocusTrend(
        hfd_px=float(np.median(hfd)),
        slope_px_per_hour=slope,
        slope_error_px_per_hour=error,
        change_px=slope * float(hours[-1]),
        change_error_px=error * float(hours[-1]),
        floor_fwhm_px=floor,
        floor_fwhm_arcsec=arcsec,
        seeing_arcsec=seeing_arcsec(arcsec, aperture_mm) if arcsec and aperture_mm else None,
        scatter_px=scatter,
        frames=len(used),
        minutes=60.0 * float(hours[-1]),
    )


def theil_sen(x: Floats, y: Floats) -> tuple[float, float, float]:
    """(slope, its standard error, robust scatter about the line)."""
    i, j = np.triu_indices(x.size, 1)
    apart = x[j] - x[i]
    ok = apart > 0
    slope = float(np.median((y[j] - y[i])[ok] / apart[ok]))
    away = y - slope * x
    scatter = 1.4826 * float(np.median(np.abs(away - np.median(away))))
    # The median of slopes is 5 % less sure than least squares on Gaussian noise.
    error = 1.05 * scatter / max(math.sqrt(float(np.sum((x - x.mean()) ** 2))), 1e-12)
    return slope, error, scatter


def seeing_arcsec(fwhm_arcsec: float, aperture_mm: float) -> float | None:
    """Width the air gives: the star's less the diffraction disc's in quadrature.

    None where diffraction alone is as wide. The pixel's share is left in (under 3 % from 3 px).
    """
    square = fwhm_arcsec**2 - airy_fwhm_arcsec(aperture_mm) ** 2
    return math.sqrt(square) if square > 0 else None
