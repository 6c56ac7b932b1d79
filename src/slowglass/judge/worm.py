"""The drive's periodic error from a series: RA against time, fundamental and harmonics.

The mean place of an exposure of length T sees a swing of period P weakened by
sinc(T/P) = sin(πT/P)/(πT/P); that is undone here. A worm turns once in a sidereal day over the
teeth of its wheel.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from slowglass.judge.sample import Sample, offsets_arcsec, place_error_arcsec, placed_in_order
from slowglass.judge.silence import Silence
from slowglass.kit.model import SIDEREAL_DAY_S

Floats = npt.NDArray[np.float64]

FEWEST_FRAMES = 12
HARMONICS = 3
SHORTEST_PERIOD_S, LONGEST_PERIOD_S = 60.0, 2400.0
"""1436 to 36 teeth: wheels of telescope mounts lie well inside."""
FEWEST_CYCLES = 1.2
"""With less than about a turn seen, a swing cannot be told from drift."""
LARGEST_PERIOD_ERROR = 0.1
CHANCE = 1e-3
"""A swing is claimed only if noise would show one as strong less often than this."""


@dataclass(frozen=True, eq=False)
class WormFit:
    """The swing of the drive, arcseconds on the equator (on the sky it is less by cos δ).

    ``amplitude_arcsec`` holds the fundamental and the harmonics that the frames bear out, each
    to one side; ``phase_rad`` their phases at ``start_s``, as A·sin(2πk(t − start)/P + phase).
    """

    period_s: float
    period_error_s: float
    amplitude_arcsec: tuple[float, ...]
    amplitude_error_arcsec: tuple[float, ...]
    phase_rad: tuple[float, ...]
    start_s: float
    drift_arcsec_per_min: float
    """The straight part of the RA wandering, on the equator, east positive."""
    residual_arcsec: float
    cycles: float
    frames: int
    peak_to_peak_error_arcsec: float

    def path_arcsec(self, since_start_s: npt.ArrayLike) -> Floats:
        """East offset of the swing alone at times from ``start_s``."""
        turn = 2.0 * np.pi * np.asarray(since_start_s, dtype=np.float64) / self.period_s
        path = np.zeros_like(turn)
        for k, (size, phase) in enumerate(
            zip(self.amplitude_arcsec, self.phase_rad, strict=True), start=1
        ):
            path = path + size * np.sin(k * turn + phase)
        return path

    @cached_property
    def peak_to_peak_arcsec(self) -> float:
        """Whole swing from one side to the other."""
        return float(np.ptp(self.path_arcsec(np.linspace(0.0, self.period_s, 1441))))

    @property
    def teeth(self) -> int:
        """The whole number of teeth nearest to the period."""
        return round(SIDEREAL_DAY_S / self.period_s)

    @property
    def teeth_range(self) -> tuple[int, int]:
        """Teeth within two standard errors of the period."""
        wide = 2.0 * self.period_error_s
        fewest = math.ceil(SIDEREAL_DAY_S / (self.period_s + wide) - 0.5)
        most = math.floor(SIDEREAL_DAY_S / max(self.period_s - wide, 1.0) + 0.5)
        return min(fewest, self.teeth), max(most, self.teeth)

    def fits_teeth(self, teeth: int) -> bool:
        """True when a wheel of that many teeth has this period within 3 standard errors."""
        return abs(SIDEREAL_DAY_S / teeth - self.period_s) <= max(
            3.0 * self.period_error_s, 0.003 * self.period_s
        )

    @property
    def text(self) -> str:
        """The swing in words."""
        low, high = self.teeth_range
        teeth = f"{low} teeth" if low == high else f"{low} to {high} teeth"
        return (
            f"the drive swings {self.peak_to_peak_arcsec:.1f}″ ± "
            f"{self.peak_to_peak_error_arcsec:.1f}″ from side to side every {self.period_s:.1f} s "
            f"± {self.period_error_s:.1f} s (a wheel of {teeth})"
        )


def measure_worm(samples: Iterable[Sample]) -> WormFit | Silence:
    """The periodic error of the placed frames' RA; silence where they cannot tell."""
    used = placed_in_order(samples)
    if len(used) < FEWEST_FRAMES:
        return Silence(
            f"{len(used)} solved frames with a time, {FEWEST_FRAMES} needed for the drive's swing"
        )
    time, east, _ = offsets_arcsec(used)
    cos_dec = math.cos(math.radians(float(np.median([s.dec_deg or 0.0 for s in used]))))
    if cos_dec < 0.05 or not np.isfinite(east).all():
        return Silence("too near the pole: the drive's swing hardly moves the stars there")
    noise = np.array([place_error_arcsec(s) for s in used]) / cos_dec
    exposure = float(np.median([s.exposure_s or 0.0 for s in used]))
    return fit_worm(time, east / cos_dec, noise, exposure_s=exposure, start_s=used[0].mid_s or 0.0)


