"""From linear light to the picture for the eye, in two halves.

``prepare`` does what takes time: cut, colours, quieter noise, sharper detail; it leaves linear
light. ``screen_of`` does what sliders move: stretch, saturation, contrast, star size; on a
``smaller`` copy it answers at once, on the full one it is the picture that is exported. Both
are pure functions of pixels and recipe; ``settle_levels`` and the like fill in what a recipe
leaves open, so that the filled recipe gives the same picture to the bit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from slowglass.finish.colour import ColourFit, apply_colour, fit_colour
from slowglass.finish.combined import FoundStars, Picture
from slowglass.finish.compose import Cut, compose
from slowglass.finish.geometry import Box
from slowglass.finish.gradient import SMOOTH, SkySurface, fit_sky, subtract_sky
from slowglass.finish.known import Scene, find_glow, measure_colours
from slowglass.finish.levels import Prepared, core_of, levels_of, sky_level
from slowglass.finish.middles import heal_middles
from slowglass.finish.quiet import LayerNoise, measure_noise, neutral_sky, quieten
from slowglass.finish.recipe import CutStep, DetailStep, Recipe
from slowglass.finish.sharpen import can_sharpen, moffat_blur, sharpen
from slowglass.finish.touch import local_contrast, smaller_stars
from slowglass.frame.stars import StarFlag
from slowglass.frame.stretch import ROWS, Stretch, to_screen

VISIBLE_NOISE, HEAVY_NOISE = 0.006, 0.035
"""Noise on the screen below which nothing need be done, and at which all that helps is."""
SHARPENED_SNR = 30.0


def flatten(picture: Picture, scene: Scene, recipe: Recipe) -> tuple[SkySurface | None, Recipe]:
    """Take the sky off, in place; the surface, and the recipe with its shape filled in.

    Where no catalogue says what glows, what glows in the flattened picture is told from it, and
    the sky looked at again without that.
    """
    if not recipe.sky.flatten:
        return None, recipe
    sky = fit_sky(picture, scene.glowing, shape=recipe.sky.shape)
    subtract_sky(picture, sky)
    glow = find_glow(picture) if sky.shape == SMOOTH and not scene.glowing else None
    if glow is not None:
        again = fit_sky(picture, [glow], shape=SMOOTH)
        subtract_sky(picture, again)
        sky = again.over(sky)
    step = recipe.sky.model_copy(update={"shape": sky.shape})
    return sky, recipe.model_copy(update={"sky": step})


def settle_colour(
    picture: Picture, scene: Scene, recipe: Recipe, notes: list[str]
) -> tuple[ColourFit, Recipe]:
    """How the stars say colours are, and the recipe with gains and spread filled in."""
    if picture.ndim == 2:
        step = recipe.colour.model_copy(update={"gains": (1.0, 1.0, 1.0), "spread": (0.0, 0.0)})
        return ColourFit(), recipe.model_copy(update={"colour": step})
    fit = fit_colour(measure_colours(picture, scene))
    if recipe.colour.gains is None and fit.how == "none":
        notes.append("too few bright stars for a white balance: colours as the sensor saw")
    gains = recipe.colour.gains or fit.gains
    spread = recipe.colour.spread
    if spread is None:
        spread = fit.spread if recipe.colour.gains is None else (0.0, 0.0)
    step = recipe.colour.model_copy(update={"gains": gains, "spread": spread})
    return fit, recipe.model_copy(update={"colour": step})


def settle_cut(picture: Picture, scene: Scene, step: CutStep) -> tuple[Cut, CutStep]:
    """The cut a recipe asks for, or the one that suits the subject; and the step filled in."""
    height, width = picture.shape[:2]
    if step.box is not None:
        x0, y0, x1, y1 = step.box
        box = Box(max(0, x0), max(0, y0), min(width, x1), min(height, y1))
        if box.x1 - box.x0 < 16 or box.y1 - box.y0 < 16:
            box = Box(0, 0, width, height)
        cut = Cut(box, step.turn_deg, step.flip)
    else:
        cut = compose(
            width,
            height,
            subject=scene.subject,
            wcs=scene.wcs,
            crop=step.around_subject,
            north_up=step.north_up,
        )
    box = cut.box
    filled = step.model_copy(
        update={
            "box": (box.x0, box.y0, box.x1, box.y1),
            "turn_deg": cut.turn_deg,
            "flip": cut.flip,
        }
    )
    return cut, filled


@dataclass(frozen=True)
class Lit:
    """The cut in screen colours before its noise is touched, and what was measured on it."""

    prepared: Prepared
    step: CutStep
    """The recipe's, filled in."""
    ceiling_adu: float | None
    """Where clipped stars end; None without any."""
    sigma_adu: float
    per_adu: float
    """Noise of a sky pixel's brightness, and the variance that an ADU of light adds to it."""


