"""Pixels that do not measure light: finding them and filling them in.

A hot pixel stands alone; a star, however sharp, also lights its neighbours. All comparisons
are within one colour of the mosaic, plus one with the touching pixels of any colour, which a
star brightens and a hot pixel does not.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from slowglass.finish.calibrate import Plane, colour_slices
from slowglass.finish.combine import MAD_TO_SIGMA
from slowglass.finish.pixels import alone, mend_at
from slowglass.finish.skyflat import Surface
from slowglass.frame.image import Bayer

Index = npt.NDArray[np.int64]


def _local_median(plane: Plane) -> Plane:
    """Median of the 3 × 3 neighbourhood, in the same colour."""
    import cv2

    return np.asarray(cv2.medianBlur(np.ascontiguousarray(plane), 3), dtype=np.float32)


def _spread(values: Plane) -> float:
    sample = values[:: max(1, values.shape[0] // 700), :: max(1, values.shape[1] // 700)]
    return MAD_TO_SIGMA * float(np.nanmedian(np.abs(sample - np.nanmedian(sample))))


def odd_in_dark(dark: Plane, bayer: Bayer | None, *, sigmas: float = 8.0) -> Index:
    """Flat indices of pixels that differ from their neighbours in a master dark."""
    found = np.zeros(dark.shape, dtype=bool)
    for rows, cols in colour_slices(bayer):
        plane = np.ascontiguousarray(dark[rows, cols])
        excess = plane - _local_median(plane)
        found[rows, cols] = np.abs(excess) > sigmas * max(_spread(excess), 0.5)
    return np.flatnonzero(found)


def odd_in_flat(flat: Plane, bayer: Bayer | None, *, share: float = 0.25) -> Index:
    """Flat indices of pixels whose response differs by ``share`` from their neighbours', or
    that gave no light at all.

    Dust covers many pixels and only halves their light at worst, which the flat takes out.
    """
    found = ~np.isfinite(flat)
    for rows, cols in colour_slices(bayer):
        plane = np.ascontiguousarray(np.nan_to_num(flat[rows, cols]))
        found[rows, cols] |= np.abs(plane - _local_median(plane)) > share
    return np.flatnonzero(found)


def unstable_pixels(stack: Plane, mean: Plane, noise_adu: float, *, sigmas: float = 6.0) -> Index:
    """Flat indices of pixels that scatter over the darks (n, rows, columns) far beyond noise.

    The sample variance of n values of noise σ about their mean has a relative error of
    √(2/(n−1)); ``sigmas`` of these above 1, and more light in the mean allowed its own noise.
    """
    n = stack.shape[0]
    variance = np.square(stack - mean).sum(axis=0) / (n - 1)
    # Hot pixels carry the shot noise of their dark current; the gain is not known here, so one
    # electron an ADU stands for it: generous for usual cameras.
    normal = noise_adu**2 + np.maximum(mean - np.median(mean), 0.0)
    limit = normal * (1.0 + sigmas * np.sqrt(2.0 / (n - 1)))
    return np.flatnonzero(variance > limit)


def lone_pixels(
    pixels: Plane, bayer: Bayer | None, *, sigmas: float = 6.0, sharpness: float = 3.0
) -> Index:
    """Flat indices of pixels too lonely to be a star.

    Such a pixel rises ``sigmas`` above its own colour's neighbourhood and more than
    ``sharpness`` times as far as the highest of the eight pixels that touch it: a Gaussian
    star of FWHM 1.6 px or more never does (4 ln 2 / 1.6² = 1.08 → ratio 2.96 at one pixel).
    Isolated dead pixels, as far below, count as well.
    """
    step = 1 if bayer is None else 2
    rows = np.ascontiguousarray(pixels[:: max(1, pixels.shape[0] // 700)])
    sigma = _spread(rows[:, step:] - rows[:, :-step]) / 2**0.5
    if not sigma > 0:
        return np.empty(0, dtype=np.int64)
    out = np.empty(max(1000, pixels.size // 50), dtype=np.int64)
    found = alone(pixels, step, sigmas * sigma, sigma, sharpness, out)
    return out[:found].copy()


def drop_below_sky(pixels: Plane, skies: Sequence[Surface], noise_adu: float) -> int:
    """Turn pixels far below the sky into NaN, in place; how many there were.

    Light only adds: what lies 10 σ below the sky is an amplifier's undershoot beside a clipped
    star, or dead. ``skies`` are as many as the pixels have interleaved colours (or channels).
    """
    floor = (
        min(
            float(min(s.at(x, y) for x in (0, s.width_px) for y in (0, s.height_px))) for s in skies
        )
        - 10.0 * noise_adu
    )
    low = pixels < floor
    pixels[low] = np.nan
    return int(low.sum())


def recurring(candidates: list[Index], *, share: float = 0.5) -> Index:
    """Candidates seen in at least ``share`` of the frames (and in two where there are two)."""
    if not candidates:
        return np.empty(0, dtype=np.int64)
    every, count = np.unique(np.concatenate(candidates), return_counts=True)
    need = max(min(2, len(candidates)), int(np.ceil(share * len(candidates))))
    return every[count >= need]


def repair(pixels: Plane, bad: Index, bayer: Bayer | None) -> Plane:
    """``pixels`` with bad ones and NaNs replaced by the median of good same-colour neighbours.

    ``bad`` holds flat indices into ``pixels``. Works in place and returns the array. A pixel
    with no good neighbour within two steps becomes the frame's median.
    """
    lost = mend_at(pixels, bad, 1 if bayer is None else 2)
    if lost:
        gaps = ~np.isfinite(pixels)
        pixels[gaps] = 0.0 if gaps.all() else np.median(pixels[~gaps])
    return pixels
