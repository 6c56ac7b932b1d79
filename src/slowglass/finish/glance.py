"""A later frame of a series looked at through the stars of an earlier one.

The first frame is searched for stars in full. In the others the same stars are expected: the
brightest, found on a small picture, tell where the frame points, and every star is measured at
its place, by the same fits as in the full search. Where too few are there, or they look other
than they did, the answer is None and the frame is searched in full.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from slowglass.finish.grade import SHARPEST_STAR_PX, Look
from slowglass.finish.register import match_stars
from slowglass.frame.background import measure_background
from slowglass.frame.bayer import Image, binned, luminance
from slowglass.frame.centroid import refined_places
from slowglass.frame.detect import Detection
from slowglass.frame.image import Frame
from slowglass.frame.shapes import consensus, measure_shapes
from slowglass.frame.stars import StarFlag, StarList

Floats = npt.NDArray[np.float64]
COARSE = 2
"""Binning of the brightness picture on which the brightest stars are found."""
FEWEST = 40
"""Sound stars from which a frame can guide."""
BRIGHTEST = (28, 80)
"""Stars that tell where a frame points: pairs of few are quickly tried, more where that fails."""
SHAPES = 36
"""Stars fitted for width and roundness: their median is known to a fifth of their scatter."""
STANDS_OUT = 5.0
"""Noise units of the total light from which an expected star counts as seen."""
SEEN = 0.8
"""Share of the expected stars that must be seen."""
WIDTHS = (0.75, 1.33)
ROUNDEST = 1.18
"""Least and greatest width against the guide's, and greatest elongation, that the quick way may
report: odd frames deserve the full search."""


@dataclass(frozen=True)
class Guide:
    """What one fully searched frame tells of the others."""

    stars: StarList
    fwhm_px: float
    clip_adu: float
    look: Look
    light_scale: float = 1.0
    """Light by the full search over light measured here, whose circles are not quite as wide."""


def guide_from(frame: Frame, found: Detection, look: Look) -> Guide | None:
    """A guide, where a frame shows enough sound stars."""
    if look.stars < FEWEST or not look.elongation < ROUNDEST:
        return None
    guide = Guide(found.stars, look.fwhm_px, found.clip_adu, look)
    light, factor = luminance(frame)
    own = _measured(
        frame,
        light,
        factor,
        found.stars,
        np.column_stack([found.stars.x_px, found.stars.y_px]),
        measure_background(binned(light, COARSE), mesh_px=64 // COARSE).level,
        guide,
    )
    good = own.snr > STANDS_OUT
    if good.sum() < FEWEST:
        return None
    ratio = float(np.median(found.stars.flux_adu[good] / own.flux_adu[good]))
    return replace(guide, light_scale=ratio)


def glance(frame: Frame, guide: Guide, noise_adu: float) -> tuple[StarList, Look] | None:
    """Stars and look of a calibrated frame of the guide's series, or None where in doubt.

    ``noise_adu`` is the noise of one of its pixels. Stars come brightest first.
    """
    light, factor = luminance(frame)
    small = binned(light, COARSE)
    sky = measure_background(small, mesh_px=64 // COARSE)
    bright = _brightest(small - sky.level, sky.rms_median, factor * COARSE)
    known = np.column_stack([guide.stars.x_px, guide.stars.y_px])
    for count in BRIGHTEST:
        found = match_stars(bright[:count], known[:count])
        if found.transform is not None:
            break
    else:
        return None
    at = found.transform.apply(known)
    margin = 4.0 * guide.fwhm_px + 4
    inside = (at > margin).all(axis=1)
    inside &= (at[:, 0] < frame.width_px - 1 - margin) & (at[:, 1] < frame.height_px - 1 - margin)
    expected = guide.stars.take(inside)
    if len(expected) < FEWEST:
        return None
    stars = _measured(frame, light, factor, expected, at[inside], sky.level, guide)
    seen = stars.snr > STANDS_OUT
    clear = (stars.flags & int(StarFlag.SATURATED | StarFlag.EDGE)) == 0
    if seen.mean() < SEEN:
        return None
    every = (stars.x_px, stars.y_px, stars.flux_adu)
    alone = (expected.flags & int(StarFlag.BLENDED | StarFlag.UNMEASURED)) == 0
    chosen = np.flatnonzero(seen & clear & alone)[:SHAPES]
    shapes = measure_shapes(
        frame,
        stars.x_px[chosen],
        stars.y_px[chosen],
        fwhm_px=guide.fwhm_px,
        clip_adu=guide.clip_adu,
        neighbours=every,
        flux=stars.flux_adu[chosen],
    )
    agreed = consensus(shapes)
    usual = agreed.fwhm_px / guide.fwhm_px
    if agreed.stars < FEWEST / 2 or not WIDTHS[0] < usual < WIDTHS[1]:
        return None
    if not agreed.elongation < ROUNDEST:
        return None
    columns = {}
    for name in ("fwhm_px", "elongation", "elongation_angle_deg"):
        column = np.full(len(stars), np.nan)
        column[chosen] = getattr(shapes, name)
        columns[name] = column
    flags = stars.flags | np.int32(StarFlag.UNMEASURED)
    flags[chosen[np.isfinite(shapes.fwhm_px)]] &= ~np.int32(StarFlag.UNMEASURED)
    x, y = refined_places(
        frame,
        light,
        factor,
        stars,
        fwhm_px=agreed.fwhm_px,
        elongation=agreed.elongation,
        elongation_angle_deg=agreed.elongation_angle_deg,
        sky_rms_adu=noise_adu,
    )
    stars = replace(stars, x_px=x, y_px=y, flags=flags, **columns).take(seen)
    stars = stars.take(np.argsort(-stars.flux_adu, kind="stable"))
    sound = np.isfinite(stars.fwhm_px) & (stars.fwhm_px > SHARPEST_STAR_PX)
    if sound.sum() < FEWEST / 2:
        return None
    return stars, Look(
        stars=round(guide.look.stars * float(seen.mean())),
        fwhm_px=float(np.median(stars.fwhm_px[sound])),
        elongation=float(np.median(stars.elongation[sound])),
        sky_adu=sky.level_median,
        noise_adu=noise_adu,
        exposure_s=frame.header.exposure_s,
    )


def _brightest(light: Image, rms: float, factor: int) -> Floats:
    """Places, in pixels of the frame, of what stands highest on a small sky-free picture."""
    import sep

    for sigmas in (12.0, 40.0):
        try:
            found = sep.extract(light, sigmas * rms, minarea=2, filter_kernel=None)
        except Exception:  # sep raises bare Exception when a buffer is full
            continue
        best = np.argsort(-found["flux"], kind="stable")[: BRIGHTEST[-1]]
        x, y = (factor * found[n][best] + (factor - 1) / 2 for n in ("x", "y"))
        return np.column_stack([x, y])
    return np.empty((0, 2))


def _measured(
    frame: Frame,
    light: Image,
    factor: int,
    expected: StarList,
    at: Floats,
    level: Image,
    guide: Guide,
) -> StarList:
    """The expected stars with this frame's places, light, peaks and clipping."""
    import sep

    size = guide.fwhm_px / factor
    grid = (at - (factor - 1) / 2) / factor
    coarse = np.clip(np.rint((grid - 0.5) / COARSE), 0, np.array(level.shape)[::-1] - 1).astype(int)
    sky = level[coarse[:, 1], coarse[:, 0]].astype(np.float64)
    # One level for all in place of a sky-free copy: the window's own weight hides the rest.
    above = light - np.float32(np.median(sky))
    x, y = grid[:, 0].copy(), grid[:, 1].copy()
    wx, wy, _ = sep.winpos(above, x, y, np.full(len(x), max(size, 1.5) / 2.355))
    steady = np.hypot(wx - x, wy - y) < 0.5 * size + 0.5
    x, y = np.where(steady, wx, x), np.where(steady, wy, y)
    radius = max(1.5 * size, 2.0)
    flux = np.asarray(sep.sum_circle(light, x, y, radius, subpix=3)[0]) - np.pi * radius**2 * sky
    pixels = frame.pixels if frame.pixels.ndim == 2 else frame.pixels.max(axis=2)
    peaks = _highest(pixels, at, int(np.ceil(factor + guide.fwhm_px / 2)))
    noise = float(np.median(np.abs(np.diff(light[::61], axis=1)))) * 1.4826 / 2**0.5
    noise *= np.sqrt(np.pi) * radius
    gain = frame.header.gain_e_per_adu
    shot = np.maximum(flux, 0.0) / (gain * factor**2) if gain else 0.0
    flags = expected.flags & np.int32(StarFlag.BLENDED)
    flags = np.where(peaks >= guide.clip_adu, flags | int(StarFlag.SATURATED), flags)
    nan = np.full(len(x), np.nan)
    return StarList(
        x_px=factor * x + (factor - 1) / 2,
        y_px=factor * y + (factor - 1) / 2,
        flux_adu=flux * factor**2 * guide.light_scale,
        peak_adu=peaks,
        snr=np.where(steady, flux / np.sqrt(noise**2 + shot), 0.0),
        fwhm_px=nan,
        hfd_px=nan,
        elongation=nan,
        elongation_angle_deg=nan,
        flags=flags.astype(np.int32),
    )


def _highest(pixels: Image, at: Floats, reach: int) -> Floats:
    """The highest pixel within ``reach`` of each place."""
    steps = np.arange(-reach, reach + 1)
    rows = np.rint(at[:, 1]).astype(int)[:, None, None] + steps[:, None]
    cols = np.rint(at[:, 0]).astype(int)[:, None, None] + steps[None]
    rows = np.clip(rows, 0, pixels.shape[0] - 1)
    cols = np.clip(cols, 0, pixels.shape[1] - 1)
    return pixels[rows, cols].max(axis=(1, 2)).astype(np.float64)
