"""Finding a frame's stars and telling them from hot pixels, trails and plate faults."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from slowglass.frame.background import Background, measure_background
from slowglass.frame.bayer import binned, full_resolution, luminance
from slowglass.frame.header import parse_section
from slowglass.frame.hot import find_hot_pixels
from slowglass.frame.image import Frame
from slowglass.frame.shapes import (
    Consensus,
    Shapes,
    consensus,
    half_light_diameters,
    measure_shapes,
)
from slowglass.frame.stars import StarFlag, StarList

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Image = npt.NDArray[np.float32]

_WIDE_PX = 5.0
"""Stars wider than this on the search picture are searched for on a coarser one, where faint
ones stand out and a defocused one is not taken for several."""


@dataclass(frozen=True)
class Detection:
    """A frame's stars and what they say together; NaN where too few stars could be measured."""

    stars: StarList
    sky_adu: float
    """Median sky level above black."""
    sky_rms_adu: float
    """Noise of one pixel of the sky."""
    saturated_fraction: float
    """Share of all pixels at the clipping level."""
    clip_adu: float
    """The level taken as clipping: the stated white, or a lower one where pixels pile up."""
    hot_pixels: int
    fwhm_px: float
    hfd_px: float
    elongation: float
    elongation_angle_deg: float
    elongation_agreement: float
    measured: int
    """Stars behind the medians."""
    found: int
    """Stars before ``max_stars`` cut the list."""
    rejected: int
    """Detections that were no stars: trails, columns, cosmic rays, spreads."""


def detect_stars(
    frame: Frame,
    *,
    threshold_sigma: float = 5.0,
    max_stars: int = 600,
    measure: int = 200,
    spread: bool = False,
) -> Detection:
    """The stars of a frame, brightest first, with shapes of up to ``measure`` of them.

    ``threshold_sigma`` is the height of the smoothed peak above the sky in units of its noise.
    ``spread`` takes the ``max_stars`` evenly over the frame in place of the brightest. A frame
    without stars gives an empty list. One frame alone cannot tell a fixed pattern that spans
    several pixels from faint stars; a dark frame or a drifting series can.
    """
    search, factor = luminance(frame)
    if min(search.shape, default=0) < 16:
        return _nothing(frame)
    rows, columns, excess = find_hot_pixels(frame)
    search = _without_hot(search, frame, factor, rows, columns, excess)
    mask = unusable(frame, search, factor)
    sky = measure_background(search, mask=mask)
    clip = clipping_level(frame, sky.level_median, sky.rms_median)
    light = search - sky.level
    found, size = _search(light, sky, mask, threshold_sigma)
    clean = _select(found, size)
    x, y = _centres(light, clean, size)
    stars, edge = _star_list(frame, light, sky, mask, clean, (x, y), size, factor, clip)
    stars = stars.take(~edge)
    total, rejected = len(stars), len(found) - len(clean)
    stars = stars.take(np.argsort(-stars.flux_adu, kind="stable"))
    everything = stars.x_px, stars.y_px, stars.flux_adu
    if spread:
        stars = spread_evenly(stars, max_stars, width_px=frame.width_px, height_px=frame.height_px)
    stars = stars.take(np.arange(min(max_stars, len(stars))))
    stars, together = _with_shapes(
        frame, light, stars, everything, size * factor, factor, clip, measure
    )
    return Detection(
        stars=stars,
        sky_adu=sky.level_median,
        sky_rms_adu=sky.rms_median * factor,
        saturated_fraction=float(np.count_nonzero(frame.pixels >= clip) / frame.pixels.size),
        clip_adu=clip,
        hot_pixels=int(rows.size),
        fwhm_px=together.fwhm_px,
        hfd_px=together.hfd_px,
        elongation=together.elongation,
        elongation_angle_deg=together.elongation_angle_deg,
        elongation_agreement=together.agreement,
        measured=together.stars,
        found=total,
        rejected=rejected,
    )


def _nothing(frame: Frame) -> Detection:
    level = float(np.median(frame.pixels)) if frame.pixels.size else np.nan
    nan = float("nan")
    return Detection(
        StarList.empty(), level, nan, 0.0, frame.white_adu, 0, nan, nan, nan, nan, nan, 0, 0, 0
    )


def unusable(frame: Frame, search: Image, factor: int) -> Bools | None:
    """True for pixels of the search picture that hold no sky: overscan and dead borders."""
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


def clipping_level(frame: Frame, sky_adu: float, rms_adu: float) -> float:
    """The ADU above which a pixel is clipped.

    The stated white level, or the highest value where pixels pile up on it well above the sky,
    as on a sensor that clips below the range of its file.
    """
    highest = float(frame.pixels.max())
    clip = 0.98 * frame.white_adu
    if highest < clip and highest > sky_adu + 30.0 * rms_adu:
        pile = int(np.count_nonzero(frame.pixels == np.float32(highest)))
        if pile >= 5:
            clip = highest - 0.005 * (highest - sky_adu)
    return clip


