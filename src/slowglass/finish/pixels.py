"""Loops over the pixels of one frame that numpy would take several passes for. Compiled."""

from __future__ import annotations

from typing import Any

import numba
import numpy as np
import numpy.typing as npt

Plane = npt.NDArray[np.float32]


@numba.njit(cache=True, nogil=True)
def _good_median(pixels: Any, bad: Any, j: int, i: int, step: int, values: Any) -> float:
    """Median of the good same-colour pixels around (j, i), two steps out where one has none."""
    high, wide = pixels.shape
    for reach in range(1, 3):
        m = 0
        for dj in range(-reach, reach + 1):
            for di in range(-reach, reach + 1):
                jj, ii = j + dj * step, i + di * step
                if (dj == 0 and di == 0) or jj < 0 or jj >= high or ii < 0 or ii >= wide:
                    continue
                if not bad[jj, ii] and np.isfinite(pixels[jj, ii]):
                    values[m] = pixels[jj, ii]
                    m += 1
        if m:
            near = values[:m]
            near.sort()
            return near[m // 2] if m % 2 else np.float32(0.5) * (near[m // 2 - 1] + near[m // 2])
    return np.nan


@numba.njit(cache=True, nogil=True)
def mend_at(pixels: Any, index: Any, step: int) -> int:
    """Fill the pixels at flat ``index`` and all NaNs from their good neighbours, in place.

    Returns how many had none within two steps; those are NaN.
    """
    high, wide = pixels.shape
    bad = np.zeros((high, wide), np.bool_)
    for k in index:
        bad[k // wide, k % wide] = True
    for j in range(high):
        for i in range(wide):
            if pixels[j, i] != pixels[j, i]:
                bad[j, i] = True
    values = np.empty(25, np.float32)
    lost = 0
    for j in range(high):
        for i in range(wide):
            if bad[j, i]:
                pixels[j, i] = _good_median(pixels, bad, j, i, step, values)
                lost += pixels[j, i] != pixels[j, i]
    return lost


@numba.njit(cache=True, nogil=True)
def alone(pixels: Any, step: int, height: float, noise: float, sharpness: float, out: Any) -> int:
    """Flat indices of pixels that stand alone by ``height``, written to ``out``; their number.

    A pixel counts when it differs by ``height`` from the median of its eight same-colour
    neighbours, and by ``sharpness`` times as much (less twice the ``noise``) as any touching
    pixel does from the median of *its* neighbours, on the same side.
    """
    high, wide = pixels.shape
    found = 0
    values = np.empty(25, np.float32)
    suspect = np.ones(wide, np.uint8)
    h = np.float32(height)
    size = 64
    for j in range(high):
        up = j - step if j >= step else j + step
        down = j + step if j + step < high else j - step
        # Quick, many pixels at once: it must stand out of three of its four nearest by itself.
        row, over, under = pixels[j], pixels[up], pixels[down]
        left, right, mid = row[: wide - 2 * step], row[2 * step :], row[step : wide - step]
        inner, over, under = suspect[step : wide - step], over[step:], under[step:]
        for i in range(len(inner)):
            v = mid[i]
            a, b, c, d = v - over[i], v - under[i], v - left[i], v - right[i]
            above = np.uint8(a > h) + np.uint8(b > h) + np.uint8(c > h) + np.uint8(d > h)
            below = np.uint8(a < -h) + np.uint8(b < -h) + np.uint8(c < -h) + np.uint8(d < -h)
            inner[i] = np.uint8(above > 2) | np.uint8(below > 2)
        for start in range(0, wide, size):
            stop = min(wide, start + size)
            some = 0
            for flag in suspect[start:stop]:
                some += flag
            if some == 0:
                continue
            for i in range(start, stop):
                if suspect[i] == 0:
                    continue
                excess = row[i] - _around(pixels, j, i, step, values)
                if abs(excess) <= height:
                    continue
                sign = 1.0 if excess > 0 else -1.0
                limit = (abs(excess) - 2 * noise) / sharpness
                lonely = limit > 0
                for dj in range(-1, 2):
                    for di in range(-1, 2):
                        jj, ii = j + dj, i + di
                        if not lonely or (dj == 0 and di == 0):
                            continue
                        if jj < 0 or jj >= high or ii < 0 or ii >= wide:
                            continue
                        beside = sign * (pixels[jj, ii] - _around(pixels, jj, ii, step, values))
                        if beside >= limit:
                            lonely = False
                if lonely and found < len(out):
                    out[found] = j * wide + i
                    found += 1
    return found


@numba.njit(cache=True, nogil=True)
def _around(pixels: Any, j: int, i: int, step: int, values: Any) -> float:
    """Median of the nine same-colour pixels centred at (j, i)."""
    high, wide = pixels.shape
    m = 0
    for dj in range(-1, 2):
        for di in range(-1, 2):
            jj = min(max(j + dj * step, (j % step)), high - 1 - (high - 1 - j) % step)
            ii = min(max(i + di * step, (i % step)), wide - 1 - (wide - 1 - i) % step)
            v = pixels[jj, ii]
            k = m
            while k > 0 and values[k - 1] > v:
                values[k] = values[k - 1]
                k -= 1
            values[k] = v
            m += 1
    return values[4]


@numba.njit(cache=True, nogil=True)
def less_plane(pixels: Any, y0: int, x0: int, step: int, terms: Any) -> None:
    """Take a tilted sky off, in place: terms[colour] = (level, per column, per row).

    Colours by the mosaic's 2 × 2 phase for ``step`` 2, one for ``step`` 1.
    """
    high, wide = pixels.shape
    for j in range(high):
        y = y0 + j
        for first in range(step):
            t = terms[(y % step) * step + (x0 + first) % step]
            base = np.float32(t[0] + t[1] * (x0 + first) + t[2] * y)
            slope = np.float32(t[1])
            row = pixels[j]
            for i in range(first, wide, step):
                row[i] -= base + slope * np.float32(i - first)


@numba.njit(cache=True, nogil=True)
def extent(pixels: Any) -> tuple[float, float, bool]:
    """Lowest and highest value, NaN apart, and whether all are whole numbers."""
    low, high = np.float32(np.inf), np.float32(-np.inf)
    apart = np.float32(0)
    for k in range(len(pixels)):
        v = pixels[k]
        if v == v:
            low, high = min(low, v), max(high, v)
            apart += abs(v - np.rint(v))
    return float(low), float(high), bool(apart == 0)


@numba.njit(cache=True, nogil=True)
def pack(pixels: Any, low: float, step: float, out: Any) -> None:
    """Values as 16-bit numbers of steps above ``low``; 0 stands for NaN."""
    inverse = np.float32(1.0 / step)
    base = np.float32(low)
    for k in range(len(pixels)):
        v = pixels[k]
        out[k] = np.uint16(0) if v != v else np.uint16((v - base) * inverse + np.float32(1.5))


@numba.njit(cache=True, nogil=True)
def unpack(packed: Any, low: float, step: float, out: Any) -> None:
    """The values that ``pack`` stored, row by row."""
    base, unit, none = np.float32(low - step), np.float32(step), np.float32(np.nan)
    for j in range(len(packed)):
        row, line = packed[j], out[j]
        for i in range(len(row)):
            v = base + unit * np.float32(row[i])
            line[i] = none if row[i] == 0 else v


@numba.njit(cache=True, nogil=True)
def calibrated(raw: Any, bias: Any, dark: Any, scale: float, flat: Any) -> None:
    """raw − bias − scale · dark, over flat, in place on flat arrays; empty ones are left out."""
    s = np.float32(scale)
    n = len(raw)
    if len(bias):
        for k in range(n):
            raw[k] -= bias[k]
    if len(dark):
        for k in range(n):
            raw[k] -= s * dark[k]
    if len(flat):
        for k in range(n):
            raw[k] /= flat[k]


@numba.njit(cache=True, nogil=True)
def lay(planes: Any, out: Any) -> None:
    """Planes (channels, rows, columns) written to (rows, columns, channels), NaN as 0."""
    depth, high, wide = planes.shape
    for y in range(high):
        for c in range(depth):
            row = planes[c, y]
            for x in range(wide):
                v = row[x]
                out[y, x, c] = v if v == v else np.float32(0)