def light_up(picture: Picture, scene: Scene, recipe: Recipe) -> Lit:
    """The flattened picture cut and coloured, its clipped stars white and whole."""
    cut, step = settle_cut(picture, scene, recipe.cut)
    gains, spread = balance_of(recipe)
    light = apply_colour(cut.apply(picture), gains, spread)
    here = scene.on(cut)
    ceiling = whiten_clipped(light, here.stars)
    prepared = Prepared(light, here, cut, recipe.sky.flatten)
    sigma, per_adu = _brightness_noise(prepared, gains)
    heal_middles(light, here.stars, sigma_adu=sigma, ceiling_adu=ceiling)
    return Lit(prepared, step, ceiling, sigma, per_adu)


def balance_of(recipe: Recipe) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Gains and spread of the colours; plain where the recipe leaves them open."""
    return recipe.colour.gains or (1.0, 1.0, 1.0), recipe.colour.spread or (0.0, 0.0)


def prepare(
    picture: Picture, scene: Scene, recipe: Recipe, notes: list[str]
) -> tuple[Prepared, Recipe]:
    """The flattened picture cut, coloured, quietened and sharpened; and the recipe filled in."""
    lit = light_up(picture, scene, recipe)
    here, cut, light = lit.prepared.scene, lit.prepared.cut, lit.prepared.light
    sigma, per_adu = lit.sigma_adu, lit.per_adu
    recipe = recipe.model_copy(update={"cut": lit.step})
    detail = _settle_detail(lit.prepared, recipe, sigma, notes)
    del lit  # with the light of before, which is as large as the picture
    if detail.quiet:
        noise = measure_noise(light, sky_adu=sigma, per_adu=per_adu)
        light = quietened(light, noise, detail.quiet, flattened=recipe.sky.flatten)
    if detail.sharpen:
        light = sharpened(light, here.stars, detail.sharpen, sigma, per_adu)
    made = Prepared(light, here, cut, recipe.sky.flatten)
    return made, recipe.model_copy(update={"detail": detail})


def quietened(light: Picture, noise: LayerNoise, strength: float, *, flattened: bool) -> Picture:
    """The light with its noise lowered, and a sky at zero without colour."""
    light = quieten(light, noise, strength=strength)
    if flattened:
        neutral_sky(light, noise, strength=strength)
    return light


def sharpened(
    light: Picture, stars: FoundStars, strength: float, sigma_adu: float, per_adu: float
) -> Picture:
    """The light with its stars' own blur taken back; noise as of ``Lit``."""
    return sharpen(
        light,
        moffat_blur(stars.fwhm_px),
        strength=strength,
        sigma_adu=sigma_adu,
        per_adu=per_adu,
        stars=stars.every,
    )


def whiten_clipped(light: Picture, stars: FoundStars) -> float | None:
    """Cut all colours at one level where clipped stars end, in place: their middles are white.

    A clipped channel no longer says how bright its colour is; left alone, the balance would
    tint the middles of all clipped stars alike. Returns the level, None where nothing is cut.
    """
    ceiling = clipped_level(light, stars)
    if ceiling is not None:
        np.minimum(light, np.float32(ceiling), out=light)
    return ceiling


