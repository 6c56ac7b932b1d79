"""The sky under the stars: its level and its noise, as smooth maps (sep)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Image = npt.NDArray[np.float32]


@dataclass(frozen=True)
class Background:
    """A picture's sky level and pixel noise, in the picture's own unit."""

    level: Image
    rms: Image
    level_median: float
    rms_median: float


def measure_background(
    image: Image,
    *,
    mask: npt.NDArray[np.bool_] | None = None,
    mesh_px: int = 64,
    take_off: bool = False,
) -> Background:
    """Sky level and noise of a (rows, columns) float32 picture, ignoring masked pixels.

    ``take_off`` subtracts the level from ``image`` itself, which spares a copy.

    Clipped mode in cells of ``mesh_px`` (Bertin & Arnouts 1996, A&AS 117, 393), smoothed by a
    median of 3 × 3 cells and a spline. The noise is never below a twentieth of its median nor
    below float32's own step at the brightest pixel, so a flat picture divides safely.
    """
    import sep

    data = np.ascontiguousarray(image, dtype=np.float32)
    height, width = data.shape
    cell = max(8, min(mesh_px, height, width))
    found = sep.Background(data, mask=mask, bw=cell, bh=cell, fw=3, fh=3)
    level = found.back(dtype=np.float32)
    steep = _slope_over_cells(level, cell) > 0.5 * float(found.globalrms)
    if take_off:
        image -= level
    if steep:
        # a steep sky passes for noise inside a cell: judge the noise with the slope taken off
        flat = np.ascontiguousarray(image, dtype=np.float32) if take_off else data - level
        found = sep.Background(flat, mask=mask, bw=cell, bh=cell)
    rms = found.rms(dtype=np.float32)
    step = max(1, min(height, width) // 256)
    sample = np.s_[::step, ::step]
    good = np.ones_like(level[sample], dtype=bool) if mask is None else ~mask[sample]
    if not good.any():
        good[:] = True
    level_median = float(np.median(level[sample][good]))
    rms_median = float(np.median(rms[sample][good]))
    brightest = float(np.abs(data).max(initial=0.0))
    floor = max(rms_median * 0.05, float(np.finfo(np.float32).eps) * (brightest + 1e-30))
    np.maximum(rms, np.float32(floor), out=rms)
    return Background(level, rms, level_median, max(rms_median, floor))


def _slope_over_cells(level: Image, cell: int) -> float:
    """Median change of the sky from one cell to the next."""
    coarse = level[cell // 2 :: cell, cell // 2 :: cell]
    changes = [np.abs(np.diff(coarse, axis=a)).ravel() for a in (0, 1)]
    every = np.concatenate(changes)
    return float(np.median(every)) if every.size else 0.0
