"""Finding what stands out of the sky, and what of it is shaped like this frame's stars."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from slowglass.frame.background import Background
from slowglass.frame.bayer import binned, full_resolution
from slowglass.frame.header import parse_section
from slowglass.frame.image import Frame

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Image = npt.NDArray[np.float32]

SMOOTHING_PX = 2.0
"""FWHM of the smoothing under the first search, search pixels."""

_WIDE_PX = 5.0
"""Stars wider than this on the search picture are searched for on a coarser one, where faint
ones stand out and a defocused one is not taken for several."""

_FEW = 20

_USUAL_BUFFER, _LARGE_BUFFER = 300_000, 2_000_000
"""Pixels above the threshold that sep can hold."""


def unusable(frame: Frame, search: Image, factor: int) -> Bools | None:
    """True for pixels of the search picture that hold no sky (overscan, dead borders), or None."""
    height, width = search.shape
    mask = np.zeros(search.shape, dtype=bool)
    section = parse_section(frame.header.cards.get("TRIMSEC"))
    if section is not None and section[1] <= frame.width_px and section[3] <= frame.height_px:
        x0, x1, y0, y1 = (-(-s // factor) for s in section)
        mask[:y0], mask[y1:], mask[:, :x0], mask[:, x1:] = True, True, True, True
    for axis, length in ((0, width), (1, height)):
        flat = search.min(axis=axis) == search.max(axis=axis)
        lines = np.nonzero(~flat)[0]
        if lines.size == 0:
            return None
        border = np.ones(length, dtype=bool)
        border[lines[0] : lines[-1] + 1] = False
        if axis == 0:
            mask[:, border] = True
        else:
            mask[border] = True
    return mask if mask.any() else None


def smoothing(fwhm: float) -> Image:
    """A Gaussian kernel of unit sum."""
    half = max(1, min(3, int(np.ceil(0.6 * fwhm))))
    r = np.arange(-half, half + 1)
    g = np.exp(-4.0 * np.log(2.0) * (r / fwhm) ** 2)
    return (np.outer(g, g) / g.sum() ** 2).astype(np.float32)


def search_stars(
    light: Image, sky: Background, mask: Bools | None, sigma: float
) -> tuple[npt.NDArray[Any], float]:
    """sep's detections on the search picture's grid, and the stars' rough FWHM there.

    ``light`` is background-subtracted. ``sigma`` is the threshold on the smoothed picture.
    """
    found = _at_scale(light, sky, mask, sigma, 1)
    size = rough_fwhm(light, found, sky.rms_median)
    if size > _WIDE_PX:
        wanted = 2 ** int(np.clip(np.ceil(np.log2(size / _WIDE_PX)), 1, 4))
        found = _at_scale(light, sky, mask, sigma, wanted)
        return found, rough_fwhm(light, found, sky.rms_median)
    if len(found) < _FEW:
        # soft faint stars drown in pixel noise: the scale that shows the most is theirs
        for coarse in (2, 4):
            other = _at_scale(light, sky, mask, sigma, coarse)
            if len(other) > 1.5 * len(found) + 2:
                found = other
        size = rough_fwhm(light, found, sky.rms_median)
    return found, size


def _at_scale(
    light: Image, sky: Background, mask: Bools | None, sigma: float, coarse: int
) -> npt.NDArray[Any]:
    kernel = smoothing(SMOOTHING_PX)
    if coarse == 1 or min(light.shape) // coarse < 32:
        return _extract(light, sky.rms, mask, sigma, kernel)
    small_mask = None if mask is None else binned(mask.astype(np.float32), coarse) > 0.0
    rms = binned(sky.rms, coarse) / np.float32(coarse)
    return _scaled(_extract(binned(light, coarse), rms, small_mask, sigma, kernel), coarse)


def _scaled(found: npt.NDArray[Any], factor: int) -> npt.NDArray[Any]:
    out = found.copy()
    for name in ("x", "y"):
        out[name] = full_resolution(found[name], factor)
    for name in ("xpeak", "ypeak"):
        out[name] = found[name] * factor + factor // 2
    for name in ("xmin", "xmax", "ymin", "ymax", "a", "b"):
        out[name] = found[name] * factor
    for name in ("npix", "flux", "cflux"):
        out[name] = found[name] * factor**2
    return out


def _extract(
    light: Image, rms: Image, mask: Bools | None, sigma: float, kernel: Image
) -> npt.NDArray[Any]:
    """sep detections above ``sigma`` of the smoothed noise; eased when a field overflows it."""
    import sep

    sep.set_sub_object_limit(4096)
    noise = float(np.sqrt((kernel.astype(np.float64) ** 2).sum()))
    threshold = sigma * noise * noise_excess(light, rms, mask, kernel)
    options = {"err": rms, "mask": mask, "filter_kernel": kernel, "filter_type": "conv"}
    for attempt in range(7):
        # sep fills its buffer's 40 bytes a pixel beforehand: the large one is 80 MB.
        sep.set_extract_pixstack(_USUAL_BUFFER if attempt == 0 else _LARGE_BUFFER)
        try:
            return np.asarray(sep.extract(light, threshold, minarea=3, **options))
        except Exception as error:  # sep raises bare Exception when a buffer is full
            if "overflow" not in str(error) and "full" not in str(error):
                raise
            threshold *= 1.0 if attempt == 0 else 1.7
    # Half the picture lies above any threshold: a drawing, not a sky. It holds no stars.
    return np.asarray(sep.extract(light, np.inf, minarea=5, **options))


def noise_excess(light: Image, rms: Image, mask: Bools | None, kernel: Image) -> float:
    """How much wider the smoothed noise is than independent Gaussian pixels would make it, 1–4.

    Grain, compression and interpolation correlate neighbours; a fixed pattern has wide tails.
    Judged on the dark side of the middle of the picture, which stars do not reach.
    """
    import cv2

    height, width = light.shape
    rows = np.s_[height // 2 - min(384, height // 2) : height // 2 + min(384, height // 2)]
    columns = np.s_[width // 2 - min(384, width // 2) : width // 2 + min(384, width // 2)]
    part = np.ascontiguousarray(light[rows, columns] / rms[rows, columns])
    smooth = cv2.filter2D(part, cv2.CV_32F, kernel)
    good = smooth.ravel() if mask is None else smooth[~mask[rows, columns]]
    if good.size < 1000:
        return 1.0
    expected = float(np.sqrt((kernel.astype(np.float64) ** 2).sum()))
    # 15.9 % of a Gaussian lies below −1 sigma, 0.1 % below −3.09
    middle, one, tail = np.quantile(good, [0.5, 0.1587, 0.001])
    core = float(np.clip((middle - one) / expected, 1.0, 4.0))
    heavy = float(np.clip((middle - tail) / max(3.09 * (middle - one), 1e-12), 1.0, 1.6))
    return min(core * heavy, 4.0)


def rough_fwhm(light: Image, found: npt.NDArray[Any], rms: float) -> float:
    """Rough FWHM of the detections, search pixels: twice the radius of half the peak.

    From medians in rings, so neighbours hardly matter; from stars well below the brightest
    peaks, so clipped ones do not either. The outermost crossing counts: a defocused star is a
    ring. 3.0 where there is nothing to go by.
    """
    if len(found) == 0:
        return 3.0
    peak = found["peak"]
    top = float(np.sort(peak)[-min(3, len(peak))])
    chosen = (peak > 12.0 * rms) & (peak < 0.6 * top)
    for loosened in ((peak > 12.0 * rms), (peak > 4.0 * rms), (peak > 0)):
        if chosen.sum() >= 8:
            break
        chosen = loosened
    best = found[chosen]
    best = best[np.argsort(-best["flux"], kind="stable")[:80]]
    for reach in (20, 60):
        size = _half_peak_width(light, best, reach, rms)
        if size < 1.5 * reach:
            break
    return float(np.clip(size, 1.2, 100.0))


def _half_peak_width(light: Image, stars: npt.NDArray[Any], reach: int, rms: float) -> float:
    steps = np.arange(-reach, reach + 1)
    sy, sx = (a.ravel() for a in np.meshgrid(steps, steps, indexing="ij"))
    row = np.clip(np.rint(stars["y"]).astype(int)[:, None] + sy, 0, light.shape[0] - 1)
    column = np.clip(np.rint(stars["x"]).astype(int)[:, None] + sx, 0, light.shape[1] - 1)
    values = light[row, column]
    ring = np.rint(np.hypot(sx, sy)).astype(int)
    profile = np.stack([np.median(values[:, ring == r], axis=1) for r in range(reach + 1)], axis=1)
    profile = profile - np.maximum(profile.min(axis=1, keepdims=True), 0.0)
    if float(np.median(stars["peak"])) < 12.0 * rms:  # too faint one by one: their mean
        profile = profile.mean(axis=0, keepdims=True)
    half = 0.5 * profile.max(axis=1)
    above = profile >= half[:, None]
    last = np.minimum(reach - np.argmax(above[:, ::-1], axis=1), reach - 1)
    each = np.arange(len(profile))
    inner, outer = profile[each, last], profile[each, last + 1]
    fraction = np.clip((inner - half) / np.maximum(inner - outer, 1e-12), 0.0, 1.0)
    return float(np.median(2.0 * (last + fraction)))


def shaped_like_stars(found: npt.NDArray[Any], size: float) -> Bools:
    """False for satellite trails, columns and bleeding: far longer than this frame's stars."""
    if len(found) == 0:
        return np.zeros(0, dtype=bool)
    a, b = np.maximum(found["a"], 0.3), np.maximum(found["b"], 0.3)
    ratio = a / b
    bright = np.argsort(-found["flux"], kind="stable")[:200]
    usual = float(np.median(ratio[bright]))
    width = found["xmax"] - found["xmin"] + 1
    height = found["ymax"] - found["ymin"] + 1
    line = ((width <= 2) & (height > 5 * width)) | ((height <= 2) & (width > 5 * height))
    streak = (ratio > max(3.0, 2.2 * usual)) & (a > 0.8 * size)
    good = np.isfinite(found["x"]) & np.isfinite(found["flux"]) & (found["flux"] > 0)
    return np.asarray(good & ~line & ~streak)


