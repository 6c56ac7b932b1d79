"""Pixels to new places: one mosaic developed into colours, planes resampled on a turned grid.

The Lanczos kernel of four lobes is linear, so noise comes out as it goes in, weight by weight.
For the small turns between the frames of one night a warp is split into a pass along rows and
one along columns (Catmull & Smith 1980, SIGGRAPH 14, 279): 16 taps instead of 64. The tables
of weights are shared by pixels whose phases differ by less than ``PHASE_PX``.
"""

from __future__ import annotations

from typing import Any

import numba
import numpy as np
import numpy.typing as npt

from slowglass.frame.bayer import colour_index
from slowglass.frame.image import Bayer

Planes = npt.NDArray[np.float32]
"""(channels, rows, columns)."""
LOBES = 4
PHASE_PX = 0.002
"""A position wrong by half of this moves 0.3 % of a star's light between two pixels at worst."""
FINE = 2048
"""Kernel phases in the table: steps of 0.0005 px."""
LARGER = 1.03
"""Source pixels an output pixel is wide, from which the kernel is widened to match."""
TWO_PASS_TURN = 0.02
TWO_PASS_SCALE = 2e-4


def _kernel_table() -> npt.NDArray[np.float32]:
    phase = np.arange(FINE + 1)[:, None] / FINE
    apart = phase + (LOBES - 1) - np.arange(2 * LOBES)[None, :]
    weights = np.sinc(apart) * np.sinc(apart / LOBES)
    weights[np.abs(apart) >= LOBES] = 0.0
    return np.ascontiguousarray(weights / weights.sum(axis=1, keepdims=True), dtype=np.float32)


_TABLE = _kernel_table()


@numba.njit(cache=True, nogil=True, fastmath={"contract"})
def _develop(m: Any, cell: Any, out: Any) -> None:
    """Malvar, He & Cutler 2004, ICASSP III-485, figure 2; ``m`` has two pixels of margin."""
    _, high, wide = out.shape
    along, across = np.empty(wide, np.float32), np.empty(wide, np.float32)
    column, green = np.empty(wide, np.float32), np.empty(wide, np.float32)
    eighth = np.float32(0.125)
    for y in range(high):
        a, b, c, d, e = m[y], m[y + 1], m[y + 2], m[y + 3], m[y + 4]
        for x in range(wide):
            own = c[x + 2]
            side, far_side = c[x + 1] + c[x + 3], c[x] + c[x + 4]
            up, far_up = b[x + 2] + d[x + 2], a[x + 2] + e[x + 2]
            diagonal = b[x + 1] + b[x + 3] + d[x + 1] + d[x + 3]
            green[x] = eighth * (
                np.float32(4) * own + np.float32(2) * (side + up) - far_side - far_up
            )
            across[x] = eighth * (
                np.float32(6) * own
                + np.float32(2) * diagonal
                - np.float32(1.5) * (far_side + far_up)
            )
            five = np.float32(5) * own - diagonal
            along[x] = eighth * (five + np.float32(4) * side - far_side + np.float32(0.5) * far_up)
            column[x] = eighth * (five + np.float32(4) * up - far_up + np.float32(0.5) * far_side)
        for first in range(2):
            here, beside, below = cell[y % 2, first], cell[y % 2, 1 - first], cell[1 - y % 2, first]
            if here == 1:
                for x in range(first, wide, 2):
                    out[1, y, x] = c[x + 2]
                    out[beside, y, x] = along[x]
                    out[below, y, x] = column[x]
            else:
                for x in range(first, wide, 2):
                    out[here, y, x] = c[x + 2]
                    out[1, y, x] = green[x]
                    out[2 - here, y, x] = across[x]


