"""A smaller copy of a picture that answers to sliders at once, and a loupe at true scale.

The same steps as for the export run on fewer pixels: the linear light, cut and coloured, is
averaged down, then quietened with as many fewer scales as it is smaller, sharpened where its
stars are still wide enough, and stretched. The loupe takes a small part of the full light with
room around it and noise measured on the whole, so that its pixels are the export's.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from slowglass.finish.colour import apply_colour
from slowglass.finish.combined import FoundStars, Picture
from slowglass.finish.compose import Cut
from slowglass.finish.develop import balance_of, light_up, quietened, screen_of, sharpened
from slowglass.finish.geometry import Box
from slowglass.finish.known import Scene
from slowglass.finish.levels import Prepared, sky_level
from slowglass.finish.middles import heal_middles
from slowglass.finish.quiet import HALO_PX, SCALES, LayerNoise, measure_noise
from slowglass.finish.recipe import CutStep, Recipe
from slowglass.finish.sharpen import can_sharpen
from slowglass.finish.touch import contrast_gain, raised

LONGEST_PX = 800
LOUPE_PX = 300

Eight = npt.NDArray[np.uint8]


@dataclass(frozen=True, eq=False)
class Proxy:
    """A cut of the picture at a smaller scale, linear, with what a loupe on the whole needs."""

    small: Prepared
    share: float
    """Proxy pixels to a pixel of the picture."""
    scene: Scene
    """On the cut at full scale."""
    cut: Cut
    step: CutStep
    """The recipe's step, filled in."""
    ceiling_adu: float | None
    sigma_adu: float
    per_adu: float
    """Noise of the brightness at full scale, as of ``Lit``."""
    sky_adu: float
    """Level of the sky."""
    noise: LayerNoise
    """At full scale."""

    @cached_property
    def small_noise(self) -> tuple[float, float, LayerNoise]:
        """Brightness noise, its growth with light, and noise by scales, of the smaller copy."""
        _, sigma = sky_level(self.small)
        # light's own noise is averaged down as much as the sky's
        growth = self.per_adu * (sigma / self.sigma_adu) ** 2 if self.sigma_adu > 0 else 0.0
        found = measure_noise(self.small.light, sky_adu=sigma, per_adu=growth)
        left = max(1, SCALES - round(np.log2(1.0 / self.share)))
        scales = tuple(layer[:left] for layer in found.sigma_adu)
        return sigma, growth, replace(found, sigma_adu=scales)

    def quiet(self, strength: float) -> Picture:
        """The smaller light with its noise lowered."""
        if not strength:
            return self.small.light
        return quietened(
            self.small.light, self.small_noise[2], strength, flattened=self.small.flattened
        )

    def sharp(self, quiet: Picture, strength: float) -> Picture:
        """The quietened light sharpened, where its stars are still wide enough to show it."""
        stars = self.small.scene.stars
        if not strength or can_sharpen(stars.sound, stars.fwhm_px):
            return quiet
        sigma, growth, _ = self.small_noise
        return sharpened(quiet, stars, strength, sigma, growth)

    def screen(self, light: Picture, recipe: Recipe) -> Picture:
        """sRGB values 0–1 of the smaller light (quietened and sharpened) under a filled recipe."""
        return screen_of(replace(self.small, light=light), recipe)

    def loupe_box(self, x_share: float, y_share: float, side_px: int = LOUPE_PX) -> Box:
        """The square of the cut about a place, given as shares of its width and height."""
        width, height = self.cut.box.width_px, self.cut.box.height_px
        side_x, side_y = min(side_px, width), min(side_px, height)
        x0 = int(np.clip(round(x_share * width - side_x / 2), 0, width - side_x))
        y0 = int(np.clip(round(y_share * height - side_y / 2), 0, height - side_y))
        return Box(x0, y0, x0 + side_x, y0 + side_y)

    def with_room(self, box: Box) -> Box:
        """A square of the cut with all around it that has a say in its pixels."""
        b = self.cut.box
        return Box(
            max(0, box.x0 - HALO_PX),
            max(0, box.y0 - HALO_PX),
            min(b.width_px, box.x1 + HALO_PX),
            min(b.height_px, box.y1 + HALO_PX),
        )

    def loupe(
        self, linear: Picture, room: Box, box: Box, recipe: Recipe, whole: Picture | None
    ) -> Picture:
        """sRGB values 0–1 of ``box`` at true scale.

        ``linear`` is the flattened picture in ``room`` (both boxes are the cut's), not coloured;
        ``whole`` the proxy's screen before local contrast, where that is wanted: it decides.
        """
        light = apply_colour(linear, *balance_of(recipe))
        if self.ceiling_adu is not None:
            np.minimum(light, np.float32(self.ceiling_adu), out=light)
        here = _moved(self.scene.stars, room)
        heal_middles(light, here, sigma_adu=self.sigma_adu, ceiling_adu=self.ceiling_adu)
        detail = recipe.detail
        if detail.quiet:
            light = quietened(light, self.noise, detail.quiet, flattened=recipe.sky.flatten)
        if detail.sharpen and not can_sharpen(self.scene.stars.sound, here.fwhm_px):
            light = sharpened(light, here, detail.sharpen, self.sigma_adu, self.per_adu)
        plain = recipe.model_copy(
            update={"detail": detail.model_copy(update={"local_contrast": 0})}
        )
        made = Prepared(light, replace(self.scene, stars=here), self.cut, self.small.flattened)
        screen = screen_of(made, plain)
        screen = screen[box.y0 - room.y0 : box.y1 - room.y0, box.x0 - room.x0 : box.x1 - room.x0]
        if detail.local_contrast and whole is not None:
            gain = contrast_gain(
                whole, strength=detail.local_contrast, sky_shade=recipe.stretch.sky_shade
            )
            screen = raised(screen, self._part_of(gain, box))
        return screen

    def _part_of(self, small: Picture, box: Box) -> Picture:
        """A box of the cut out of a small copy of it, enlarged."""
        import cv2

        rows, columns = small.shape
        width, height = self.cut.box.width_px, self.cut.box.height_px
        x = (np.arange(box.x0, box.x1) + 0.5) * (columns / width) - 0.5
        y = (np.arange(box.y0, box.y1) + 0.5) * (rows / height) - 0.5
        map_x, map_y = np.meshgrid(x.astype(np.float32), y.astype(np.float32))
        return np.asarray(
            cv2.remap(small, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        )


def _moved(stars: FoundStars, room: Box) -> FoundStars:
    lists = [
        replace(one, x_px=one.x_px - room.x0, y_px=one.y_px - room.y0)
        for one in (stars.every, stars.sound)
    ]
    return FoundStars(lists[0], lists[1], stars.fwhm_px)


def proxy_of(picture: Picture, scene: Scene, recipe: Recipe, *, longest_px: int) -> Proxy:
    """The proxy of a flattened linear picture under a recipe whose colours are filled in."""
    lit = light_up(picture, scene, recipe)
    full = lit.prepared
    small = full.smaller(longest_px)
    return Proxy(
        small=small,
        share=max(small.light.shape[:2]) / max(full.light.shape[:2]),
        scene=full.scene,
        cut=full.cut,
        step=lit.step,
        ceiling_adu=lit.ceiling_adu,
        sigma_adu=lit.sigma_adu,
        per_adu=lit.per_adu,
        sky_adu=sky_level(full, viewed=True)[0],
        noise=measure_noise(full.light, sky_adu=lit.sigma_adu, per_adu=lit.per_adu),
    )
