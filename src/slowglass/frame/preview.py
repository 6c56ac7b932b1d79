"""Small 8-bit pictures of linear frames, for the eye only: shrink, then stretch.

Pure functions on float arrays, (rows, columns) or (rows, columns, 3). The stretch is the inverse
hyperbolic sine (Lupton et al. 2004, PASP 116, 133): linear near the sky, logarithmic above, with
one curve for all colours.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float32]

SKY_GREY = 0.11
"""Where the sky's median lies between black and white: dark, yet clearly not black."""


@dataclass(frozen=True)
class Stretch:
    """Levels that make a picture of a linear plane: black point, softening and white point.

    ``black`` may hold one value a colour.
    """

    black: tuple[float, ...]
    soft: float
    white: float


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


def measure_stretch(
    pixels: Floats, *, white_share: float = 0.9995, soft_sigmas: float = 3.0
) -> Stretch:
    """A stretch fitted to a picture's sky: median and spread, and its bright end.

    The sky's spread comes from the pixels below the median, which no star disturbs.
    """
    planes = pixels.reshape(-1, pixels.shape[2] if pixels.ndim == 3 else 1)
    medians = np.nanmedian(planes, axis=0)
    above = planes - medians
    low = above[above < 0]
    sigma = float(np.sqrt(np.mean(np.square(low)))) if low.size else 1.0
    sigma = sigma or 1.0
    white = max(float(np.nanquantile(above, white_share)), 20.0 * sigma)
    soft = soft_sigmas * sigma
    # The black point that puts the sky at SKY_GREY: asinh(b) / asinh(b + w) = grey.
    low_end, high_end = 0.0, white
    for _ in range(60):
        offset = 0.5 * (low_end + high_end)
        if np.arcsinh(offset / soft) < SKY_GREY * np.arcsinh((offset + white) / soft):
            low_end = offset
        else:
            high_end = offset
    return Stretch(tuple(float(m) - offset for m in medians), soft, white + offset)


def to_8bit(pixels: Floats, stretch: Stretch) -> npt.NDArray[np.uint8]:
    """The picture as uint8, shape kept; NaN becomes black."""
    light = np.nan_to_num(pixels - np.asarray(stretch.black, dtype=np.float32).squeeze())
    light = np.maximum(light, 0.0)
    mean = light.mean(axis=2, keepdims=True) if light.ndim == 3 else light
    scaled = np.arcsinh(mean / stretch.soft) / np.arcsinh(stretch.white / stretch.soft)
    if light.ndim == 3:
        # All colours share the mean's curve, so hue is kept.
        scaled = light * (scaled / np.maximum(mean, 1e-6))
        peak = scaled.max(axis=2, keepdims=True)
        scaled = scaled / np.maximum(peak, 1.0)
    return np.asarray(np.rint(np.clip(scaled, 0.0, 1.0) * 255.0), dtype=np.uint8)
