"""Many registered values of each pixel become one: a weighted mean without the values that
do not belong.

A plain 3 σ clip around the mean rejects nothing for ten frames or fewer, because one value can
never lie more than (n − 1)/√n standard deviations from the mean. So the work goes in two passes.
The first takes the mean; where no value lies further from the mean *of the others* than κ times
the noise model, it stands. Only the rest go through a robust rejection of the chosen kind, whose
spread never falls below the noise model, so that a chance agreement of three values does not
throw the fourth away.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Literal

import numba
import numpy as np
import numpy.typing as npt

MAD_TO_SIGMA = 1.482602
"""Standard deviation of a normal distribution per median absolute deviation."""
WINSOR_SIGMAS = 1.5
WINSOR_SPREAD = 1.1334
"""True standard deviation over that of values pulled in to ± 1.5 σ (ISO 13528, algorithm A)."""
ESD_ALPHA = 0.05
"""Chance that the generalised ESD test drops a value of a clean set, set by set."""
ESD_SHARE = 0.3
"""Largest share of values that the generalised ESD test may drop."""
MOST_ESD = 25

Reject = Literal["clip", "winsorised", "esd", "none"]
_RULES = {"none": 0, "clip": 1, "winsorised": 2, "esd": 3}


@numba.njit(cache=True, nogil=True)
def median_of_sorted(values: Any, n: int) -> float:
    """Median of the first ``n`` values, which are sorted."""
    if n % 2:
        return values[n // 2]
    return 0.5 * (values[n // 2 - 1] + values[n // 2])


@numba.njit(cache=True, nogil=True)
def _mad_of_sorted(values: Any, n: int, centre: float) -> float:
    """Median of |value − centre| by walking inward from both ends of the sorted values."""
    low, high = 0, n - 1
    last = 0.0
    wanted = n - n // 2
    for _ in range(wanted):
        down, up = centre - values[low], values[high] - centre
        if down > up:
            last = down
            low += 1
        else:
            last = up
            high -= 1
    if n % 2:
        return last
    down, up = centre - values[low], values[high] - centre
    return 0.5 * (last + max(down, up))


@numba.njit(cache=True, nogil=True)
def sort_first(values: Any, n: int) -> None:
    """Sort the first ``n`` values in place; insertion is quickest for few."""
    if n > 40:
        values[:n].sort()
        return
    for i in range(1, n):
        v = values[i]
        j = i - 1
        while j >= 0 and values[j] > v:
            values[j + 1] = values[j]
            j -= 1
        values[j + 1] = v


@numba.njit(cache=True, nogil=True)
def _winsorised(values: Any, n: int, floor: float) -> tuple[float, float]:
    """Centre and spread of sorted values with the outer ones pulled in (ISO 13528, alg. A)."""
    centre = median_of_sorted(values, n)
    spread = max(MAD_TO_SIGMA * _mad_of_sorted(values, n, centre), floor)
    for _ in range(20):
        low, high = centre - WINSOR_SIGMAS * spread, centre + WINSOR_SIGMAS * spread
        total, square = 0.0, 0.0
        for i in range(n):
            v = min(max(values[i], low), high)
            total += v
            square += (v - centre) * (v - centre)
        middle = total / n
        variance = (square - n * (middle - centre) ** 2) / max(n - 1, 1)
        again = max(WINSOR_SPREAD * np.sqrt(max(variance, 0.0)), floor)
        done = abs(again - spread) < 1e-3 * spread and abs(middle - centre) < 1e-3 * spread
        centre, spread = middle, again
        if done:
            break
    return centre, spread


@numba.njit(cache=True, nogil=True)
def esd_bounds(values: Any, n: int, critical: Any, floor: float) -> tuple[float, float]:
    """Lowest and highest of ``n`` sorted values that the generalised ESD test keeps.

    Rosner 1983, Technometrics 25, 165; the spread is never taken below ``floor``. ``critical``
    holds λᵢ for sets of n values.
    """
    low, high = 0, n - 1
    kept_low, kept_high = low, high
    most = min(len(critical), n - 2)
    total, square = 0.0, 0.0
    origin = values[n // 2]
    for i in range(n):
        total += values[i] - origin
        square += (values[i] - origin) ** 2
    for i in range(most):
        left = high - low + 1
        mean = total / left
        spread = max(np.sqrt(max(square - left * mean * mean, 0.0) / (left - 1)), floor)
        if spread <= 0.0:
            break
        down, up = mean - (values[low] - origin), (values[high] - origin) - mean
        if up >= down:
            gone, far = values[high] - origin, up
            high -= 1
        else:
            gone, far = values[low] - origin, down
            low += 1
        total -= gone
        square -= gone * gone
        if far > critical[i] * spread:
            kept_low, kept_high = low, high
    return values[kept_low], values[kept_high]


@lru_cache(maxsize=8)
def esd_critical(n: int) -> npt.NDArray[np.float64]:
    """λ of the generalised ESD test: row m holds λ₁, λ₂ … for sets of m values, 0 beyond.

    λᵢ = (m − i)·t / √((m − i − 1 + t²)(m − i + 1)) with t the quantile 1 − α/(2(m − i + 1)) of
    Student's distribution of m − i − 1 degrees of freedom.
    """
    from scipy.special import stdtrit

    most = max(1, min(MOST_ESD, int(ESD_SHARE * n)))
    m, i = np.meshgrid(np.arange(n + 1), np.arange(1, most + 1), indexing="ij")
    freedom = np.maximum(m - i - 1, 1)
    t = stdtrit(freedom, 1 - ESD_ALPHA / (2 * np.maximum(m - i + 1, 1)))
    value = (m - i) * t / np.sqrt((freedom + t**2) * np.maximum(m - i + 1, 1))
    allowed = (i <= np.maximum(1, ESD_SHARE * m)) & (m - i - 1 >= 1)
    return np.where(allowed, value, np.inf)


@numba.njit(cache=True, nogil=True)
def _model(level: float, floor: float, per_adu: float, shape_tolerance: float) -> float:
    bright = max(level, 0.0)
    return np.sqrt(floor * floor + per_adu * bright + (shape_tolerance * bright) ** 2)


@numba.njit(cache=True, nogil=True)
def _robust(
    column: Any,
    weights: Any,
    looser: Any,
    values: Any,
    rule: int,
    floor: float,
    per_adu: float,
    shape_tolerance: float,
    kappa_low: float,
    kappa_high: float,
    critical: Any,
) -> tuple[float, float, int]:
    """Sum of weight × value, sum of weights and number rejected of one pixel's values."""
    n = len(column)
    m = 0
    for k in range(n):
        if np.isfinite(column[k]) and weights[k] > 0:
            values[m] = column[k]
            m += 1
    low, high, centre = -np.inf, np.inf, 0.0
    if m >= 3:
        sort_first(values, m)
        centre = median_of_sorted(values, m)
        model = _model(centre, floor, per_adu, shape_tolerance)
        if rule == 3:
            low, high = esd_bounds(values, m, critical[m], model)
        else:
            if rule == 1:
                spread = max(MAD_TO_SIGMA * _mad_of_sorted(values, m, centre), model)
            else:
                centre, spread = _winsorised(values, m, model)
            low, high = centre - kappa_low * spread, centre + kappa_high * spread
    total, weight, out = 0.0, 0.0, 0
    for k in range(n):
        v = column[k]
        if not (np.isfinite(v) and weights[k] > 0):
            continue
        if v < low or v > high:
            # A noisier frame may stray further.
            apart = centre - v if v < low else v - centre
            limit = centre - low if v < low else high - centre
            if apart > limit * looser[k]:
                out += 1
                continue
        total += weights[k] * v
        weight += weights[k]
    return total, weight, out


