"""Finding a frame's stars and telling them from hot pixels, trails and plate faults."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from slowglass.frame.background import Background, measure_background
from slowglass.frame.bayer import full_resolution, luminance
from slowglass.frame.centroid import refined_places
from slowglass.frame.clipping import clipping_level, highest_pixels
from slowglass.frame.hot import find_hot_pixels
from slowglass.frame.image import Frame
from slowglass.frame.search import (
    blunt_cores,
    concentrated_like_stars,
    pointed_like_stars,
    search_stars,
    shaped_like_stars,
    unusable,
)
from slowglass.frame.shapes import (
    Consensus,
    Shapes,
    consensus,
    half_light_diameters,
    measure_shapes,
    together_shape,
)
from slowglass.frame.stars import StarFlag, StarList, spread_evenly

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Image = npt.NDArray[np.float32]


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
    # Full-size pictures are few and go as soon as they can: a laptop watches with this.
    light = search.copy() if np.may_share_memory(search, frame.pixels) else search
    del search
    sky = measure_background(light, mask=mask, take_off=True)
    found, size = search_stars(light, sky, mask, threshold_sigma)
    detections = len(found)
    found = found[shaped_like_stars(found, size)]
    peaks = highest_pixels(frame, found, factor, rows * frame.width_px + columns)
    sky_adu, rms_adu = sky.level_median, sky.rms_median
    clip = clipping_level(frame, peaks, sky_adu=sky_adu, rms_adu=rms_adu)
    stars = _star_list(frame, light, sky, mask, found, peaks, size, factor, clip)
    del sky
    total, rejected = len(stars), detections - len(stars)
    stars = stars.take(np.argsort(-stars.flux_adu, kind="stable"))
    everything = stars.x_px, stars.y_px, stars.flux_adu
    stars, together = _with_shapes(
        frame, light, stars, everything, size * factor, factor, clip, measure
    )
    if spread:
        stars = spread_evenly(stars, max_stars, width_px=frame.width_px, height_px=frame.height_px)
    stars = stars.take(np.arange(min(max_stars, len(stars))))
    x_px, y_px = refined_places(
        frame,
        light,
        factor,
        stars,
        fwhm_px=together.fwhm_px,
        elongation=together.elongation,
        elongation_angle_deg=together.elongation_angle_deg,
        sky_rms_adu=rms_adu * factor,
    )
    stars = replace(stars, x_px=x_px, y_px=y_px)
    return Detection(
        stars=stars,
        sky_adu=sky_adu,
        sky_rms_adu=rms_adu * factor,
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
    peaks: Floats,
    size: float,
    factor: int,
    clip: float,
) -> StarList:
    """The stars without shapes; detections that are no stars are left out."""
    import sep

    count = len(found)
    if count == 0:
        return StarList.empty()
    x, y = _centres(light, found, size)
    radius = max(1.5 * size, 2.0)
    flux, _, notes = sep.sum_circle(light, x, y, radius, mask=mask, subpix=3)
    flux = np.asarray(flux, dtype=np.float64)
    column = np.clip(np.rint(x).astype(int), 0, light.shape[1] - 1)
    row = np.clip(np.rint(y).astype(int), 0, light.shape[0] - 1)
    noise = sky.rms[row, column].astype(np.float64) * np.sqrt(np.pi) * radius
    saturated = (peaks >= clip) | blunt_cores(
        found["cpeak"] / np.maximum(flux, 1e-30), peaks - sky.level_median, flux / noise
    )
    good = (flux > 0) & concentrated_like_stars(
        found, flux, noise, size=size, saturated=saturated, rms=sky.rms_median
    )
    above = peaks - sky.level[row, column] - _tint_above_grey(frame, sky.level_median)
    good &= saturated | pointed_like_stars(
        above, flux * factor**2, noise * factor**2, sky.rms_median * factor
    )
    if mask is not None:
        good &= ~mask[row, column]
    gain = frame.header.gain_e_per_adu
    shot = np.maximum(flux, 0.0) / (gain * factor**2) if gain else 0.0
    flags = np.full(count, int(StarFlag.UNMEASURED), dtype=np.int32)
    flags[saturated] |= int(StarFlag.SATURATED)
    flags[(found["flag"] & 3) != 0] |= int(StarFlag.BLENDED)
    height, width = light.shape
    edge = (x < radius) | (y < radius) | (x > width - 1 - radius) | (y > height - 1 - radius)
    flags[edge | ((notes & sep.APER_HASMASKED) != 0)] |= int(StarFlag.EDGE)
    # A clipped core hides a star's light, but how far it spreads does not: the whole footprint
    # keeps bright stars in order, which solving from few stars lives on.
    total = np.where(saturated, np.maximum(flux, found["flux"]), flux)
    nan = np.full(count, np.nan)
    stars = StarList(
        x_px=full_resolution(x, factor),
        y_px=full_resolution(y, factor),
        flux_adu=total * factor**2,
        peak_adu=peaks,
        snr=flux / np.sqrt(noise**2 + shot),
        fwhm_px=nan,
        hfd_px=nan,
        elongation=nan,
        elongation_angle_deg=nan,
        flags=flags,
    )
    return stars.take(good)


def _tint_above_grey(frame: Frame, grey_adu: float) -> float:
    """How far the sky of a mosaic's brightest colour lies above the mean of its cell."""
    if frame.bayer is None:
        return 0.0
    step = 2 * max(1, min(frame.pixels.shape) // 400)
    phases = [frame.pixels[r::step, c::step] for r in (0, 1) for c in (0, 1)]
    return max(0.0, max(float(np.median(p)) for p in phases) - grey_adu)


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
    agreed = consensus(kept)
    if agreed.stars < 3:
        alone = clear & ((flags & int(StarFlag.BLENDED)) == 0)
        faint = np.nonzero(alone)[0][:measure]
        agreed = together_shape(
            light,
            (x[faint] - (factor - 1) / 2) / factor,
            (y[faint] - (factor - 1) / 2) / factor,
            fwhm=size_px / factor,
            bin_factor=factor,
        )
    return replace(stars, x_px=x, y_px=y, hfd_px=all_hfd, flags=flags, **columns), agreed
