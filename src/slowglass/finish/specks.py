"""Hot pixels of a single picture that no dark and no other frame can tell."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Picture = npt.NDArray[np.float32]

NARROWEST_FWHM_PX = 3.5
"""Narrower stars rise above the median of their 5 × 5 pixels as steeply as a speck does."""
STEEPNESS = 3.5
SIGMAS = 8.0


def remove_specks(picture: Picture, fwhm_px: float, sky_adu: tuple[float, ...]) -> int:
    """Replace specks far narrower than a star by their surroundings' median, in place; how many.

    ``picture`` has its sky at zero; ``sky_adu`` is the noise of each channel. A speck stands
    8 σ and 3.5 times as high as the median of its 5 × 5 pixels, which a star of ``fwhm_px``
    does not. Works channel by channel, as specks are single colours. Nothing is done where
    stars are too narrow to tell.
    """
    import cv2

    if not fwhm_px >= NARROWEST_FWHM_PX:
        return 0
    removed = 0
    for c, sigma in enumerate(sky_adu):
        plane = picture if picture.ndim == 2 else np.ascontiguousarray(picture[..., c])
        if not sigma > 0:
            continue
        around = np.asarray(cv2.medianBlur(plane, 5), dtype=np.float32)
        speck = plane - around > np.maximum(SIGMAS * sigma, (STEEPNESS - 1.0) * around)
        if not speck.any():
            continue
        # what a speck's neighbours took of it when colours were interpolated goes as well
        beside = cv2.dilate(speck.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
        beside &= plane - around > 2.5 * sigma
        removed += int(speck.sum())
        plane = np.where(speck | beside, around, plane)
        if picture.ndim == 2:
            picture[:] = plane
        else:
            picture[..., c] = plane
    return removed