@numba.njit(cache=True, nogil=True)
def _combine(
    stack: Any,
    weights: Any,
    looser: Any,
    rule: int,
    floor: float,
    per_adu: float,
    shape_tolerance: float,
    kappa_low: float,
    kappa_high: float,
    critical: Any,
    only: Any,
    mean: Any,
    rejected: Any,
    share: Any,
) -> None:
    n, pixels = stack.shape
    every = weights.sum()
    size = 1024
    values, column = np.empty(n), np.empty(n, np.float32)
    total, weight = np.empty(size, np.float32), np.empty(size, np.float32)
    plain, count = np.empty(size, np.float32), np.empty(size, np.float32)
    lowest, highest = np.empty(size, np.float32), np.empty(size, np.float32)
    big = np.float32(3e38)
    for start in range(0, pixels, size):
        stop = min(pixels, start + size)
        wide = stop - start
        if len(only):
            wanted = False
            for p in range(start, stop):
                wanted |= only[p]
            if not wanted:
                continue
        for i in range(wide):
            total[i] = weight[i] = plain[i] = count[i] = np.float32(0)
            lowest[i], highest[i] = big, -big
        for k in range(n):
            w = np.float32(weights[k])
            if w <= 0:
                continue
            row = stack[k, start:stop]
            for i in range(wide):
                v = row[i]
                here = v == v  # NaN counts as absent
                use = v if here else np.float32(0)
                total[i] += w * use
                weight[i] += w if here else np.float32(0)
                plain[i] += use
                count[i] += np.float32(1) if here else np.float32(0)
                lowest[i] = min(lowest[i], v if here else big)
                highest[i] = max(highest[i], v if here else -big)
        for i in range(wide):
            p = start + i
            if len(only) and not only[p]:
                continue
            rejected[p] = 0
            if weight[i] <= 0:
                mean[p] = np.nan
                share[p] = 0.0
                continue
            mean[p] = total[i] / weight[i]
            share[p] = weight[i] / every
            m = count[i]
            if rule == 0 or m < 3:
                continue
            middle = plain[i] / m
            # Distance of an extreme value from the mean of all the others.
            others = m / (m - 1)
            up, down = (highest[i] - middle) * others, (middle - lowest[i]) * others
            model = _model(middle - max(up, 0.0) / m, floor, per_adu, shape_tolerance)
            if up <= kappa_high * model and down <= kappa_low * model:
                continue
            for k in range(n):
                column[k] = stack[k, p]
            some, of, out = _robust(
                column, weights, looser, values, rule, floor, per_adu, shape_tolerance,
                kappa_low, kappa_high, critical,
            )  # fmt: skip
            if of > 0:
                mean[p] = some / of
                share[p] = of / every
            rejected[p] = out


