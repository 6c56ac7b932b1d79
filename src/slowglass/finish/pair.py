"""One frame beside all of them: the same square of sky in the same stretch."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from slowglass.finish.colour import apply_colour
from slowglass.finish.combined import Picture
from slowglass.finish.compose import Cut
from slowglass.finish.develop import balance_of, screen_of, whiten_clipped
from slowglass.finish.geometry import Box
from slowglass.finish.gradient import fit_sky, subtract_sky
from slowglass.finish.known import Scene
from slowglass.finish.levels import Prepared, sky_level
from slowglass.finish.middles import heal_middles
from slowglass.finish.recipe import DetailStep, Recipe

SIDE_PX = 900
GAP_PX = 6

Eight = npt.NDArray[np.uint8]


def square_of(shape: tuple[int, ...], scene: Scene) -> Box:
    """The square about the subject that is shown of both."""
    height, width = shape[:2]
    side = min(SIDE_PX, height, width)
    subject = scene.subject
    x, y = (width / 2, height / 2) if subject is None else (subject.x_px, subject.y_px)
    x0 = int(np.clip(round(x - side / 2), 0, width - side))
    y0 = int(np.clip(round(y - side / 2), 0, height - side))
    return Box(x0, y0, x0 + side, y0 + side)


def around(box: Box, shape: tuple[int, ...]) -> Box:
    """A box with room for its corners when it is turned, inside the picture."""
    height, width = shape[:2]
    room = math.ceil(0.21 * box.width_px)
    return Box(
        max(0, box.x0 - room),
        max(0, box.y0 - room),
        min(width, box.x1 + room),
        min(height, box.y1 + room),
    )


def one_square(one: Picture, scene: Scene, recipe: Recipe) -> Picture:
    """The part ``around`` the square of a single frame, a sky surface of its own taken off.

    ``recipe`` holds the surface's shape. ``one`` is changed.
    """
    if recipe.sky.flatten:
        subtract_sky(one, fit_sky(one, scene.glowing, shape=recipe.sky.shape))
    part = around(square_of(one.shape, scene), one.shape)
    return one[part.y0 : part.y1, part.x0 : part.x1].copy()


def halves_of(
    one: Picture, every: Picture, part: Box, box: Box, scene: Scene, recipe: Recipe
) -> tuple[Eight, Eight]:
    """8-bit pictures of the square ``box`` in one frame and in all, which hold ``part`` of it.

    Both linear and flattened. Shown at true pixel scale, the right way up; noise is left as it
    is in both. ``recipe`` is filled in.
    """
    x0, y0 = box.x0 - part.x0, box.y0 - part.y0
    inside = Box(x0, y0, x0 + box.width_px, y0 + box.height_px)
    cut = Cut(inside, recipe.cut.turn_deg, recipe.cut.flip)
    here = scene.on(Cut(box, recipe.cut.turn_deg, recipe.cut.flip))
    plain = recipe.model_copy(
        update={"detail": DetailStep(quiet=0, sharpen=0, local_contrast=0, smaller_stars=0)}
    )
    gains, spread = balance_of(recipe)
    halves = []
    for square in (one, every):
        light = apply_colour(cut.apply(square), gains, spread)
        ceiling = whiten_clipped(light, here.stars)
        made = Prepared(light, here, cut, recipe.sky.flatten)
        heal_middles(light, here.stars, sigma_adu=sky_level(made)[1], ceiling_adu=ceiling)
        screen = screen_of(made, plain)
        halves.append(np.rint(screen * np.float32(255.0)).astype(np.uint8))
    return halves[0], halves[1]


def side_by_side(halves: tuple[Eight, Eight]) -> Eight:
    """Both as one picture with a gap: left a single frame, right the combined one."""
    left, right = halves
    gap = np.full((left.shape[0], GAP_PX, *left.shape[2:]), 255, dtype=np.uint8)
    return np.concatenate([left, gap, right], axis=1)
