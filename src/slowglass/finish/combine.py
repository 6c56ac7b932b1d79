"""Many registered values of each pixel become one: the clipped weighted mean.

A plain 3 σ clip around the mean rejects nothing for ten frames or fewer, because one value can
never lie more than (n − 1)/√n standard deviations from the mean. Here the centre is the median
and the spread the MAD, which one trail cannot move, with a floor from the noise model so that
a chance agreement of three values does not throw the fourth away.
"""

from __future__ import annotations

from typing import Any

import numba
import numpy as np
import numpy.typing as npt

MAD_TO_SIGMA = 1.482602
"""Standard deviation of a normal distribution per median absolute deviation."""


@numba.njit(cache=True)
def median_of_sorted(values: Any, n: int) -> float:
    """Median of the first ``n`` values, which are sorted."""
    if n % 2:
        return values[n // 2]
    return 0.5 * (values[n // 2 - 1] + values[n // 2])


@numba.njit(cache=True)
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


@numba.njit(cache=True)
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


@numba.njit(cache=True, parallel=True, nogil=True)
def _clip(
    stack: Any,
    weights: Any,
    floor: float,
    per_adu: float,
    shape_tolerance: float,
    kappa_low: float,
    kappa_high: float,
    mean: Any,
    rejected: Any,
    share: Any,
) -> None:
    n, pixels = stack.shape
    every = weights.sum()
    tight = min(kappa_low, kappa_high) * floor
    # 2048 pixels at a time: long enough that a thread's set-up costs nothing.
    for chunk in numba.prange((pixels + 2047) // 2048):
        values = np.empty(n, dtype=np.float64)
        for p in range(chunk * 2048, min(pixels, (chunk + 1) * 2048)):
            m = 0
            total, weight = 0.0, 0.0
            lowest, highest = np.inf, -np.inf
            for k in range(n):
                v = stack[k, p]
                if np.isfinite(v) and weights[k] > 0:
                    values[m] = v
                    m += 1
                    total += weights[k] * v
                    weight += weights[k]
                    lowest, highest = min(lowest, v), max(highest, v)
            rejected[p] = 0
            if m == 0:
                mean[p] = np.nan
                share[p] = 0.0
                continue
            mean[p] = total / weight
            share[p] = weight / every
            # The median lies between the extremes: closer together than this, nothing can go.
            if m < 3 or highest - lowest <= tight:
                continue
            sort_first(values, m)
            centre = median_of_sorted(values, m)
            bright = max(centre, 0.0)
            model = np.sqrt(floor * floor + per_adu * bright + (shape_tolerance * bright) ** 2)
            spread = max(MAD_TO_SIGMA * _mad_of_sorted(values, m, centre), model)
            low, high = centre - kappa_low * spread, centre + kappa_high * spread
            if lowest >= low and highest <= high:
                continue
            total, weight, out = 0.0, 0.0, 0
            for k in range(n):
                v = stack[k, p]
                if not (np.isfinite(v) and weights[k] > 0):
                    continue
                if v < low or v > high:
                    out += 1
                    continue
                total += weights[k] * v
                weight += weights[k]
            if weight > 0:
                mean[p] = total / weight
                share[p] = weight / every
            rejected[p] = out


def clipped_mean(
    stack: npt.NDArray[np.float32],
    *,
    weights: npt.ArrayLike | None = None,
    noise: npt.ArrayLike | None = None,
    per_adu: float = 0.0,
    shape_tolerance: float = 0.0,
    kappa_low: float = 3.0,
    kappa_high: float = 3.0,
) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.uint16], npt.NDArray[np.float32]]:
    """The mean of ``stack`` (n, …) along its first axis, how many values were rejected, and the
    share of all weights that stayed in it.

    Values further than κ times the spread from the median are left out; the spread is
    1.4826 · MAD, but never below the noise model √(median noise² + per_adu · level +
    (shape_tolerance · level)²), whose last term forgives stars that breathe with the seeing.
    With one or two values there is no majority and the plain weighted mean comes back. NaN
    counts as absent; a pixel absent everywhere is NaN.
    """
    n = stack.shape[0]
    flat = np.ascontiguousarray(stack, dtype=np.float32).reshape(n, -1)
    mean = np.empty(flat.shape[1], dtype=np.float32)
    rejected = np.empty(flat.shape[1], dtype=np.uint16)
    share = np.empty(flat.shape[1], dtype=np.float32)
    w = np.ones(n) if weights is None else np.asarray(weights, dtype=np.float64)
    floor = 0.0 if noise is None else float(np.median(np.asarray(noise)))
    _clip(flat, w, floor, per_adu, shape_tolerance, kappa_low, kappa_high, mean, rejected, share)
    shape = stack.shape[1:]
    return mean.reshape(shape), rejected.reshape(shape), share.reshape(shape)