def spread_evenly(stars: StarList, count: int, *, width_px: int, height_px: int) -> StarList:
    """``count`` stars shared out over a grid of about 50 cells, brightest of each cell first.

    Returned brightest first.
    """
    if len(stars) <= count:
        return stars
    across = max(1, round(np.sqrt(50.0 * width_px / height_px)))
    down = max(1, round(50.0 / across))
    cell = (
        np.clip(stars.x_px * across / width_px, 0, across - 1).astype(int)
        + np.clip(stars.y_px * down / height_px, 0, down - 1).astype(int) * across
    )
    by_flux = np.argsort(-stars.flux_adu, kind="stable")
    order = by_flux[np.argsort(cell[by_flux], kind="stable")]
    sorted_cell = cell[order]
    starts = np.nonzero(np.diff(sorted_cell, prepend=-1))[0]
    rank = np.arange(len(order)) - np.repeat(starts, np.diff(np.append(starts, len(order))))
    chosen = order[np.argsort(rank, kind="stable")[:count]]
    return stars.take(chosen[np.argsort(-stars.flux_adu[chosen], kind="stable")])


def _without_hot(
    search: Image,
    frame: Frame,
    factor: int,
    rows: npt.NDArray[np.int64],
    columns: npt.NDArray[np.int64],
    excess: Floats,
) -> Image:
    """The search picture with the hot pixels' excess taken out (a copy when it is the frame's)."""
    if rows.size == 0:
        return search
    y, x = rows // factor, columns // factor
    inside = (y < search.shape[0]) & (x < search.shape[1])
    out = search.copy() if np.shares_memory(search, frame.pixels) else search
    np.subtract.at(out, (y[inside], x[inside]), (excess[inside] / factor**2).astype(np.float32))
    return out


def _kernel(fwhm: float) -> Image:
    half = max(1, min(4, int(np.ceil(fwhm))))
    r = np.arange(-half, half + 1)
    g = np.exp(-4.0 * np.log(2.0) * (r / fwhm) ** 2)
    return (np.outer(g, g) / g.sum() ** 2).astype(np.float32)


def _extract(
    light: Image, rms: Image, mask: Bools | None, sigma: float, kernel: Image
) -> npt.NDArray[Any]:
    """sep detections above ``sigma`` of the smoothed noise; eased when a field overflows it."""
    import sep

    sep.set_extract_pixstack(2_000_000)
    sep.set_sub_object_limit(4096)
    noise = float(np.sqrt((kernel.astype(np.float64) ** 2).sum()) / kernel.sum())
    threshold = sigma * noise * _noise_excess(light, rms, mask, kernel, noise)
    for _ in range(6):
        try:
            return np.asarray(
                sep.extract(
                    light,
                    threshold,
                    err=rms,
                    mask=mask,
                    minarea=3,
                    filter_kernel=kernel,
                    deblend_cont=0.005,
                    clean=True,
                )
            )
        except Exception as error:  # sep raises bare Exception when a buffer is full
            if "overflow" not in str(error) and "full" not in str(error):
                raise
            threshold *= 1.7
    return np.asarray(sep.extract(light, threshold * 10, err=rms, mask=mask, deblend_cont=1.0))


