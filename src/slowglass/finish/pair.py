"""One frame beside all of them: the same square of sky in the same stretch."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from slowglass.finish.colour import apply_colour
from slowglass.finish.combined import Picture
from slowglass.finish.compose import Cut
from slowglass.finish.develop import screen_of
from slowglass.finish.geometry import Box
from slowglass.finish.gradient import fit_sky, subtract_sky
from slowglass.finish.known import Scene
from slowglass.finish.levels import Prepared
from slowglass.finish.recipe import DetailStep, Recipe

SIDE_PX = 900
GAP_PX = 6


def pair_of(one: Picture, every: Picture, scene: Scene, recipe: Recipe) -> npt.NDArray[np.uint8]:
    """8-bit picture: left a single frame, right the combined one, at true pixel scale.

    Both linear and on the same pixels; ``every`` is flattened already, ``one`` gets a sky
    surface of its own. Noise is left as it is in both. ``recipe`` is filled in.
    """
    one = one.copy()
    if recipe.sky.flatten:
        subtract_sky(one, fit_sky(one, scene.glowing, shape=recipe.sky.shape))
    height, width = every.shape[:2]
    side = min(SIDE_PX, height, width)
    subject = scene.subject
    x, y = (width / 2, height / 2) if subject is None else (subject.x_px, subject.y_px)
    x0 = int(np.clip(round(x - side / 2), 0, width - side))
    y0 = int(np.clip(round(y - side / 2), 0, height - side))
    cut = Cut(Box(x0, y0, x0 + side, y0 + side), recipe.cut.turn_deg, recipe.cut.flip)
    plain = recipe.model_copy(
        update={"detail": DetailStep(quiet=0, sharpen=0, local_contrast=0, smaller_stars=0)}
    )
    gains, spread = recipe.colour.gains or (1.0, 1.0, 1.0), recipe.colour.spread or (0.0, 0.0)
    halves = []
    for picture in (one, every):
        light = apply_colour(cut.apply(picture), gains, spread)
        screen = screen_of(Prepared(light, scene.on(cut), cut, True), plain)
        halves.append(np.rint(screen * np.float32(255.0)).astype(np.uint8))
    gap = np.full((side, GAP_PX, *halves[0].shape[2:]), 255, dtype=np.uint8)
    return np.concatenate([halves[0], gap, halves[1]], axis=1)
