"""Lights in: read, calibrated, looked at and kept on disk."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from slowglass.errors import SlowglassError
from slowglass.finish.badpixels import drop_below_sky, lone_pixels
from slowglass.finish.calibrate import (
    Masters,
    Plane,
    calibrate,
    dark_factor,
    measure_dark,
    trim_overscan,
)
from slowglass.finish.combine import MAD_TO_SIGMA
from slowglass.finish.geometry import Box
from slowglass.finish.glance import Guide, glance, guide_from
from slowglass.finish.grade import SHARPEST_STAR_PX, Look, rank
from slowglass.finish.lights import Batch, Light, mend
from slowglass.finish.masters import SAME_GAIN, Wanted
from slowglass.finish.readings import Readings
from slowglass.finish.recipe import Recipe
from slowglass.finish.skyflat import Blocks, Surface, block_levels, fit_surface
from slowglass.finish.store import FrameStore
from slowglass.finish.survey import keep_shell, unreadable
from slowglass.finish.vignette import fall_of_light
from slowglass.finish.workers import each
from slowglass.frame.image import Bayer, FrameHeader
from slowglass.frame.io import read_frame
from slowglass.frame.stars import StarFlag
from slowglass.progress import Report

MOST_STARS = 400
FULL_LOOKS = 2
"""Lights searched in full for stars; the better of them guides the looks at all others."""
LOOK_BYTES = 18.0
"""Memory a pixel that reading, calibrating and looking at a light takes."""


def take_in(
    batch: Batch,
    lights: list[Light],
    masters: Masters,
    recipe: Recipe,
    store: FrameStore,
    readings: Readings,
    report: Report,
) -> None:
    """Calibrate each light of a batch, measure its stars and sky, and keep its pixels.

    What an earlier run left is used where it was made with the same masters and settings.
    """
    wanted = batch.wanted
    if masters.dark is not None or masters.bias is not None:
        for light in lights:
            light.reason = light.reason or _other_setting(light.header, wanted)
    good = [light for light in lights if not light.reason]
    if masters.flat is None and recipe.calibrate.flat_from_sky:
        masters = _with_flat_from_sky(good, wanted, masters, store, batch.notes)
    settings = readings.settings(masters, recipe)
    guide: Guide | None = None

    def work(light: Light) -> tuple[str, Guide | None]:
        raw_name, light.name = light.name, f"{light.name}-{settings}"
        known = readings.recall(light)
        if known is not None and store.has(light.name):
            store.drop(raw_name)
            return known
        try:
            raw = _raw_pixels(light, raw_name, wanted, store)
        except SlowglassError as error:
            light.reason = unreadable(light, error)
            return "", None
        assert light.shell is not None
        factor, note = dark_factor(
            light.header.exposure_s,
            masters,
            temperature_c=light.header.temperature_c,
            measured=measure_dark(raw, masters, wanted.bayer, white_adu=light.shell.white_adu),
        )
        pixels = calibrate(raw, masters, dark_scale=factor, in_place=True)
        if known is not None:
            assert light.look is not None
            drop_below_sky(pixels, light.skies, light.look.noise_adu)
            mend(pixels, np.union1d(light.lone, masters.bad), wanted.bayer)
        else:
            known = note, _look_at(light, pixels, wanted, masters, recipe, guide)
        assert light.look is not None
        store.put(light.name, pixels, noise_adu=light.look.noise_adu)
        readings.keep(light, *known)
        store.drop(raw_name)
        return known

    size = LOOK_BYTES * float(np.prod(wanted.shape))

    def progress(stage: str, done: int, total: int) -> None:
        report(stage, done + begun, len(good))

    guides: list[Guide] = []
    begun = 0
    for part in (good[:FULL_LOOKS], good[FULL_LOOKS:]):
        for _, (note, found) in each(work, part, "calibrating", progress, bytes_each=size):
            if found is not None:
                guides.append(found)
            if note and note not in batch.notes:
                batch.notes.append(note)
        begun += len(part)
        guide = max(guides, key=lambda one: rank(one.look)) if guides else None


def _raw_pixels(light: Light, name: str, wanted: Wanted, store: FrameStore) -> Plane:
    """A light's pixels, read now or on the survey; UnreadableFile where they cannot be."""
    if store.has(name):
        return store.box(name, Box(0, 0, wanted.shape[1], wanted.shape[0]))
    frame = trim_overscan(read_frame(light.path))[0]
    keep_shell(light, frame)
    if frame.pixels.shape != wanted.shape or frame.bayer != wanted.bayer:
        raise SlowglassError(
            f"{light.path}: holds {frame.pixels.shape[1]} × {frame.pixels.shape[0]} px "
            f"{frame.bayer or ''}, its header says other"
        )
    return frame.pixels


def _other_setting(header: FrameHeader, wanted: Wanted) -> str:
    """Why a light's darks and bias do not fit it, or ""."""
    if header.iso and wanted.iso and header.iso != wanted.iso:
        return f"ISO {header.iso} where the series and its darks have ISO {wanted.iso}"
    own, usual = header.gain_e_per_adu, wanted.gain_e_per_adu
    if own and usual and abs(own / usual - 1.0) > SAME_GAIN:
        return f"{own:.3g} e⁻ per ADU where the series and its darks have {usual:.3g}"
    return ""


