"""What passes through one frame only: trails whose faint flanks no single pixel gives away.

Pixel by pixel, the flanks of a satellite's trail lie within the noise and survive clipping.
Averaged over a star's width they do not: each frame's difference from the median of all is
smoothed, and what still stands out is taken from that frame alone.
"""

from __future__ import annotations

from typing import Any

import numba
import numpy as np
import numpy.typing as npt

from slowglass.finish.combine import MAD_TO_SIGMA, median_of_sorted, sort_first

Stack = npt.NDArray[np.float32]
WIDTH_PX = 7
STAND_OUT = 5.0
"""Smoothed noise units from which a difference is real: Gaussian noise of 72 million values,
smoothed over 49, reaches 5."""


@numba.njit(cache=True, parallel=True, nogil=True)
def _medians(stack: Any, out: Any) -> None:
    n, pixels = stack.shape
    for chunk in numba.prange((pixels + 2047) // 2048):
        values = np.empty(n, dtype=np.float64)
        for p in range(chunk * 2048, min(pixels, (chunk + 1) * 2048)):
            m = 0
            for k in range(n):
                if np.isfinite(stack[k, p]):
                    values[m] = stack[k, p]
                    m += 1
            if m == 0:
                out[p] = np.nan
            else:
                sort_first(values, m)
                out[p] = median_of_sorted(values, m)


def stack_median(stack: Stack) -> npt.NDArray[np.float32]:
    """Median along the first axis, NaN counting as absent."""
    flat = np.ascontiguousarray(stack).reshape(stack.shape[0], -1)
    out = np.empty(flat.shape[1], dtype=np.float32)
    _medians(flat, out)
    return out.reshape(stack.shape[1:])


def drop_trails(stack: Stack, *, shape_tolerance: float = 0.0) -> int:
    """Turn what only one frame shows into NaN, in ``stack`` (n, rows, columns, channels) itself.

    Needs three frames. A difference counts from five times the smoothed noise and
    ``shape_tolerance`` of the light there combined, as stars breathe with the seeing. A place
    that half of the frames would lose is left alone. Returns how many pixels of all frames went.
    """
    import cv2

    n = stack.shape[0]
    if n < 3 or min(stack.shape[1:3]) < 2 * WIDTH_PX:
        return 0
    middle = stack_median(stack)
    level = np.nan_to_num(middle.mean(axis=2))
    box, kernel = (WIDTH_PX, WIDTH_PX), np.ones((WIDTH_PX, WIDTH_PX), np.uint8)
    breathing = shape_tolerance * cv2.dilate(cv2.blur(np.maximum(level, 0), box), kernel)
    flags = np.zeros(stack.shape[:3], dtype=bool)
    for k in range(n):
        smooth = cv2.blur(np.nan_to_num((stack[k] - middle).mean(axis=2)), box)
        centre = float(np.median(smooth))
        sigma = MAD_TO_SIGMA * float(np.median(np.abs(smooth - centre)))
        if sigma > 0:
            flags[k] = smooth - centre > STAND_OUT * np.hypot(sigma, breathing)
    flags &= flags.sum(axis=0) < n / 2
    stack[flags] = np.nan
    return int(flags.sum())