@dataclass(frozen=True)
class Rule:
    """Which values do not belong, and what noise is normal."""

    reject: Reject = "clip"
    """``clip``: further than κ σ from the median, σ by the MAD. ``winsorised``: from a mean whose
    outer values are pulled in. ``esd``: Rosner's generalised extreme studentised deviate."""
    kappa_low: float = 3.0
    kappa_high: float = 3.0
    noise_adu: float = 0.0
    """Noise of one value of empty sky: no spread is taken to be smaller."""
    per_adu: float = 0.0
    """Variance that each ADU of light adds."""
    shape_tolerance: float = 0.0
    """Share of the light by which a star may breathe with the seeing."""


@dataclass(frozen=True)
class Sum:
    """The combined values with how many were rejected and the share of all weights that stayed."""

    mean: npt.NDArray[np.float32]
    rejected: npt.NDArray[np.uint16]
    share: npt.NDArray[np.float32]


def combine_values(
    stack: npt.NDArray[np.float32],
    rule: Rule,
    *,
    weights: npt.ArrayLike | None = None,
    looser: npt.ArrayLike | None = None,
    again: tuple[Sum, npt.NDArray[np.bool_]] | None = None,
) -> Sum:
    """The mean of ``stack`` (n, …) along its first axis without the values that do not belong.

    With one or two values there is no majority and the plain weighted mean comes back. NaN
    counts as absent; a pixel absent everywhere is NaN. ``looser`` (n) widens the limits of
    noisier frames. ``again`` (an earlier sum, which pixels) does only those anew, in place.
    """
    n, shape = stack.shape[0], stack.shape[1:]
    flat = np.ascontiguousarray(stack, dtype=np.float32).reshape(n, -1)
    w = np.ones(n) if weights is None else np.asarray(weights, dtype=np.float64)
    wider = np.ones(n) if looser is None else np.maximum(np.asarray(looser, np.float64), 1.0)
    if again is None:
        mean, share = np.empty(shape, np.float32), np.empty(shape, np.float32)
        sums = Sum(mean, np.empty(shape, np.uint16), share)
        only = np.empty(0, dtype=np.bool_)
    else:
        sums, only = again[0], again[1].ravel()
    critical = esd_critical(n) if rule.reject == "esd" else np.empty((0, 0))
    _combine(
        flat, w, wider, _RULES[rule.reject], rule.noise_adu, rule.per_adu, rule.shape_tolerance,
        rule.kappa_low, rule.kappa_high, critical, only,
        sums.mean.reshape(-1), sums.rejected.reshape(-1), sums.share.reshape(-1),
    )  # fmt: skip
    return sums


@numba.njit(cache=True, nogil=True)
def settled_level(values: Any) -> tuple[float, float, int]:
    """Median, robust σ and number of the values left after four rounds of clipping at 2.5 σ.

    Sorts ``values`` in place.
    """
    values.sort()
    low, high = 0, len(values)
    middle, sigma = 0.0, 0.0
    for _ in range(4):
        part = values[low:high]
        middle = median_of_sorted(part, len(part))
        sigma = MAD_TO_SIGMA * _mad_of_sorted(part, len(part), middle)
        first, last = low, high
        while values[low] < middle - 2.5 * sigma:
            low += 1
        while values[high - 1] > middle + 2.5 * sigma:
            high -= 1
        if (low == first and high == last) or sigma == 0:
            break
    part = values[low:high]
    return median_of_sorted(part, len(part)), sigma, len(part)