def fit_worm(
    time_s: Floats,
    east_arcsec: Floats,
    noise_arcsec: Floats,
    *,
    exposure_s: float = 0.0,
    start_s: float = 0.0,
) -> WormFit | Silence:
    """The swing in offsets on the equator at times in order, with the errors of the offsets."""
    span = float(time_s[-1] - time_s[0])
    step = float(np.median(np.diff(time_s)))
    if not (span > 0 and step > 0):
        return Silence("the frames carry no running times")
    longest = min(LONGEST_PERIOD_S, span / FEWEST_CYCLES)
    shortest = max(SHORTEST_PERIOD_S, 2.5 * step, 1.3 * exposure_s)
    if shortest >= longest:
        return Silence(
            f"{len(time_s)} frames over {span / 60:.0f} min cannot show a swing: "
            f"take at least {math.ceil(2.5 * SHORTEST_PERIOD_S / 60)} min of short frames"
        )
    # Five steps for each peak's width of 1/span keep the best period within the parabola.
    count = max(20, math.ceil(5.0 * span * (1.0 / shortest - 1.0 / longest)))
    periods = 1.0 / np.linspace(1.0 / longest, 1.0 / shortest, count)
    noise = noise_arcsec
    line = _fit(time_s, east_arcsec, noise, None, 0)
    scores = np.array([_fit(time_s, east_arcsec, noise, p, 1)[1] for p in periods])
    best = float(periods[int(np.argmin(scores))])
    if not _beyond_chance(line[1], float(scores.min()), len(time_s), count):
        swing = 2.0 * float(np.std(line[2]))
        return Silence(f"no periodic swing stands out of the RA wandering (about {swing:.1f}″)")
    chosen = _refined(time_s, east_arcsec, noise, best, 1)
    for harmonics in range(2, HARMONICS + 1):
        if chosen[0] / harmonics < 2.5 * step:
            break
        more = _refined(time_s, east_arcsec, noise, chosen[0], harmonics)
        # Bayes' information criterion: two more numbers must pay for themselves.
        freedom = max(1, len(time_s) - 3 - 2 * harmonics)
        unit = max(1.0, more[2] / freedom)
        if chosen[2] - more[2] > 2.0 * math.log(len(time_s)) * unit:
            chosen = more
    found = _report(time_s, east_arcsec, noise, chosen[0], chosen[1], exposure_s, start_s)
    if found.cycles < FEWEST_CYCLES or found.period_error_s > LARGEST_PERIOD_ERROR * found.period_s:
        return Silence(
            f"a swing of about {found.peak_to_peak_arcsec:.0f}″ shows, but {span / 60:.0f} min "
            "are too short for its period: go on for twice as long"
        )
    return found


def _design(time: Floats, period: float | None, harmonics: int) -> Floats:
    scaled = time / max(float(time[-1]), 1.0)
    columns = [np.ones_like(time), scaled]
    if period is not None:
        for k in range(1, harmonics + 1):
            turn = 2.0 * np.pi * k * time / period
            columns += [np.sin(turn), np.cos(turn)]
    return np.column_stack(columns)


def _fit(
    time: Floats, east: Floats, noise: Floats, period: float | None, harmonics: int
) -> tuple[Floats, float, Floats]:
    """(coefficients, chi-square, residuals) with single jumps and strays weighed down."""
    design = _design(time, period, harmonics)
    weight = 1.0 / noise
    coefficients, *_ = np.linalg.lstsq(design * weight[:, None], east * weight, rcond=None)
    away = east - design @ coefficients
    scale = max(1.0, 1.4826 * float(np.median(np.abs(away * weight))))
    weight = weight * np.sqrt(
        np.minimum(1.0, 3.0 * scale / np.maximum(np.abs(away * weight), 1e-9))
    )
    coefficients, *_ = np.linalg.lstsq(design * weight[:, None], east * weight, rcond=None)
    away = east - design @ coefficients
    return np.asarray(coefficients), float(np.sum((away * weight) ** 2)), away


def _refined(
    time: Floats, east: Floats, noise: Floats, period: float, harmonics: int
) -> tuple[float, int, float]:
    """(period, harmonics, chi-square) with the period moved to the least chi-square nearby."""
    from scipy.optimize import minimize_scalar

    width = 0.5 * period**2 / float(time[-1])
    found = minimize_scalar(
        lambda p: _fit(time, east, noise, float(p), harmonics)[1],
        bounds=(max(period - width, 0.6 * period), min(period + width, 1.6 * period)),
        method="bounded",
        options={"xatol": 1e-3},
    )
    return float(found.x), harmonics, float(found.fun)