def pixel_noise(pixels: Plane, bayer: Bayer | None) -> float:
    """Robust noise of one pixel, ADU, from differences of next same-colour neighbours."""
    step = 1 if bayer is None else 2
    plane = pixels if pixels.ndim == 2 else pixels[..., 1]
    rows = np.ascontiguousarray(plane[:: max(1, plane.shape[0] // 200)])
    apart = rows[:, step:] - rows[:, :-step]
    return MAD_TO_SIGMA * float(np.nanmedian(np.abs(apart))) / 2**0.5


def sky_surfaces(pixels: Plane, bayer: Bayer | None, *, flatten: bool) -> tuple[Surface, ...]:
    """The sky of each colour plane as a tilted plane (a constant unless ``flatten``)."""
    height, width = pixels.shape[:2]
    order = 1 if flatten else 0
    return tuple(
        fit_surface(blocks, width, height, order=order) for blocks in _sky_blocks(pixels, bayer)
    )


def _sky_blocks(pixels: Plane, bayer: Bayer | None) -> list[Blocks]:
    """Sky levels of each colour plane, at their places in the frame."""
    if pixels.ndim == 3:
        planes = [(pixels[..., c], 0, 0, 1) for c in range(pixels.shape[2])]
    elif bayer is None:
        planes = [(pixels, 0, 0, 1)]
    else:
        planes = [(pixels[j::2, i::2], j, i, 2) for j in (0, 1) for i in (0, 1)]
    found = []
    for plane, first_row, first_col, step in planes:
        blocks = block_levels(plane, across=16)
        x, y = blocks.x_px * step + first_col, blocks.y_px * step + first_row
        found.append(replace(blocks, x_px=x, y_px=y))
    return found


def _with_flat_from_sky(
    lights: list[Light], wanted: Wanted, masters: Masters, store: FrameStore, notes: list[str]
) -> Masters:
    """Masters with a flat of the corners' darkness, where the sky of some lights shows it.

    Only where levels count from true darkness: black subtracted on reading, or a bias frame.
    """
    some = lights[:: max(1, len(lights) // 5)][:5]
    if len(some) < 3 or len(wanted.shape) != 2:
        return masters
    height, width = wanted.shape
    skies = []
    for light in some:
        try:
            raw = _raw_pixels(light, light.name, wanted, store)
        except SlowglassError:  # left out, with this reason, when it is taken in
            continue
        assert light.shell is not None
        if masters.bias is None and not light.shell.black_adu > 0:
            return masters
        factor, _ = dark_factor(light.header.exposure_s, masters)
        pixels = calibrate(raw, masters, dark_scale=factor, in_place=True)
        skies += _sky_blocks(pixels, wanted.bayer)
    fall = fall_of_light(skies, width, height) if skies else None
    if fall is None:
        return masters
    notes.append(
        f"no flats: the corners' loss of light ({100 * fall.corner:.0f} %) was estimated from "
        "the sky of the lights; dust shadows stay"
    )
    return replace(masters, flat=fall.plane(height, width))


def _look_at(
    light: Light,
    pixels: Plane,
    wanted: Wanted,
    masters: Masters,
    recipe: Recipe,
    guide: Guide | None,
) -> Guide | None:
    """Measure a calibrated light; its bad pixels are mended in ``pixels`` itself.

    Returns what guides later looks, where the light was searched in full for stars.
    """
    from slowglass.frame.detect import detect_stars

    assert light.shell is not None
    if pixels.ndim == 2:
        light.lone = lone_pixels(pixels, wanted.bayer, sigmas=recipe.calibrate.lone_pixel_sigma)
    light.skies = sky_surfaces(pixels, wanted.bayer, flatten=recipe.sky.flatten)
    noise = pixel_noise(pixels, wanted.bayer)
    drop_below_sky(pixels, light.skies, noise)
    mend(pixels, np.union1d(light.lone, masters.bad), wanted.bayer)
    frame = replace(light.shell, pixels=pixels)
    seen = glance(frame, guide, noise) if guide is not None else None
    if seen is not None:
        light.stars, light.look = seen
        return None
    found = detect_stars(frame, max_stars=MOST_STARS)
    light.stars = found.stars
    usable = (found.stars.flags & (StarFlag.SATURATED | StarFlag.UNMEASURED | StarFlag.EDGE)) == 0
    sound = found.stars.take(usable & (found.stars.fwhm_px > SHARPEST_STAR_PX))
    light.look = Look(
        stars=len(sound),
        fwhm_px=float(np.median(sound.fwhm_px)) if len(sound) >= 3 else found.fwhm_px,
        elongation=float(np.median(sound.elongation)) if len(sound) >= 3 else found.elongation,
        sky_adu=float(found.sky_adu),
        noise_adu=noise,
        exposure_s=light.header.exposure_s,
    )
    return guide_from(frame, found, light.look) if guide is None else None
