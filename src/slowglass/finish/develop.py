"""From linear light to the picture for the eye, in two halves.

``prepare`` does what takes time: cut, colours, quieter noise, sharper detail; it leaves linear
light. ``screen_of`` does what sliders move: stretch, saturation, contrast, star size; on a
``smaller`` copy it answers at once, on the full one it is the picture that is exported. Both
are pure functions of pixels and recipe; ``settle_levels`` and the like fill in what a recipe
leaves open, so that the filled recipe gives the same picture to the bit.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from slowglass.finish.colour import ColourFit, apply_colour, fit_colour
from slowglass.finish.combined import FoundStars, Picture
from slowglass.finish.compose import Cut, compose
from slowglass.finish.geometry import Box
from slowglass.finish.gradient import SkySurface, fit_sky, subtract_sky
from slowglass.finish.known import Scene, measure_colours
from slowglass.finish.quiet import measure_noise, quieten
from slowglass.finish.recipe import CutStep, DetailStep, Recipe
from slowglass.finish.sharpen import can_sharpen, moffat_blur, sharpen
from slowglass.finish.touch import local_contrast, smaller_stars
from slowglass.frame.preview import shrink
from slowglass.frame.screen import srgb, srgb_to_linear
from slowglass.frame.stars import StarFlag
from slowglass.frame.stretch import ROWS, Stretch, choose_levels, sky_of, to_screen

MOST_SAMPLED = 4_000_000
VIEWED_PX = 1600
WHITE_OVER_CORE = (1.35, 2.5, 4.0, 8.0, 16.0)
"""White lies at the least of these multiples of the subject's core at which the sky, and not the
core, sets the stretch: a small bright core would keep its surroundings in the dark."""
VISIBLE_NOISE, HEAVY_NOISE = 0.006, 0.035
"""Noise on the screen below which nothing need be done, and at which all that helps is."""
SHARPENED_SNR = 30.0


@dataclass(frozen=True)
class Prepared:
    """Linear light of the cut in screen colours, ready for the sliders."""

    light: Picture
    scene: Scene
    """Stars, subject and coordinates on the cut."""
    cut: Cut
    flattened: bool
    """Whether the sky is at zero."""

    def smaller(self, longest_px: int) -> Prepared:
        """A copy for sliders: the longer side at most ``longest_px``."""
        share = longest_px / max(self.light.shape[:2])
        if share >= 1.0:
            return self
        small = shrink(self.light, longest_px)
        return replace(self, light=small, scene=_scaled(self.scene, share))


def _scaled(scene: Scene, share: float) -> Scene:
    def stars(found: FoundStars) -> FoundStars:
        lists = [
            replace(one, x_px=(one.x_px + 0.5) * share - 0.5, y_px=(one.y_px + 0.5) * share - 0.5)
            for one in (found.every, found.sound)
        ]
        return FoundStars(lists[0], lists[1], found.fwhm_px * share)

    subject = scene.subject
    if subject is not None:
        subject = replace(
            subject,
            x_px=(subject.x_px + 0.5) * share - 0.5,
            y_px=(subject.y_px + 0.5) * share - 0.5,
            long_px=subject.long_px * share,
            short_px=subject.short_px * share,
        )
    return replace(scene, stars=stars(scene.stars), subject=subject, wcs=None, objects=())


def flatten(picture: Picture, scene: Scene, recipe: Recipe) -> tuple[SkySurface | None, Recipe]:
    """Take the sky off, in place; the surface, and the recipe with its shape filled in."""
    if not recipe.sky.flatten:
        return None, recipe
    sky = fit_sky(picture, scene.glowing, shape=recipe.sky.shape)
    subtract_sky(picture, sky)
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


def prepare(
    picture: Picture, scene: Scene, recipe: Recipe, notes: list[str]
) -> tuple[Prepared, Recipe]:
    """The flattened picture cut, coloured, quietened and sharpened; and the recipe filled in."""
    cut, cut_step = settle_cut(picture, scene, recipe.cut)
    gains, spread = recipe.colour.gains or (1.0, 1.0, 1.0), recipe.colour.spread or (0.0, 0.0)
    light = apply_colour(cut.apply(picture), gains, spread)
    here = scene.on(cut)
    whiten_clipped(light, here.stars)
    prepared = Prepared(light, here, cut, recipe.sky.flatten)
    recipe = recipe.model_copy(update={"cut": cut_step})
    sigma, per_adu = _brightness_noise(prepared, gains)
    detail = _settle_detail(prepared, recipe, sigma, notes)
    del prepared  # with the light of before, which is as large as the picture
    if detail.quiet:
        noise = measure_noise(light, sky_adu=sigma, per_adu=per_adu)
        light = quieten(light, noise, strength=detail.quiet)
    if detail.sharpen:
        light = sharpen(
            light,
            moffat_blur(here.stars.fwhm_px),
            strength=detail.sharpen,
            sigma_adu=sigma,
            per_adu=per_adu,
            stars=here.stars.every,
        )
    made = Prepared(light, here, cut, recipe.sky.flatten)
    return made, recipe.model_copy(update={"detail": detail})


def whiten_clipped(light: Picture, stars: FoundStars) -> None:
    """Cut all colours at one level where clipped stars end, in place: their middles are white.

    A clipped channel no longer says how bright its colour is; left alone, the balance would
    tint the middles of all clipped stars alike.
    """
    every = stars.every
    clipped = np.flatnonzero(every.flags & int(StarFlag.SATURATED))
    if light.ndim == 2 or len(clipped) == 0:
        return
    height, width = light.shape[:2]
    peaks = []
    for k in clipped:
        x, y = round(float(every.x_px[k])), round(float(every.y_px[k]))
        if 1 <= x < width - 1 and 1 <= y < height - 1:
            peaks.append(light[y - 1 : y + 2, x - 1 : x + 2].max(axis=(0, 1)))
    if peaks:
        ceiling = float(np.quantile(np.array(peaks).min(axis=1), 0.2))
        if ceiling > 0:
            np.minimum(light, np.float32(ceiling), out=light)


def _brightness(light: Picture) -> Picture:
    """Mean of the channels, sampled to a few million pixels."""
    step = max(1, int(np.sqrt(light.shape[0] * light.shape[1] / MOST_SAMPLED)))
    part = light[::step, ::step]
    return part if part.ndim == 2 else part.mean(axis=2)


def _as_viewed(light: Picture) -> Picture:
    """Mean of the channels of the picture at the size it is looked at as a whole."""
    longest = max(light.shape[:2])
    small = shrink(light, min(longest // 2, VIEWED_PX)) if longest > 64 else light
    return small if small.ndim == 2 else np.asarray(small.mean(axis=2), dtype=np.float32)


def _brightness_noise(prepared: Prepared, gains: tuple[float, ...]) -> tuple[float, float]:
    """Noise of a sky pixel's brightness, and the variance that an ADU of light adds to it."""
    _, sigma = _sky(prepared)
    slope = np.asarray(prepared.scene.noise.per_adu, dtype=np.float64)
    if prepared.light.ndim == 2:
        return sigma, float(slope.mean())
    weights = np.array([0.25, 0.5, 0.25])
    return sigma, float((weights**2 * np.asarray(gains) * slope).sum())