def develop(mosaic: npt.NDArray[np.float32], bayer: Bayer) -> Planes:
    """Red, green and blue planes of a mosaic that starts with ``bayer``'s first pixel.

    The gradient-corrected linear interpolation of :func:`slowglass.frame.bayer.demosaic`, plane
    by plane in one go over the pixels. Linear in them, so a star keeps its light in each colour.
    """
    import cv2

    edged = cv2.copyMakeBorder(mosaic, 2, 2, 2, 2, cv2.BORDER_REFLECT_101)
    out = np.empty((3, *mosaic.shape), dtype=np.float32)
    _develop(np.asarray(edged), colour_index(bayer), out)
    return out


@numba.njit(cache=True, nogil=True, fastmath={"contract"})
def _two_pass(src: Any, m: Any, table: Any, phase_px: float, out: Any) -> None:
    """out[c, y, x] = src[c] at column a·x + b·y + c0 and row d·x + e·y + f of matrix ``m``."""
    depth, high, wide = src.shape
    _, rows, cols = out.shape
    fine = table.shape[0] - 1
    a, b, c0 = m[0, 0], m[0, 1], m[0, 2]
    d, e, f = m[1, 0], m[1, 1], m[1, 2]
    # Along rows first: u as a function of output column x and source row v.
    p, q, r = a - b * d / e, b / e, c0 - b * f / e
    lowest = min(f, f + d * (cols - 1)) + min(0.0, e * (rows - 1))
    highest = max(f, f + d * (cols - 1)) + max(0.0, e * (rows - 1))
    v0, v1 = max(0, int(np.floor(lowest)) - 3), min(high, int(np.floor(highest)) + 6)
    none = np.float32(np.nan)
    out[...] = none
    if v1 <= v0:
        return
    middle = np.empty((depth, v1 - v0, cols), np.float32)
    drift = abs(p - 1.0)
    longest = cols if drift * cols <= phase_px else max(1, int(phase_px / drift))
    for v in range(v0, v1):
        x = 0
        while x < cols:
            u = p * x + q * v + r
            step = int(np.floor(u))
            stop = min(cols, x + longest)
            # The whole part must not change within the segment.
            while stop - x > 1 and int(np.floor(p * (stop - 1) + q * v + r)) - step != stop - 1 - x:
                stop = x + (stop - x) // 2
            mid = p * (0.5 * (x + stop - 1)) + q * v + r - 0.5 * (stop - 1 - x) - step
            w = table[int(min(max(mid, 0.0), 1.0) * fine + 0.5)]
            w0, w1, w2, w3, w4, w5, w6, w7 = w[0], w[1], w[2], w[3], w[4], w[5], w[6], w[7]
            off = step - 3 - x
            first, last = max(x, -off), min(stop, wide - 7 - off)
            for c in range(depth):
                line, source = middle[c, v - v0], src[c, v]
                for i in range(x, min(first, stop)):
                    line[i] = none
                for i in range(max(last, x), stop):
                    line[i] = none
                if last > first:
                    t, o = source[first + off : last + off + 7], line[first:last]
                    for i in range(len(o)):
                        o[i] = (
                            w0 * t[i]
                            + w1 * t[i + 1]
                            + w2 * t[i + 2]
                            + w3 * t[i + 3]
                            + w4 * t[i + 4]
                            + w5 * t[i + 5]
                            + w6 * t[i + 6]
                            + w7 * t[i + 7]
                        )
            x = stop
    # Then along columns; the phases of a row serve the next rows while they stay the same.
    weights = np.empty((8, cols), np.float32)
    whole = np.empty(cols, np.int64)
    keep = rows if abs(e - 1.0) * rows <= phase_px else max(1, int(phase_px / abs(e - 1.0)))
    for y in range(rows):
        if y % keep == 0:
            centre = y + 0.5 * (min(keep, rows - y) - 1)
            for x in range(cols):
                v = d * x + e * centre + f - (centre - y)
                step = int(np.floor(v))
                whole[x] = step - y
                n = int((v - step) * fine + 0.5)
                for k in range(8):
                    weights[k, x] = table[n, k]
        x = 0
        while x < cols:
            stop = x + 1
            while stop < cols and whole[stop] == whole[x]:
                stop += 1
            top = whole[x] + y - 3 - v0
            if top >= 0 and top + 8 <= v1 - v0:
                w0, w1, w2, w3 = (
                    weights[0, x:stop],
                    weights[1, x:stop],
                    weights[2, x:stop],
                    weights[3, x:stop],
                )
                w4, w5, w6, w7 = (
                    weights[4, x:stop],
                    weights[5, x:stop],
                    weights[6, x:stop],
                    weights[7, x:stop],
                )
                for c in range(depth):
                    o, t = out[c, y, x:stop], middle[c, top : top + 8, x:stop]
                    t0, t1, t2, t3, t4, t5, t6, t7 = t[0], t[1], t[2], t[3], t[4], t[5], t[6], t[7]
                    for i in range(len(o)):
                        o[i] = (
                            w0[i] * t0[i]
                            + w1[i] * t1[i]
                            + w2[i] * t2[i]
                            + w3[i] * t3[i]
                            + w4[i] * t4[i]
                            + w5[i] * t5[i]
                            + w6[i] * t6[i]
                            + w7[i] * t7[i]
                        )
            x = stop