def clipped_level(light: Picture, stars: FoundStars) -> float | None:
    """The light at which clipped stars end; None for a plain picture or without any."""
    every = stars.every
    clipped = np.flatnonzero(every.flags & int(StarFlag.SATURATED))
    if light.ndim == 2 or len(clipped) == 0:
        return None
    height, width = light.shape[:2]
    peaks = []
    for k in clipped:
        x, y = round(float(every.x_px[k])), round(float(every.y_px[k]))
        if 1 <= x < width - 1 and 1 <= y < height - 1:
            peaks.append(light[y - 1 : y + 2, x - 1 : x + 2].max(axis=(0, 1)))
    if not peaks:
        return None
    ceiling = float(np.quantile(np.array(peaks).min(axis=1), 0.2))
    return ceiling if ceiling > 0 else None


def _brightness_noise(prepared: Prepared, gains: tuple[float, ...]) -> tuple[float, float]:
    """Noise of a sky pixel's brightness, and the variance that an ADU of light adds to it."""
    _, sigma = sky_level(prepared)
    slope = np.asarray(prepared.scene.noise.per_adu, dtype=np.float64)
    if prepared.light.ndim == 2:
        return sigma, float(slope.mean())
    weights = np.array([0.25, 0.5, 0.25])
    return sigma, float((weights**2 * np.asarray(gains) * slope).sum())


def _settle_detail(
    prepared: Prepared, recipe: Recipe, sigma: float, notes: list[str]
) -> DetailStep:
    """Strengths that were left open, from the noise and what stands out of it."""
    step = recipe.detail
    levels = levels_of(prepared, recipe)
    level, _ = sky_level(prepared)
    shown = levels.steepness(level - levels.black[0]) * sigma
    changes: dict[str, float] = {}
    if step.quiet is None:
        share = (shown - VISIBLE_NOISE) / (HEAVY_NOISE - VISIBLE_NOISE)
        changes["quiet"] = round(float(np.clip(share, 0.0, 1.0)) * 0.8, 2)
    core = core_of(prepared)
    if step.sharpen is None:
        stars = prepared.scene.stars
        bright = stars.sound.snr[:50]
        why = can_sharpen(stars.sound, stars.fwhm_px)
        if not why and float(np.median(bright)) < SHARPENED_SNR:
            why = "the stars stand too little out of the noise"
        changes["sharpen"] = 0.0 if why else 0.5
    elif step.sharpen > 0:
        why = can_sharpen(prepared.scene.stars.sound, prepared.scene.stars.fwhm_px)
        if why:
            notes.append(f"not sharpened: {why}")
            changes["sharpen"] = 0.0
    if step.local_contrast is None:
        structured = prepared.scene.subject_kind in ("galaxy", "hydrogen", "planetary")
        carried = core is not None and core[0] > 20.0 * sigma
        changes["local_contrast"] = 0.3 if structured and carried else 0.0
    return step.model_copy(update=changes)


def screen_of(prepared: Prepared, recipe: Recipe) -> npt.NDArray[np.float32]:
    """sRGB values 0–1 of the prepared light under a filled recipe: what sliders show."""
    step = recipe.stretch
    black, white, soft = step.black_adu, step.white_adu, step.softening_adu
    assert black is not None and white is not None and soft is not None
    stretch = Stretch((black,), soft, max(white - black, 1e-6 * soft))
    light = prepared.light
    stars = prepared.scene.stars
    light = smaller_stars(light, stars.every, stars.fwhm_px, strength=recipe.detail.smaller_stars)
    out = np.empty(light.shape, dtype=np.float32)
    for y in range(0, light.shape[0], ROWS):
        rows = light[y : y + ROWS]
        out[y : y + ROWS] = to_screen(rows, stretch, saturation=recipe.colour.saturation)
    return local_contrast(
        out, strength=recipe.detail.local_contrast or 0.0, sky_shade=step.sky_shade
    )


def sixteen_bit(screen: npt.NDArray[np.float32]) -> npt.NDArray[np.uint16]:
    """The screen picture in 16 bits, rounded."""
    out = np.empty(screen.shape, dtype=np.uint16)
    for y in range(0, screen.shape[0], ROWS):
        out[y : y + ROWS] = np.rint(screen[y : y + ROWS] * np.float32(65535.0))
    return out