def _sky(prepared: Prepared, *, viewed: bool = False) -> tuple[float, float]:
    """Level and noise of the cut's sky: by construction zero where it was flattened.

    The noise is that of one pixel, or of the picture as it is ``viewed``.
    """
    layer = _as_viewed(prepared.light) if viewed else _brightness(prepared.light)
    level, sigma = sky_of(layer)
    if prepared.flattened:
        below = layer[layer < 0.0]
        if below.size > 0.02 * layer.size:
            return 0.0, float(np.sqrt(np.mean(np.square(below, dtype=np.float64))))
    return level, sigma


def _settle_detail(
    prepared: Prepared, recipe: Recipe, sigma: float, notes: list[str]
) -> DetailStep:
    """Strengths that were left open, from the noise and what stands out of it."""
    step = recipe.detail
    levels = _levels(prepared, recipe)
    level, _ = _sky(prepared)
    shown = levels.steepness(level - levels.black[0]) * sigma
    changes: dict[str, float] = {}
    if step.quiet is None:
        share = (shown - VISIBLE_NOISE) / (HEAVY_NOISE - VISIBLE_NOISE)
        changes["quiet"] = round(float(np.clip(share, 0.0, 1.0)) * 0.8, 2)
    core = _core(prepared)
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


def _core(prepared: Prepared, saturation: float = 1.0) -> tuple[float, float] | None:
    """The subject's brightest smooth light above the sky, and its tint: mean over highest channel.

    None without a subject that glows.
    """
    import cv2

    subject = prepared.scene.subject
    if subject is None or prepared.scene.subject_kind == "cluster":
        return None
    light = prepared.light
    height, width = light.shape[:2]
    reach = subject.long_px
    x0, x1 = int(max(0, subject.x_px - reach)), int(min(width, subject.x_px + reach + 1))
    y0, y1 = int(max(0, subject.y_px - reach)), int(min(height, subject.y_px + reach + 1))
    if x1 - x0 < 8 or y1 - y0 < 8:
        return None
    fwhm = prepared.scene.stars.fwhm_px
    width_px = min(float(np.clip(fwhm, 2.0, 12.0)) if fwhm > 0 else 3.0, 0.25 * reach + 1.0)
    smooth = cv2.GaussianBlur(np.ascontiguousarray(light[y0:y1, x0:x1]), (0, 0), width_px)
    y, x = np.mgrid[y0:y1, x0:x1]
    inside = smooth[subject.depth(x, y) <= 1.0]
    if not len(inside):
        return None
    if inside.ndim == 1:
        return float(np.quantile(inside, 0.998)), 1.0
    mean = inside.mean(axis=1)
    level = float(np.quantile(mean, 0.998))
    colour = inside[mean >= level].mean(axis=0)
    highest = level + saturation * (float(colour.max()) - float(colour.mean()))
    return level, float(np.clip(level / max(highest, 1e-9), 0.2, 1.0))