@numba.njit(cache=True, nogil=True, fastmath={"contract"})
def _direct(src: Any, m: Any, table: Any, out: Any) -> None:
    """The same for any turn and scale, all 64 taps of each pixel."""
    depth, high, wide = src.shape
    _, rows, cols = out.shape
    fine = table.shape[0] - 1
    for y in range(rows):
        for x in range(cols):
            u = m[0, 0] * x + m[0, 1] * y + m[0, 2]
            v = m[1, 0] * x + m[1, 1] * y + m[1, 2]
            i, j = int(np.floor(u)), int(np.floor(v))
            if i < 3 or j < 3 or i + 4 >= wide or j + 4 >= high:
                for c in range(depth):
                    out[c, y, x] = np.nan
                continue
            across = table[int((u - i) * fine + 0.5)]
            down = table[int((v - j) * fine + 0.5)]
            for c in range(depth):
                part = src[c, j - 3 : j + 5, i - 3 : i + 5]
                total = np.float32(0)
                for k in range(8):
                    line = part[k]
                    total += down[k] * (
                        across[0] * line[0]
                        + across[1] * line[1]
                        + across[2] * line[2]
                        + across[3] * line[3]
                        + across[4] * line[4]
                        + across[5] * line[5]
                        + across[6] * line[6]
                        + across[7] * line[7]
                    )
                out[c, y, x] = total


@numba.njit(cache=True, nogil=True, fastmath={"contract"})
def _averaged(src: Any, m: Any, stretch: float, out: Any) -> None:
    """The same onto larger pixels: the kernel is widened by ``stretch``, so all light counts."""
    depth, high, wide = src.shape
    _, rows, cols = out.shape
    half = int(np.ceil(LOBES * stretch))
    across, down = np.empty(2 * half, np.float32), np.empty(2 * half, np.float32)
    for y in range(rows):
        for x in range(cols):
            u = m[0, 0] * x + m[0, 1] * y + m[0, 2]
            v = m[1, 0] * x + m[1, 1] * y + m[1, 2]
            i, j = int(np.floor(u)) - half + 1, int(np.floor(v)) - half + 1
            if i < 0 or j < 0 or i + 2 * half > wide or j + 2 * half > high:
                for c in range(depth):
                    out[c, y, x] = np.nan
                continue
            total_across = total_down = 0.0
            for k in range(2 * half):
                across[k] = _lanczos((u - i - k) / stretch)
                down[k] = _lanczos((v - j - k) / stretch)
                total_across += across[k]
                total_down += down[k]
            share = np.float32(1.0 / (total_across * total_down))
            for c in range(depth):
                total = np.float32(0)
                for k in range(2 * half):
                    line = np.float32(0)
                    row = src[c, j + k, i : i + 2 * half]
                    for n in range(2 * half):
                        line += across[n] * row[n]
                    total += down[k] * line
                out[c, y, x] = total * share


