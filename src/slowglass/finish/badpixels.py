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
from slowglass.finish.skyflat import Surface
from slowglass.frame.image import Bayer

Index = npt.NDArray[np.int64]
NEIGHBOURS = [(j, i) for j in (-1, 0, 1) for i in (-1, 0, 1) if (j, i) != (0, 0)]


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


def lone_pixels(
    pixels: Plane, bayer: Bayer | None, *, sigmas: float = 6.0, sharpness: float = 3.0
) -> Index:
    """Flat indices of pixels too lonely to be a star.

    Such a pixel rises ``sigmas`` above its own colour's neighbourhood and more than
    ``sharpness`` times as far as the highest of the eight pixels that touch it: a Gaussian
    star of FWHM 1.6 px or more never does (4 ln 2 / 1.6² = 1.08 → ratio 2.96 at one pixel).
    Isolated dead pixels, as far below, count as well.
    """
    excess = np.empty_like(pixels)
    for rows, cols in colour_slices(bayer):
        plane = np.ascontiguousarray(pixels[rows, cols])
        excess[rows, cols] = plane - _local_median(plane)
    step = 1 if bayer is None else 2
    sigma = _spread(pixels[:, step:] - pixels[:, :-step]) / 2**0.5
    if not sigma > 0:
        return np.empty(0, dtype=np.int64)
    high, wide = pixels.shape
    jj, ii = np.nonzero(np.abs(excess) > sigmas * sigma)
    value = excess[jj, ii]
    sign = np.sign(value)
    highest = np.zeros(len(jj), dtype=np.float32)
    for dj, di in NEIGHBOURS:
        j, i = np.clip(jj + dj, 0, high - 1), np.clip(ii + di, 0, wide - 1)
        same = (j == jj) & (i == ii)
        highest = np.maximum(highest, np.where(same, 0.0, sign * excess[j, i]))
    lonely = np.abs(value) - 2 * sigma > sharpness * highest
    return np.asarray(jj[lonely] * wide + ii[lonely], dtype=np.int64)


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
    high, wide = pixels.shape
    step = 1 if bayer is None else 2
    mask = ~np.isfinite(pixels)
    mask.ravel()[bad] = True
    jj, ii = np.nonzero(mask)
    if len(jj) == 0:
        return pixels
    around = []
    for reach in (1, 2):
        for dj, di in NEIGHBOURS:
            j, i = jj + dj * step * reach, ii + di * step * reach
            inside = (j >= 0) & (j < high) & (i >= 0) & (i < wide)
            j, i = np.where(inside, j, 0), np.where(inside, i, 0)
            around.append(np.where(inside & ~mask[j, i], pixels[j, i], np.nan))
    ring = np.stack(around)
    near, far = ring[:8], ring
    empty = np.isnan(near).all(axis=0)
    value = np.empty(len(jj), dtype=np.float32)
    if (~empty).any():
        value[~empty] = np.nanmedian(near[:, ~empty], axis=0)
    lost = empty & np.isnan(far).all(axis=0)
    rest = empty & ~lost
    if rest.any():
        value[rest] = np.nanmedian(far[:, rest], axis=0)
    if lost.any():
        good = pixels[~mask]
        value[lost] = np.median(good) if good.size else 0.0
    pixels[jj, ii] = value
    return pixels