def _noise_excess(
    light: Image, rms: Image, mask: Bools | None, kernel: Image, expected: float
) -> float:
    """How much noisier the smoothed picture is than independent pixels would make it, ≥ 1.

    Photographic grain, compression and interpolation all correlate neighbouring pixels.
    """
    import cv2

    height, width = light.shape
    rows = np.s_[height // 2 - min(256, height // 2) : height // 2 + min(256, height // 2)]
    columns = np.s_[width // 2 - min(256, width // 2) : width // 2 + min(256, width // 2)]
    part = np.ascontiguousarray(light[rows, columns] / rms[rows, columns])
    smooth = cv2.filter2D(part, cv2.CV_32F, kernel)
    good = smooth if mask is None else smooth[~mask[rows, columns]]
    if good.size < 100:
        return 1.0
    middle = np.median(good)
    below = good[good < middle]  # stars and nebulosity raise the upper side only
    if below.size == 0:
        return 1.0
    sigma = 1.4826 * float(np.median(middle - below))
    return float(np.clip(sigma / expected, 1.0, 4.0))


def _search(
    light: Image, sky: Background, mask: Bools | None, sigma: float
) -> tuple[npt.NDArray[Any], float]:
    """Detections on the search picture's grid, and the stars' rough FWHM there."""
    found = _extract(light, sky.rms, mask, sigma, _kernel(2.0))
    size = _rough_fwhm(light, found)
    if size > _WIDE_PX:
        coarse = 2 ** int(np.clip(np.ceil(np.log2(size / _WIDE_PX)), 1, 4))
        if min(light.shape) // coarse >= 32:
            small_mask = None
            if mask is not None:
                small_mask = binned(mask.astype(np.float32), coarse) > 0.0
            rms = binned(sky.rms, coarse) / np.float32(coarse)
            found = _extract(binned(light, coarse), rms, small_mask, sigma, _kernel(2.0))
            found = _scaled(found, coarse)
            size = _rough_fwhm(light, found)
    return found, size


def _scaled(found: npt.NDArray[Any], factor: int) -> npt.NDArray[Any]:
    out = found.copy()
    for name in ("x", "y"):
        out[name] = full_resolution(found[name], factor)
    for name in ("xpeak", "ypeak", "xmin", "xmax", "ymin", "ymax"):
        out[name] = found[name] * factor
    for name in ("a", "b"):
        out[name] = found[name] * factor
    out["npix"] = found["npix"] * factor**2
    return out


def _rough_fwhm(light: Image, found: npt.NDArray[Any]) -> float:
    """FWHM from the half-light radius of the brightest detections, search pixels."""
    import sep

    if len(found) == 0:
        return 3.0
    order = np.argsort(-found["flux"], kind="stable")
    skip = min(len(order) // 20, 10)  # the very brightest may be clipped or no stars
    best = found[order[skip : skip + 150]]
    reach = np.clip(4.0 * np.sqrt(best["a"] * best["b"]) * 2.355, 6.0, 60.0)
    radius, _ = sep.flux_radius(light, best["x"], best["y"], reach, 0.5, subpix=3)
    good = np.isfinite(radius) & (radius > 0) & (radius < 0.65 * reach)
    if good.sum() < 3:
        return float(np.clip(np.median(2.355 * np.sqrt(best["a"] * best["b"])), 1.2, 40.0))
    return float(np.clip(2.0 * np.median(radius[good]), 1.2, 80.0))


def _select(found: npt.NDArray[Any], size: float) -> npt.NDArray[Any]:
    """Detections shaped like this frame's stars, whatever shape its stars have."""
    if len(found) == 0:
        return found
    a, b = np.maximum(found["a"], 0.3), np.maximum(found["b"], 0.3)
    ratio = a / b
    bright = np.argsort(-found["flux"], kind="stable")[:200]
    usual = float(np.median(ratio[bright]))
    width = found["xmax"] - found["xmin"] + 1
    height = found["ymax"] - found["ymin"] + 1
    line = ((width <= 2) & (height > 5 * width)) | ((height <= 2) & (width > 5 * height))
    streak = (ratio > max(3.0, 2.2 * usual)) & (a > 0.8 * size)
    sharp = (a * 2.355 < 0.35 * size) & (size > 2.5)
    good = np.isfinite(found["x"]) & np.isfinite(found["flux"]) & (found["flux"] > 0)
    return np.asarray(found[good & ~line & ~streak & ~sharp])


def _centres(light: Image, found: npt.NDArray[Any], size: float) -> tuple[Floats, Floats]:
    """Windowed centroids on the search grid, the plain ones where the window strays."""
    import sep

    if len(found) == 0:
        return np.empty(0), np.empty(0)
    x, y = found["x"].astype(np.float64), found["y"].astype(np.float64)
    wx, wy, _ = sep.winpos(light, x, y, np.full(len(x), max(size, 1.5) / 2.355))
    steady = np.hypot(wx - x, wy - y) < 0.5 * size + 0.5
    return np.where(steady, wx, x), np.where(steady, wy, y)


def _star_list(
    frame: Frame,
    light: Image,
    sky: Background,
    mask: Bools | None,
    found: npt.NDArray[Any],
    centres: tuple[Floats, Floats],
    size: float,
    factor: int,
    clip: float,
) -> tuple[StarList, Bools]:
    """The stars without shapes, and which of them lie off the usable picture."""
    import sep

    x, y = centres
    count = len(x)
    if count == 0:
        return StarList.empty(), np.zeros(0, dtype=bool)
    radius = max(1.5 * size, 2.0)
    flux, _, _ = sep.sum_circle(light, x, y, radius, mask=mask, subpix=3)
    column = np.clip(np.rint(x).astype(int), 0, light.shape[1] - 1)
    row = np.clip(np.rint(y).astype(int), 0, light.shape[0] - 1)
    noise = sky.rms[row, column] * np.sqrt(np.pi) * radius
    gain = frame.header.gain_e_per_adu
    variance = noise.astype(np.float64) ** 2
    if gain:
        variance = variance + np.maximum(flux, 0.0) / (gain * factor**2)
    peak = _highest(frame, found, factor)
    flags = np.full(count, int(StarFlag.UNMEASURED), dtype=np.int32)
    flags[peak >= clip] |= int(StarFlag.SATURATED)
    flags[(found["flag"] & 3) != 0] |= int(StarFlag.BLENDED)
    near = radius
    height, width = light.shape
    edge = (x < near) | (y < near) | (x > width - 1 - near) | (y > height - 1 - near)
    flags[edge] |= int(StarFlag.EDGE)
    off = mask[row, column] if mask is not None else np.zeros(count, dtype=bool)
    nan = np.full(count, np.nan)
    stars = StarList(
        x_px=full_resolution(x, factor),
        y_px=full_resolution(y, factor),
        flux_adu=np.asarray(flux, dtype=np.float64) * factor**2,
        peak_adu=peak,
        snr=np.asarray(flux / np.sqrt(variance), dtype=np.float64),
        fwhm_px=nan,
        hfd_px=nan.copy(),
        elongation=nan.copy(),
        elongation_angle_deg=nan.copy(),
        flags=flags,
    )
    return stars, off | ~(flux > 0)


def _highest(frame: Frame, found: npt.NDArray[Any], factor: int) -> Floats:
    """Highest full-resolution pixel in the 3 × 3 search pixels about each peak."""
    pixels = frame.pixels if frame.pixels.ndim == 2 else frame.pixels.max(axis=2)
    x0, y0 = found["xpeak"].astype(int) * factor, found["ypeak"].astype(int) * factor
    best = np.full(len(found), -np.inf)
    for dy in range(-factor, 2 * factor):
        for dx in range(-factor, 2 * factor):
            row = np.clip(y0 + dy, 0, pixels.shape[0] - 1)
            column = np.clip(x0 + dx, 0, pixels.shape[1] - 1)
            best = np.maximum(best, pixels[row, column])
    return best


def _with_shapes(
    frame: Frame,
    light: Image,
    stars: StarList,
    everything: tuple[Floats, Floats, Floats],
    size_px: float,
    factor: int,
    clip: float,
    measure: int,
) -> tuple[StarList, Consensus]:
    """The list with shapes of its best stars filled in, and what those agree on."""
    bar = int(StarFlag.SATURATED | StarFlag.EDGE)
    clear = (stars.flags & bar) == 0
    chosen = np.nonzero(clear & (stars.snr > 15.0))[0]
    if chosen.size < 8:
        chosen = np.nonzero(clear & (stars.snr > 6.0))[0]
    alone = (stars.flags[chosen] & int(StarFlag.BLENDED)) == 0
    if alone.sum() >= 20:
        chosen = chosen[alone]
    chosen = chosen[:measure]
    shapes = measure_shapes(
        frame,
        stars.x_px[chosen],
        stars.y_px[chosen],
        fwhm_px=size_px,
        clip_adu=clip,
        neighbours=everything,
        flux=stars.flux_adu[chosen],
    )
    good = np.isfinite(shapes.fwhm_px)
    shift = np.hypot(shapes.x_px - stars.x_px[chosen], shapes.y_px - stars.y_px[chosen])
    good &= shift < 0.75 * size_px
    index = chosen[good]
    x, y = stars.x_px.copy(), stars.y_px.copy()
    x[index], y[index] = shapes.x_px[good], shapes.y_px[good]
    middle = float(np.median(shapes.fwhm_px[good])) if good.any() else size_px
    hfd = np.full(len(chosen), np.nan)
    hfd[good] = half_light_diameters(
        light,
        (x[index] - (factor - 1) / 2) / factor,
        (y[index] - (factor - 1) / 2) / factor,
        fwhm=middle / factor,
        bin_factor=factor,
    )
    columns = {n: np.full(len(stars), np.nan) for n in ("fwhm_px", "elongation")}
    columns["elongation_angle_deg"] = np.full(len(stars), np.nan)
    for name, column in columns.items():
        column[index] = getattr(shapes, name)[good]
    all_hfd = np.full(len(stars), np.nan)
    all_hfd[index] = hfd[good]
    flags = stars.flags.copy()
    flags[index] &= ~np.int32(StarFlag.UNMEASURED)
    kept = Shapes(
        *(np.where(good, v, np.nan) for v in (shapes.x_px, shapes.y_px, shapes.fwhm_px, hfd)),
        *(
            np.where(good, v, np.nan)
            for v in (shapes.elongation, shapes.elongation_angle_deg, shapes.e1, shapes.e2)
        ),
    )
    return replace(stars, x_px=x, y_px=y, hfd_px=all_hfd, flags=flags, **columns), consensus(kept)