@numba.njit(cache=True, nogil=True)
def _lanczos(t: float) -> float:
    if t == 0.0:
        return 1.0
    if abs(t) >= LOBES:
        return 0.0
    a = np.pi * t
    return LOBES * np.sin(a) * np.sin(a / LOBES) / (a * a)


def widening(matrix: npt.NDArray[np.float64]) -> float:
    """How many source pixels an output pixel is wide, where that is more than one."""
    stretch = abs(float(np.linalg.det(np.asarray(matrix)[:, :2]))) ** 0.5
    return stretch if stretch > LARGER else 1.0


def warp(planes: Planes, matrix: npt.NDArray[np.float64], rows: int, columns: int) -> Planes:
    """``planes`` on a new grid, (channels, rows, columns), NaN where the kernel leaves them.

    ``matrix`` (2, 3) carries the output's (x, y, 1) to the source's (x, y).
    """
    m = np.array(matrix, dtype=np.float64)
    source = np.ascontiguousarray(planes, dtype=np.float32)
    if m[0, 0] < 0 and m[1, 1] < 0:  # half a turn, as after a meridian flip
        source = np.ascontiguousarray(source[:, ::-1, ::-1])
        m = -m
        m[:, 2] += [source.shape[2] - 1, source.shape[1] - 1]
    out = np.empty((len(source), rows, columns), dtype=np.float32)
    gentle = (
        max(abs(m[0, 1]), abs(m[1, 0])) <= TWO_PASS_TURN
        and max(abs(m[0, 0] - 1.0), abs(m[1, 1] - 1.0)) <= TWO_PASS_SCALE
    )
    if gentle:
        _two_pass(source, m, _TABLE, PHASE_PX, out)
        return out
    stretch = widening(m)
    if stretch > 1.0:
        _averaged(source, m, stretch, out)
        return out
    _direct(source, m, _TABLE, out)
    return out


@numba.njit(cache=True, nogil=True)
def cut_rings(planes: Any, noise: float, steep: float) -> None:
    """Raise the dark rings that the kernels draw around steep stars to just under the sky.

    In place. Only what lies 3 σ below the sky within three pixels of something ``steep`` σ high
    is touched; noise alone does that once in 700 pixels, there only. What a ring gains its
    bright neighbours lose in proportion, so that a star keeps its light.
    """
    depth, rows, cols = planes.shape
    low, high, under = np.float32(-3.0 * noise), np.float32(steep * noise), np.float32(-noise)
    size = 64
    for c in range(depth):
        plane = planes[c]
        for y in range(rows):
            for start in range(0, cols, size):
                stop = min(cols, start + size)
                # Most stretches hold no such pixel: told in one sweep.
                part = plane[y, start:stop]
                some = False
                for i in range(len(part)):
                    some |= part[i] < low
                if not some:
                    continue
                for x in range(start, stop):
                    if not plane[y, x] < low:
                        continue
                    beside, bright = False, np.float32(0)
                    for j in range(max(0, y - 3), min(rows, y + 4)):
                        for i in range(max(0, x - 3), min(cols, x + 4)):
                            beside |= plane[j, i] > high
                            if plane[j, i] > 0:
                                bright += plane[j, i]
                    if not beside:
                        continue
                    gained = under - plane[y, x]
                    plane[y, x] = under
                    share = np.float32(1) - gained / bright
                    if share <= 0:
                        continue
                    for j in range(max(0, y - 3), min(rows, y + 4)):
                        for i in range(max(0, x - 3), min(cols, x + 4)):
                            if plane[j, i] > 0:
                                plane[j, i] *= share
