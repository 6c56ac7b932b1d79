"""What stays on its pixels while the sky drifts past: found in the lights, and taken out.

Without darks, warm pixels, column steps and other fixed pattern hide in single frames. Where a
mount drifts slowly one way, registering drags them through the sum as parallel streaks
("walking noise"), which no rejection sees. But stars that move leave no mark in the mean of all
frames at fixed pixels once outliers are clipped; what remains there finer than a few pixels can
only be the sensor's.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import numpy.typing as npt

from slowglass.finish.calibrate import colour_slices
from slowglass.finish.combine import MAD_TO_SIGMA, Rule, combine_values
from slowglass.finish.geometry import Box
from slowglass.frame.image import Bayer
from slowglass.progress import Report

Plane = npt.NDArray[np.float32]
MOST_FRAMES = 24
FEWEST_FRAMES = 8
FAR_WIDTHS = 3.0
"""Star widths that two frames of the series must usually lie apart."""
WORTH = 0.5
"""Least pattern, in units of what noise is left in the mean, for which it is taken out."""
ROWS = 128


def far_enough(shifts_px: npt.NDArray[np.float64], fwhm_px: float) -> bool:
    """Whether the sky moved enough over the frames for stars not to pass for pattern."""
    if len(shifts_px) < FEWEST_FRAMES or not np.isfinite(fwhm_px):
        return False
    apart = np.hypot(*(shifts_px[:, None] - shifts_px[None]).transpose(2, 0, 1))
    others = apart[~np.eye(len(shifts_px), dtype=bool)]
    return float(np.quantile(others, 0.35)) >= FAR_WIDTHS * fwhm_px


def spread_out(shifts_px: npt.NDArray[np.float64]) -> npt.NDArray[np.intp]:
    """Indices of at most ``MOST_FRAMES`` frames, even over the series."""
    count = min(len(shifts_px), MOST_FRAMES)
    return np.unique(np.linspace(0, len(shifts_px) - 1, count).round().astype(np.intp))


def _fine(mean: Plane, bayer: Bayer | None) -> Plane:
    """What differs from the median of 5 × 5 pixels of the same colour: no object does."""
    import cv2

    out = np.empty_like(mean)
    for rows, cols in colour_slices(bayer):
        plane = np.ascontiguousarray(mean[rows, cols])
        out[rows, cols] = plane - np.asarray(cv2.medianBlur(plane, 5))
    return out


def _strip(
    readers: Sequence[Callable[[Box], Plane]], box: Box, noise_adu: float, bayer: Bayer | None
) -> Plane:
    stack = np.stack([read(box) for read in readers])
    return _fine(combine_values(stack, Rule(noise_adu=noise_adu)).mean, bayer)


def fixed_pattern(
    readers: Sequence[Callable[[Box], Plane]],
    *,
    width_px: int,
    height_px: int,
    bayer: Bayer | None,
    noise_adu: float,
    report: Report,
) -> tuple[Plane | None, float]:
    """The pattern of sky-free frames at fixed pixels, ADU, and its scatter; None if too little.

    ``readers`` give boxes of frames whose sky is taken off. A strip in mid-frame decides; the
    pattern is then weighed by how far it stands out of the noise of the mean (Wiener), so that
    taking it out adds next to none.
    """
    rows = min(ROWS, height_px // 2 * 2)
    top = (height_px - rows) // 4 * 2
    left = noise_adu / len(readers) ** 0.5
    # The median of 25 values leaves the difference 1.03 times as noisy as the mean.
    left *= (1 + np.pi / 2 / 25) ** 0.5
    trial = _strip(readers, Box(0, top, width_px, top + rows), noise_adu, bayer)
    seen = MAD_TO_SIGMA * float(np.median(np.abs(trial)))
    pattern = max(seen**2 - left**2, 0.0) ** 0.5
    if pattern < WORTH * left:
        return None, pattern
    out = np.empty((height_px, width_px), dtype=np.float32)
    margin = 8
    tops = range(0, height_px, rows)
    for number, y in enumerate(tops):
        report("looking for fixed pattern", number, len(tops))
        y0, y1 = max(0, y - margin), min(height_px, y + rows + margin)
        found = _strip(readers, Box(0, y0, width_px, y1), noise_adu, bayer)
        out[y : y + rows] = found[y - y0 : y - y0 + rows]
    out *= np.float32(pattern**2 / (pattern**2 + left**2))
    return out, pattern
