"""The prepared picture, and the stretch that its sky's noise and its object's light ask for."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from slowglass.finish.combined import FoundStars, Picture
from slowglass.finish.compose import Cut
from slowglass.finish.known import Scene
from slowglass.finish.recipe import Recipe
from slowglass.frame.preview import shrink
from slowglass.frame.screen import srgb, srgb_to_linear
from slowglass.frame.stretch import Stretch, choose_levels, sky_of

MOST_SAMPLED = 4_000_000
MOST_CORE_PX = 2_000_000
VIEWED_PX = 1600
WHITE_OVER_CORE = (1.35, 2.5, 4.0, 8.0, 16.0)
"""White lies at the least of these multiples of the subject's core at which the sky, and not the
core, sets the stretch: a small bright core would keep its surroundings in the dark."""


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


def sky_level(prepared: Prepared, *, viewed: bool = False) -> tuple[float, float]:
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


def core_of(prepared: Prepared, saturation: float = 1.0) -> tuple[float, float] | None:
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
    part = light[y0:y1, x0:x1]
    # an object that fills a large picture is looked at through fewer pixels
    share = min(1.0, float(np.sqrt(MOST_CORE_PX / (part.shape[0] * part.shape[1]))))
    if share < 1.0:
        size = (round(part.shape[1] * share), round(part.shape[0] * share))
        part = np.asarray(cv2.resize(part, size, interpolation=cv2.INTER_AREA), np.float32)
    width_px *= share
    smooth = cv2.GaussianBlur(np.ascontiguousarray(part), (0, 0), max(width_px, 0.5))
    y, x = np.ogrid[0 : part.shape[0], 0 : part.shape[1]]
    depth = subject.depth((x + 0.5) / share - 0.5 + x0, (y + 0.5) / share - 0.5 + y0)
    inside = smooth[depth <= 1.0]
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
    made = levels_of(prepared, recipe)
    filled = {
        "black_adu": made.black[0],
        "white_adu": made.black[0] + made.white,
        "softening_adu": made.soft,
    }
    known = step.model_dump(exclude_none=True)
    return recipe.model_copy(update={"stretch": step.model_copy(update=filled | known)})


def levels_of(prepared: Prepared, recipe: Recipe) -> Stretch:
    """The stretch that suits the prepared light, whatever levels the recipe holds."""
    step = recipe.stretch
    layer = _brightness(prepared.light)
    level, sigma = sky_level(prepared, viewed=True)
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

    found = core_of(prepared, recipe.colour.saturation)
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