def settle_levels(prepared: Prepared, recipe: Recipe) -> Recipe:
    """The recipe with black, white and softening filled in from sky noise and object light."""
    step = recipe.stretch
    if None not in (step.black_adu, step.white_adu, step.softening_adu):
        return recipe
    made = _levels(prepared, recipe)
    filled = {
        "black_adu": made.black[0],
        "white_adu": made.black[0] + made.white,
        "softening_adu": made.soft,
    }
    known = step.model_dump(exclude_none=True)
    return recipe.model_copy(update={"stretch": step.model_copy(update=filled | known)})


def _levels(prepared: Prepared, recipe: Recipe) -> Stretch:
    step = recipe.stretch
    layer = _brightness(prepared.light)
    level, sigma = _sky(prepared, viewed=True)
    peak = float(np.quantile(layer, 0.99999)) if layer.size else level
    darkest = float(np.quantile(layer, 5e-4)) if layer.size else level
    darkest = min(darkest, level - 1e-6 * max(1.0, abs(level)))

    def made(white: float, core: float | None, top: float) -> Stretch:
        found = choose_levels(
            sky=level,
            sigma=sigma,
            white=white,
            darkest=darkest,
            highlight=core,
            sky_shade=step.sky_shade,
            noise_shade=step.noise_shade,
            highlight_shade=top,
        )
        black = tuple(float(b) for b in found.black)
        return Stretch(black, float(found.soft), float(found.white))

    found = _core(prepared, recipe.colour.saturation)
    if found is None or found[0] <= 3.0 * sigma:
        return made(peak, None, step.highlight_shade)
    core, tint = found
    # of a coloured core the highest channel, not the mean, must stay below white
    top = float(srgb(srgb_to_linear(step.highlight_shade) * tint))
    levels = made(level + WHITE_OVER_CORE[0] * (core - level), core, top)
    for multiple in WHITE_OVER_CORE[1:]:
        if float(levels.shade(core - levels.black[0])) < 0.97 * top:
            break
        levels = made(level + multiple * (core - level), core, top)
    return levels


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
