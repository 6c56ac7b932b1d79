"""Smaller pictures and squares cut from them, (rows, columns) or (rows, columns, 3)."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float32]


def shrink(pixels: npt.NDArray[np.generic], longest_px: int) -> Floats:
    """The picture with its longer side at most ``longest_px``, by averaging; never enlarged."""
    import cv2

    rows, columns = pixels.shape[:2]
    share = longest_px / max(rows, columns)
    data = np.ascontiguousarray(pixels, dtype=np.float32)
    if share >= 1.0:
        return data
    size = (max(1, round(columns * share)), max(1, round(rows * share)))
    return np.asarray(cv2.resize(data, size, interpolation=cv2.INTER_AREA), dtype=np.float32)


def crop_square(
    pixels: npt.NDArray[np.generic], x_px: float, y_px: float, side_px: int
) -> npt.NDArray[np.generic]:
    """A square around (x, y), moved inward where it would cross the edge; a view."""
    rows, columns = pixels.shape[:2]
    side = min(side_px, rows, columns)
    left = int(np.clip(round(x_px - side / 2), 0, columns - side))
    top = int(np.clip(round(y_px - side / 2), 0, rows - side))
    return pixels[top : top + side, left : left + side]
