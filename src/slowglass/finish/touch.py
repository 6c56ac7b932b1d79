"""Last touches on the picture for the eye: smaller stars, and contrast in the object."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from slowglass.frame.stars import StarList

Picture = npt.NDArray[np.float32]


def smaller_stars(picture: Picture, stars: StarList, fwhm_px: float, *, strength: float) -> Picture:
    """The picture with its stars shrunk; ``strength`` 0 leaves them, 1 nearly takes them away.

    Each detected star gives way, softly masked, to the lower envelope of its surroundings.
    The light around it is untouched, so faint nebulae stay; nothing becomes darker than its
    surroundings already are.
    """
    if strength <= 0 or len(stars) == 0 or not np.isfinite(fwhm_px):
        return picture
    import cv2

    height, width = picture.shape[:2]
    mask = np.zeros((height, width), dtype=np.float32)
    brightest = float(np.max(stars.flux_adu)) or 1.0
    for x, y, flux in zip(stars.x_px, stars.y_px, stars.flux_adu, strict=True):
        # ten times brighter shows about half a width more of the same profile
        grown = 1.0 + 0.5 * np.log10(1.0 + 1e3 * max(float(flux), 0.0) / brightest)
        cv2.circle(mask, (round(float(x)), round(float(y))), int(fwhm_px * grown) + 1, 1.0, -1)
    soft = np.asarray(cv2.GaussianBlur(mask, (0, 0), 0.5 * fwhm_px))[..., None]
    reach = 2 * max(1, round(0.5 * fwhm_px)) + 1
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (reach, reach))
    lower = cv2.GaussianBlur(cv2.erode(picture, disc), (0, 0), 0.25 * reach)
    lower = np.minimum(lower.reshape(height, width, -1), picture.reshape(height, width, -1))
    out = picture.reshape(height, width, -1) + np.float32(strength) * soft * (
        lower - picture.reshape(height, width, -1)
    )
    return np.asarray(out.reshape(picture.shape), dtype=np.float32)


def local_contrast(screen: Picture, *, strength: float, sky_shade: float) -> Picture:
    """The screen picture (0–1) with structure in the object raised; ``strength`` is 0 to 1.

    The surroundings against which a place is judged are a median of a fortieth of the picture,
    which stars do not move: so no dark halos form around them. Sky is left alone.
    """
    if strength <= 0:
        return screen
    import cv2

    gain = contrast_gain(screen, strength=strength, sky_shade=sky_shade)
    height, width = screen.shape[:2]
    gain = np.asarray(cv2.resize(gain, (width, height), interpolation=cv2.INTER_LINEAR), np.float32)
    return raised(screen, gain)


def contrast_gain(screen: Picture, *, strength: float, sky_shade: float) -> Picture:
    """By how much local contrast raises each place, on a copy of at most 600 pixels."""
    import cv2

    level = screen if screen.ndim == 2 else screen.mean(axis=2)
    height, width = level.shape
    # a small copy is enough for so wide a surrounding
    share = min(1.0, 600.0 / max(height, width))
    small_size = (max(1, round(width * share)), max(1, round(height * share)))
    small = cv2.resize(level, small_size, interpolation=cv2.INTER_AREA)
    reach = 2 * max(1, round(max(small_size) / 80)) + 1
    eight = np.rint(np.clip(small, 0.0, 1.0) * 255.0).astype(np.uint8)
    around = cv2.medianBlur(eight, reach).astype(np.float32) / np.float32(255.0)
    around = cv2.GaussianBlur(around, (0, 0), 0.5 * reach)
    fine = cv2.GaussianBlur(cv2.medianBlur(eight, 3).astype(np.float32) / 255.0, (0, 0), 1.0)
    change = fine - around
    inside = np.clip((around - sky_shade - 0.03) / 0.12, 0.0, 1.0)
    # as much room as there is to white and to black
    gain = 1.0 + np.float32(strength) * inside * change / np.maximum(fine, 0.05)
    return np.asarray(np.clip(gain, 0.7, 1.4), dtype=np.float32)


def raised(screen: Picture, gain: Picture) -> Picture:
    """The screen picture times a gain for each place, within 0–1."""
    out = screen * (gain if screen.ndim == 2 else gain[..., None])
    return np.asarray(_within(out), dtype=np.float32)


def _within(screen: Picture) -> Picture:
    """Values that left 0–1 brought back, all channels by one factor."""
    if screen.ndim == 2:
        return np.clip(screen, 0.0, 1.0)
    peak = np.maximum(screen.max(axis=2, keepdims=True), 1.0)
    return np.asarray(np.maximum(screen / peak, 0.0), dtype=np.float32)
