"""Lopsidedness of star images: coma shows in it, trails and astigmatism do not."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from slowglass.frame.profile import stamps
from slowglass.frame.stars import StarList
from slowglass.judge.shape import usable_shapes
from slowglass.kit.optics import FWHM_PER_SIGMA

Floats = npt.NDArray[np.float64]

SKEW_SNR = 40.0
"""Third moments of fainter stars are noise."""
SKEW_STARS = 80
WINDOW = 1.4
"""Width of the Gaussian window over the star's own: wide enough for a tail, blind to the sky."""


def star_skews(
    plane: npt.NDArray[np.float32], stars: StarList, *, bin_factor: int, fwhm_px: float
) -> Floats:
    """Third moments (n, 2) along x and y, over the window's σ³; NaN where unmeasured.

    ``plane`` is a brightness picture binned ``bin_factor``. 0 for any image that looks the same
    upside down; a comet with its tail toward +x has a positive first number.
    """
    out = np.full((len(stars), 2), np.nan)
    if not np.isfinite(fwhm_px):
        return out
    chosen = np.nonzero(usable_shapes(stars) & (stars.snr >= SKEW_SNR))[0][:SKEW_STARS]
    width = fwhm_px / bin_factor
    half = int(np.ceil(2.0 * width)) + 2
    x = (stars.x_px[chosen] - (bin_factor - 1) / 2.0) / bin_factor
    y = (stars.y_px[chosen] - (bin_factor - 1) / 2.0) / bin_factor
    rows, columns = plane.shape
    room = (x > half + 1) & (x < columns - half - 2) & (y > half + 1) & (y < rows - half - 2)
    chosen, x, y = chosen[room], x[room], y[room]
    if chosen.size == 0:
        return out
    values, dx, dy, _ = stamps(plane, x, y, half)
    far = np.hypot(dx, dy) > half - 1.5
    values = values - np.nanmedian(np.where(far, values, np.nan), axis=1, keepdims=True)
    sigma = WINDOW * max(width, 1.5) / FWHM_PER_SIGMA
    cx, cy = np.zeros((len(x), 1)), np.zeros((len(x), 1))
    for _ in range(12):
        # The centroid under the window that sits on it (the factor 2 speeds convergence).
        weight = np.exp(-0.5 * ((dx - cx) ** 2 + (dy - cy) ** 2) / sigma**2) * values
        total = weight.sum(axis=1, keepdims=True)
        cx = cx + 1.5 * (weight * (dx - cx)).sum(axis=1, keepdims=True) / total
        cy = cy + 1.5 * (weight * (dy - cy)).sum(axis=1, keepdims=True) / total
    ex, ey = (dx - cx) / sigma, (dy - cy) / sigma
    weight = np.exp(-0.5 * (ex**2 + ey**2)) * values
    radius2 = ex**2 + ey**2
    total = weight.sum(axis=1)
    steady = (total > 0) & (np.hypot(cx, cy)[:, 0] < width)
    with np.errstate(divide="ignore", invalid="ignore"):
        skew = (
            np.stack(
                [(weight * radius2 * ex).sum(axis=1), (weight * radius2 * ey).sum(axis=1)], axis=1
            )
            / total[:, None]
        )
    out[chosen[steady]] = skew[steady]
    return out
