"""Pixels that hold no number (NaN, infinity), filled so that later steps need not care."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

_REACH_PX = 3


def fill_gaps(pixels: npt.NDArray[np.float32]) -> tuple[npt.NDArray[np.float32], int]:
    """Pixels with every non-finite value replaced by a local median, and how many there were.

    The median is of the finite values within 3 px in the same plane; where there are none (a
    large blank area) that of the whole plane, or 0 for a plane without a single number. An
    array without gaps is returned as it is.
    """
    bad = ~np.isfinite(pixels)
    count = int(bad.sum())
    if count == 0:
        return pixels, 0
    filled = pixels.copy()
    planes = [filled] if filled.ndim == 2 else [filled[..., i] for i in range(filled.shape[2])]
    gaps = [bad] if bad.ndim == 2 else [bad[..., i] for i in range(bad.shape[2])]
    for plane, gap in zip(planes, gaps, strict=True):
        _fill_plane(plane, gap)
    return filled, count


def _fill_plane(plane: npt.NDArray[np.float32], gap: npt.NDArray[np.bool_]) -> None:
    good = plane[~gap]
    plane[gap] = np.median(good[:: max(1, good.size // 1_000_000)]) if good.size else 0.0
    rows, columns = np.nonzero(gap)
    if not 0 < rows.size <= 200_000 or not good.size:
        return
    height, width = plane.shape
    steps = np.arange(-_REACH_PX, _REACH_PX + 1)
    dy, dx = (a.ravel() for a in np.meshgrid(steps, steps, indexing="ij"))
    for start in range(0, rows.size, 20_000):  # 49 neighbours × 20 000 float32 = 4 MB
        y = rows[start : start + 20_000, None] + dy
        x = columns[start : start + 20_000, None] + dx
        inside = (y >= 0) & (y < height) & (x >= 0) & (x < width)
        y, x = y.clip(0, height - 1), x.clip(0, width - 1)
        values = np.where(inside & ~gap[y, x], plane[y, x], np.nan)
        some = np.isfinite(values).any(axis=1)
        local = np.nanmedian(values[some], axis=1)
        plane[rows[start : start + 20_000][some], columns[start : start + 20_000][some]] = local
