"""What passes through one frame only: trails whose faint flanks no single pixel gives away.

Pixel by pixel, the flanks of a satellite's trail lie within the noise and survive clipping.
Averaged over a star's width they do not: each frame's difference from the combined picture is
smoothed, and what still stands out is taken from that frame alone.
"""

from __future__ import annotations

from typing import Any

import numba
import numpy as np
import numpy.typing as npt

from slowglass.finish.combine import MAD_TO_SIGMA, Sum

Stack = npt.NDArray[np.float32]
BIN_PX = 2
WINDOW = 3
"""Binned pixels averaged: six picture pixels, a star's width."""
STAND_OUT = 5.0
"""Smoothed noise units from which a difference is real: Gaussian noise of 72 million values,
smoothed over 36, reaches 5."""
FLANK = 1.5
"""Smoothed noise units down to which the surroundings of a real difference belong to it."""


@numba.njit(cache=True, nogil=True)
def _difference(frame: Any, mean: Any, out: Any) -> None:
    """Frame less mean, averaged over channels and 2 × 2 pixels; absent values count as none."""
    depth = frame.shape[0]
    rows, cols = out.shape
    share = np.float32(1.0 / (depth * 4))
    for y in range(rows):
        line = out[y]
        line[:] = np.float32(0)
        for c in range(depth):
            for j in range(2):
                own, all_ = frame[c, 2 * y + j], mean[c, 2 * y + j]
                for x in range(cols):
                    first = own[2 * x] - all_[2 * x]
                    second = own[2 * x + 1] - all_[2 * x + 1]
                    line[x] += first if first == first else np.float32(0)
                    line[x] += second if second == second else np.float32(0)
        for x in range(cols):
            line[x] *= share


def drop_trails(
    stack: Stack, sums: Sum, *, shape_tolerance: float = 0.0
) -> npt.NDArray[np.bool_] | None:
    """Turn what only one frame shows into NaN, in ``stack`` (n, channels, rows, columns) itself.

    Needs three frames. A difference counts from five times the smoothed noise and
    ``shape_tolerance`` of the light there combined, as stars breathe with the seeing. A place
    that half of the frames would lose is left alone. Returns the pixels (channels, rows,
    columns) to be combined again, or None where nothing went.
    """
    import cv2

    n, _, rows, cols = stack.shape
    small = (rows // BIN_PX, cols // BIN_PX)
    if n < 3 or min(small) < 2 * WINDOW:
        return None
    window, around = (WINDOW, WINDOW), np.ones((WINDOW, WINDOW), np.uint8)
    beside = np.ones((9, 9), np.uint8)
    level = np.empty(small, dtype=np.float32)
    _difference(sums.mean, np.zeros_like(sums.mean), level)
    breathing = shape_tolerance * cv2.dilate(cv2.blur(np.maximum(level, 0), window), around)
    breathing = np.asarray(cv2.dilate(breathing, around))
    apart = np.empty(small, dtype=np.float32)
    flags: dict[int, npt.NDArray[np.bool_]] = {}
    for k in range(n):
        _difference(stack[k], sums.mean, apart)
        smooth = np.asarray(cv2.blur(apart, window))
        sample = smooth[::3, ::3]
        centre = float(np.median(sample))
        sigma = MAD_TO_SIGMA * float(np.median(np.abs(sample - centre)))
        if not sigma > 0 or float(smooth.max()) - centre <= STAND_OUT * sigma:
            continue
        unit = np.hypot(sigma, breathing)
        smooth = smooth - np.float32(centre)
        core = smooth > STAND_OUT * unit
        if core.any():
            near = cv2.dilate(core.astype(np.uint8), beside) > 0
            flags[k] = near & (smooth > FLANK * unit)
    if not flags:
        return None
    count = np.sum(list(flags.values()), axis=0)
    shared = count >= n / 2
    changed = np.zeros((rows, cols), dtype=np.bool_)
    whole = (small[0] * BIN_PX, small[1] * BIN_PX)
    for k, flag in flags.items():
        full = np.repeat(np.repeat(flag & ~shared, BIN_PX, axis=0), BIN_PX, axis=1)
        stack[k][:, : whole[0], : whole[1]][:, full] = np.nan
        changed[: whole[0], : whole[1]] |= full
    return np.broadcast_to(changed, stack.shape[1:]) if changed.any() else None