def _beyond_chance(line: float, swing: float, frames: int, trials: int) -> bool:
    """F test of a sine against a straight line, over all the periods tried."""
    from scipy.stats import f

    freedom = frames - 5
    if freedom < 3 or not swing > 0:
        return swing < line
    ratio = (line - swing) / 3.0 / (swing / freedom)
    # Neighbouring periods of the grid share a peak.
    return float(f.sf(ratio, 3, freedom)) * trials / 5.0 < CHANCE


def _report(
    time: Floats,
    east: Floats,
    noise: Floats,
    period: float,
    harmonics: int,
    exposure_s: float,
    start_s: float,
) -> WormFit:
    coefficients, chi2, away = _fit(time, east, noise, period, harmonics)
    freedom = max(1, len(time) - coefficients.size - 1)
    inflate = max(1.0, chi2 / freedom)
    # The period's own column: how the curve changes with it.
    nudge = 1e-4 * period
    slope = (
        _design(time, period + nudge, harmonics) - _design(time, period - nudge, harmonics)
    ) @ coefficients
    design = np.column_stack([_design(time, period, harmonics), slope / (2.0 * nudge)])
    weighted = design / noise[:, None]
    covariance = np.linalg.pinv(weighted.T @ weighted) * inflate
    error = np.sqrt(np.clip(np.diag(covariance), 0.0, None))
    amplitudes, errors, phases = [], [], []
    for k in range(harmonics):
        a, b = coefficients[2 + 2 * k], coefficients[3 + 2 * k]
        seen = float(np.sinc((k + 1) * exposure_s / period))
        amplitudes.append(math.hypot(a, b) / seen)
        errors.append(math.hypot(error[2 + 2 * k], error[3 + 2 * k]) / math.sqrt(2.0) / seen)
        phases.append(math.atan2(b, a))
    cycles = float(time[-1]) / period
    return WormFit(
        period_s=period,
        period_error_s=float(error[-1]),
        amplitude_arcsec=tuple(amplitudes),
        amplitude_error_arcsec=tuple(errors),
        phase_rad=tuple(phases),
        start_s=start_s,
        drift_arcsec_per_min=float(coefficients[1]) / max(float(time[-1]), 1.0) * 60.0,
        residual_arcsec=float(np.std(away)),
        cycles=cycles,
        frames=len(time),
        peak_to_peak_error_arcsec=2.0 * float(np.hypot.reduce(errors)),
    )


@dataclass(frozen=True)
class HoldTimes:
    """Longest exposures, s, that keep 50, 80 and 90 % of the frames round, and the quiet share.

    ``quiet_share`` is the share of the worm's turn in which an exposure of ``exposure_s`` that
    begins there stays within ``tolerance_arcsec``.
    """

    keep_50_s: float
    keep_80_s: float
    keep_90_s: float
    quiet_share: float
    exposure_s: float
    tolerance_arcsec: float


def hold_times(
    fit: WormFit,
    *,
    tolerance_arcsec: float,
    dec_deg: float,
    exposure_s: float,
    dec_drift_arcsec_per_min: float = 0.0,
) -> HoldTimes:
    """The exposures that keep 50, 80 and 90 % of the frames at a declination with this drive."""

    def share(seconds: float) -> float:
        return quiet_share(
            fit,
            exposure_s=seconds,
            tolerance_arcsec=tolerance_arcsec,
            dec_deg=dec_deg,
            dec_drift_arcsec_per_min=dec_drift_arcsec_per_min,
        )

    grid = np.geomspace(1.0, 1200.0, 160)
    shares = np.minimum.accumulate([share(float(s)) for s in grid])

    def longest(wanted: float) -> float:
        good = np.nonzero(shares >= wanted)[0]
        return float(grid[good[-1]]) if good.size else 0.0

    return HoldTimes(
        longest(0.5), longest(0.8), longest(0.9), share(exposure_s), exposure_s, tolerance_arcsec
    )


def quiet_share(
    fit: WormFit,
    *,
    exposure_s: float,
    tolerance_arcsec: float,
    dec_deg: float,
    dec_drift_arcsec_per_min: float = 0.0,
    phases: int = 240,
    steps: int = 33,
) -> float:
    """Share of exposures, begun anywhere in the turn, whose trail stays within the tolerance."""
    begin = np.arange(phases) * (fit.period_s / phases)
    within = np.linspace(0.0, exposure_s, steps)
    cos_dec = math.cos(math.radians(dec_deg))
    east = fit.path_arcsec(begin[:, None] + within[None, :])
    east = cos_dec * (east + fit.drift_arcsec_per_min / 60.0 * within)
    north = abs(dec_drift_arcsec_per_min) / 60.0 * exposure_s
    return float(np.mean(np.hypot(np.ptp(east, axis=1), north) <= tolerance_arcsec))
