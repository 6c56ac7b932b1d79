"""Sharper stars and structure: the measured blur taken back where the signal carries it.

Richardson–Lucy (Richardson 1972, JOSA 62, 55; Lucy 1974, AJ 79, 745) with the stars' own
profile, a few steps only. Ringing is held down three ways: the result is used only where the
light stands well above the noise, never near clipped stars, and it may not fall below the
lowest light of its surroundings, so that no dark ring can form.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from slowglass.finish.quiet import layers_of
from slowglass.frame.stars import StarFlag, StarList

Plane = npt.NDArray[np.float32]
Picture = npt.NDArray[np.float32]

STRIP_ROWS, HALO_WIDTHS = 1024, 12
"""Made in strips with so many star widths beside them: what lies further off changes nothing."""
STEPS = 10
SNR_FROM, SNR_FULL = 6.0, 20.0
SHARPEST_FWHM_PX = 2.2
"""Narrower stars are sampled too thinly for their profile to be taken back."""
ROUNDEST = 1.35
"""Longer stars than this are trails; a round profile would draw rings along them."""
FEWEST_STARS = 6
BETA = 3.5
"""Moffat exponent of stars through air and small optics (between 2.5 and 4.765, Trujillo et al.
2001, MNRAS 328, 977)."""


@dataclass(frozen=True)
class Blur:
    """A round star profile as a sum of Gaussians: shares and their σ in pixels."""

    share: tuple[float, ...]
    sigma_px: tuple[float, ...]

    def apply(self, plane: Plane) -> Plane:
        """The plane blurred by it."""
        import cv2

        out = np.zeros_like(plane)
        for share, sigma in zip(self.share, self.sigma_px, strict=True):
            soft = cv2.GaussianBlur(plane, (0, 0), sigma, borderType=cv2.BORDER_REFLECT)
            out += np.float32(share) * soft
        return out


def moffat_blur(fwhm_px: float, *, beta: float = BETA) -> Blur:
    """The Moffat profile of a width as Gaussians, to a few per cent of its height."""
    from scipy.optimize import nnls

    alpha = fwhm_px / (2.0 * np.sqrt(2.0 ** (1.0 / beta) - 1.0))
    r = np.linspace(0.0, 4.0 * fwhm_px, 200)
    wanted = (1.0 + (r / alpha) ** 2) ** -beta
    sigmas = fwhm_px * np.array([0.36, 0.5, 0.8, 1.4])
    shapes = np.exp(-0.5 * (r[:, None] / sigmas) ** 2)
    weight = np.sqrt(r + 0.1 * fwhm_px)[:, None]
    heights, _ = nnls(shapes * weight, wanted * weight[:, 0])
    light = heights * sigmas**2
    keep = light > 0.01 * light.sum()
    share = light[keep] / light[keep].sum()
    return Blur(tuple(float(v) for v in share), tuple(float(v) for v in sigmas[keep]))


def can_sharpen(stars: StarList, fwhm_px: float) -> str:
    """Why the stars do not allow it, or ""."""
    if len(stars) < FEWEST_STARS or not np.isfinite(fwhm_px):
        return "too few stars to measure the blur"
    if fwhm_px < SHARPEST_FWHM_PX:
        return "stars are as narrow as the pixels allow"
    long = float(np.nanmedian(stars.elongation)) if np.isfinite(stars.elongation).any() else 1.0
    if long > ROUNDEST:
        return "stars are trailed"
    return ""


def sharpen(
    picture: Picture,
    blur: Blur,
    *,
    strength: float,
    sigma_adu: float,
    per_adu: float,
    stars: StarList,
) -> Picture:
    """The picture with its blur partly taken back, colours kept; ``strength`` is 0 to 1.

    ``sigma_adu`` and ``per_adu`` are the noise of one pixel of sky of the brightness and the
    variance an ADU of light adds.
    """
    if strength <= 0 or sigma_adu <= 0:
        return picture
    level = picture if picture.ndim == 2 else layers_of(picture)[0]
    level = np.ascontiguousarray(level, dtype=np.float32)
    fwhm = 2.355 * blur.sigma_px[int(np.argmax(blur.share))]
    lift = max(6.0 * sigma_adu, -float(level.min()) + 3.0 * sigma_adu)
    clear = _away_from_clipped(stars, level.shape, fwhm)
    halo = int(np.ceil(HALO_WIDTHS * fwhm))
    out = np.empty_like(picture, dtype=np.float32)
    for y in range(0, level.shape[0], STRIP_ROWS):
        y1 = min(level.shape[0], y + STRIP_ROWS)
        top, low = max(0, y - halo), min(level.shape[0], y1 + halo)
        change = _change(level[top:low], clear[top:low], blur, fwhm, lift, sigma_adu, per_adu)
        change = np.float32(strength) * change[y - top : y1 - top]
        if picture.ndim == 2:
            out[y:y1] = picture[y:y1] + change
            continue
        # red, green and blue by the same factor, which keeps the colours
        factor = 1.0 + change / np.maximum(level[y:y1], np.float32(2.0 * sigma_adu))
        out[y:y1] = picture[y:y1] * np.clip(factor, 0.1, 8.0)[..., None]
    return out


def _change(
    level: Plane,
    clear: Plane,
    blur: Blur,
    fwhm: float,
    lift_adu: float,
    sigma_adu: float,
    per_adu: float,
) -> Plane:
    """What full sharpening adds to the brightness where the light carries it."""
    import cv2

    lift = np.float32(lift_adu)
    data = level + lift
    made = data.copy()
    for _ in range(STEPS):
        ratio = (data / np.maximum(blur.apply(made), 0.1 * sigma_adu)).astype(np.float32)
        made *= blur.apply(ratio)
    made -= lift
    reach = 2 * int(np.ceil(0.8 * fwhm)) + 1
    around = np.asarray(
        cv2.erode(cv2.GaussianBlur(level, (0, 0), 0.5 * fwhm), _disc(reach)), dtype=np.float32
    )
    made = np.maximum(made, np.minimum(level, around))
    soft = np.asarray(cv2.GaussianBlur(level, (0, 0), 0.6 * fwhm), dtype=np.float32)
    # the mean over a star's width has that much less noise than one pixel
    noise = np.sqrt(sigma_adu**2 + per_adu * np.maximum(soft, 0.0)) / (2.1 * 0.6 * fwhm)
    trust = np.clip((soft / noise / 2.0 - SNR_FROM) / (SNR_FULL - SNR_FROM), 0.0, 1.0)
    trust = (trust * clear).astype(np.float32)
    even = np.asarray(cv2.GaussianBlur(trust, (0, 0), 0.5 * fwhm), dtype=np.float32)
    return np.asarray(even * (made - level), dtype=np.float32)


def _away_from_clipped(stars: StarList, shape: tuple[int, ...], fwhm: float) -> Plane:
    import cv2

    clear = np.ones(shape, dtype=np.float32)
    for k in np.flatnonzero(stars.flags & StarFlag.SATURATED):
        at = (round(float(stars.x_px[k])), round(float(stars.y_px[k])))
        cv2.circle(clear, at, int(np.ceil(3.0 * fwhm)), 0.0, -1)
    return clear


def _disc(width: int) -> npt.NDArray[np.uint8]:
    import cv2

    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (width, width)), np.uint8)