def blunt_cores(concentration: Floats, height: Floats, snr: Floats) -> Bools:
    """True for bright stars whose peak has stopped growing with their light.

    ``concentration`` is peak over total; on a linear sensor it is the same for every star, on a
    photographic plate or a compressed picture it falls for the brightest.
    """
    judged = snr > 15.0
    if judged.sum() < 20:
        return np.zeros(len(height), dtype=bool)
    usual = float(np.median(concentration[judged]))
    top = float(np.sort(height)[-3])
    return np.asarray(judged & (height > 0.6 * top) & (concentration < 0.6 * usual))


def pointed_like_stars(
    height: Floats, flux: Floats, flux_noise: Floats, pixel_noise: float
) -> Bools:
    """False where one full-resolution pixel holds far more of the light than in other stars.

    ``height`` is the highest pixel above the sky. Finds the cosmic rays that a search on 2 × 2
    cells cannot tell from a star.
    """
    judged = flux > 12.0 * flux_noise
    if judged.sum() < 8:
        return np.ones(len(height), dtype=bool)
    usual = float(np.median(height[judged] / flux[judged]))
    allowed = 2.2 * usual * (np.maximum(flux, 0.0) + 2.0 * flux_noise) + 4.0 * pixel_noise
    return np.asarray(height < allowed)


def concentrated_like_stars(
    found: npt.NDArray[Any],
    flux: Floats,
    flux_noise: Floats,
    *,
    size: float,
    saturated: Bools,
    rms: float,
) -> Bools:
    """False for cosmic rays and warm pixels (too sharp) and for knots of nebulosity (too wide).

    Compares the smoothed peak with the total (a Gaussian of FWHM w has peak/total = 0.8825/w²),
    and the narrow axis of clear detections with what is usual in this frame.
    """
    expected = 0.8825 / (size**2 + SMOOTHING_PX**2)
    sharp = found["cpeak"] > 2.2 * expected * (np.maximum(flux, 0.0) + 2.0 * flux_noise)
    clear = found["cpeak"] > 8.0 * rms
    if clear.sum() >= 5:
        bright = found["b"][clear][np.argsort(-flux[clear], kind="stable")[:100]]
        sharp |= clear & (found["b"] < 0.5 * np.median(bright)) & (found["a"] < 2.0 * size)
    wide = (found["npix"] > 4.0 * size**2 + 20) & (found["cpeak"] < 0.15 * expected * flux)
    if size < 2.2:  # stars this small are as sharp as a cosmic ray
        sharp[:] = False
    return np.asarray(~sharp & ~(wide & ~saturated))
