"""Quieter noise: only as much taken as the measured noise explains.

The picture is taken apart into an undecimated wavelet (à trous with a B3 spline; Starck &
Murtagh 2006, Astronomical Image and Data Analysis, ch. 2). In each scale the noise is measured
on the picture's own empty sky, so that noise which interpolation spread over neighbours counts
as what it is, and grows with the light by the noise model. Each coefficient keeps the share
that its neighbourhood's energy has beyond the noise's (a local Wiener filter). Brightness keeps
a rest of its grain, colour next to none: the eye forgives the one and not the other.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from slowglass.finish.combine import MAD_TO_SIGMA

Picture = npt.NDArray[np.float32]

SCALES = 5
SPLINE = (1 / 16, 4 / 16, 6 / 16, 4 / 16, 1 / 16)
RINGLESS_FROM = 2
"""Finest scale that is kept around light of all coarser ones."""
TILE_PX = (1024, 1536)
HALO_PX = 160
"""Reach of the wavelet (62), the energies (26) and the widened shares (62), together."""
COLOUR_STRENGTH = 1.8
"""Colour noise is taken this much more firmly than brightness noise."""
STAR_SIGMA, STAR_EDGE_SIGMA = 5.0, 1.5
"""How far a star stands out of the noise where it is found, and at its rim."""
STAR_REACH_PX = 16
CLEAR_SIGMA = 60.0
STAR_SOFT_PX, STAR_COLOUR_PX = 0.7, 3.0


SKY_REACHES = ((2.0, 1), (8.0, 3))
"""Blurs in which light must stand out to keep its colour, and the finest scale they leave."""
SKY_COLOUR_SHARE = 2.0
SKY_ROWS, SKY_HALO_PX = 512, 40


@dataclass(frozen=True)
class LayerNoise:
    """Noise on empty sky of brightness and the two colour differences in each scale, ADU.

    As many scales are made quieter as it holds.
    """

    sigma_adu: tuple[tuple[float, ...], ...]
    per_adu: float = 0.0
    """Share by which the variance grows with each ADU of light: variance per ADU over that of
    one pixel of sky."""


def layers_of(picture: Picture) -> list[Picture]:
    """Brightness, and for a colour picture red − green and blue − green."""
    if picture.ndim == 2:
        return [picture]
    red, green, blue = (picture[..., c] for c in range(3))
    brightness = (0.25 * (red + blue) + 0.5 * green).astype(np.float32)
    return [brightness, red - green, blue - green]


def _joined(layers: list[Picture]) -> Picture:
    if len(layers) == 1:
        return layers[0]
    brightness, red, blue = layers
    green = brightness - np.float32(0.25) * (red + blue)
    return np.stack([green + red, green, green + blue], axis=-1)


def wavelet(plane: Picture, scales: int = SCALES) -> Iterator[Picture]:
    """The scales of a plane from fine to coarse, then the smooth rest; they add up to it."""
    import cv2

    smooth = plane
    for j in range(scales):
        kernel = np.zeros(4 * 2**j + 1, dtype=np.float32)
        kernel[:: 2**j] = SPLINE
        softer = cv2.sepFilter2D(smooth, cv2.CV_32F, kernel, kernel, borderType=cv2.BORDER_REFLECT)
        yield np.asarray(smooth - softer, dtype=np.float32)
        smooth = np.asarray(softer, dtype=np.float32)
    yield smooth


def measure_noise(
    picture: Picture, *, sky_adu: float, per_adu: float, largest_px: int = 1400
) -> LayerNoise:
    """The noise of each scale on the emptiest parts of the picture.

    ``sky_adu`` is the noise of one pixel and ``per_adu`` the variance that an ADU of light adds
    (ADU). A large picture is sampled in four patches.
    """
    patches = [layers_of(patch) for patch in _patches(picture, largest_px)]
    sigma = []
    for k in range(len(patches[0])):
        values: list[list[Picture]] = [[] for _ in range(SCALES)]
        for patch in patches:
            for j, layer in enumerate(wavelet(patch[k])):
                if j < SCALES:
                    values[j].append(layer.ravel())
        sigma.append(tuple(_lower_scatter(np.concatenate(v)) for v in values))
    grown = per_adu / sky_adu**2 if sky_adu > 0 and np.isfinite(sky_adu) else 0.0
    return LayerNoise(tuple(sigma), float(grown))


def _patches(picture: Picture, largest_px: int) -> list[Picture]:
    high, wide = picture.shape[:2]
    if max(high, wide) <= largest_px:
        return [picture]
    h, w = min(high, largest_px // 2), min(wide, largest_px // 2)
    corners = [(y, x) for y in (0, high - h) for x in (0, wide - w)]
    return [np.ascontiguousarray(picture[y : y + h, x : x + w]) for y, x in corners]


def _lower_scatter(values: Picture) -> float:
    """Robust noise of values among which some carry light."""
    middle = float(np.median(values))
    sigma = MAD_TO_SIGMA * float(np.median(np.abs(values - middle)))
    near = values[np.abs(values - middle) < 3.0 * sigma]
    if near.size == 0:
        return sigma
    return MAD_TO_SIGMA * float(np.median(np.abs(near - np.median(near)))) * 1.01


def quieten(picture: Picture, noise: LayerNoise, *, strength: float) -> Picture:
    """The picture with its noise lowered; ``strength`` 0 leaves it, 1 takes all that is noise.

    Linear in, linear out; the mean of a wide patch changes by a few hundredths of a pixel's
    noise. Made in tiles: some 200 MB beside the result.
    """
    if strength <= 0:
        return picture
    out = np.empty_like(picture)
    height, width = picture.shape[:2]
    for y in range(0, height, TILE_PX[0]):
        for x in range(0, width, TILE_PX[1]):
            y1, x1 = min(height, y + TILE_PX[0]), min(width, x + TILE_PX[1])
            top, left = max(0, y - HALO_PX), max(0, x - HALO_PX)
            tile = picture[top : y1 + HALO_PX, left : x1 + HALO_PX]
            quiet = _quiet_tile(np.ascontiguousarray(tile), noise, strength)
            out[y:y1, x:x1] = quiet[y - top : y1 - top, x - left : x1 - left]
    return out


def neutral_sky(light: Picture, noise: LayerNoise, *, strength: float) -> None:
    """Take the colour off where there is no light but the sky's, in place; the sky is at zero.

    What colour is left there is coarse noise: wide blotches that no other step reaches. Light
    that stands out, be it of a star or of a wide faint cloud, keeps its own.
    """
    if light.ndim == 2 or strength <= 0:
        return
    share = np.float32(min(1.0, SKY_COLOUR_SHARE * strength))
    sigma = noise.sigma_adu[0]
    height = light.shape[0]
    # what is left of an ADU's noise after a blur: the scales that the blur does not reach
    doubts = [
        (reach, max(float(np.sqrt(np.square(sigma[first:]).sum())), 1e-9))
        for reach, first in SKY_REACHES
        if first < len(sigma)
    ]
    for y in range(0, height, SKY_ROWS):
        y1 = min(height, y + SKY_ROWS)
        top, low = max(0, y - SKY_HALO_PX), min(height, y1 + SKY_HALO_PX)
        # rows above are done already: their colour changed, their brightness did not
        seen = _standing_light(layers_of(light[top:low])[0], doubts)[y - top : y1 - top]
        part = light[y:y1]
        mean = layers_of(part)[0][..., None]
        keep = (np.float32(1.0) - share * (np.float32(1.0) - seen))[..., None]
        part[...] = mean + keep * (part - mean)


def _standing_light(brightness: Picture, doubts: list[tuple[float, float]]) -> Picture:
    """0 where the light is no more than noise in any width, 1 where it is four times that."""
    import cv2

    seen = np.zeros_like(brightness)
    for reach, doubt in doubts:
        smooth = cv2.GaussianBlur(brightness, (0, 0), reach)
        np.maximum(seen, np.clip((smooth / np.float32(doubt) - 1.5) / 2.5, 0.0, 1.0), out=seen)
    return np.asarray(cv2.GaussianBlur(seen, (0, 0), 2.0), dtype=np.float32)


def _quiet_tile(tile: Picture, noise: LayerNoise, strength: float) -> Picture:
    """Stars are lifted off, what is left is quietened, and they are put back as they were: no
    grain around them, no rings."""
    import cv2

    layers = layers_of(tile)
    level = _level(layers[0])
    growth = np.sqrt(1.0 + np.float32(noise.per_adu) * np.maximum(level, 0.0))
    starry, clear = _star_cover(layers[0], noise.sigma_adu[0], growth)
    sigma = np.float32(np.sqrt(np.square(noise.sigma_adu[0]).sum()))
    doubt = sigma * cv2.GaussianBlur(starry, (0, 0), STAR_COLOUR_PX)
    made: list[Picture] = []
    starlight = light = layers[0]
    for k, layer in enumerate(layers):
        stars = starry * (layer - _bridged(layer, starry))
        quiet = _quiet_layer(layer - stars, noise.sigma_adu[k], growth, strength, colour=k > 0)
        if k == 0:
            soft = cv2.GaussianBlur(stars, (0, 0), STAR_SOFT_PX)
            light = np.maximum(cv2.GaussianBlur(stars, (0, 0), STAR_COLOUR_PX), 0.0)
        else:
            # one colour all over a faint star, the paler the less it is known
            tint = cv2.GaussianBlur(stars, (0, 0), STAR_COLOUR_PX) / np.maximum(light + doubt, 1e-9)
            soft = starlight * tint
        share = np.float32(min(1.0, strength * (COLOUR_STRENGTH if k else 1.0)))
        stars = stars + share * (np.float32(1.0) - clear) * (soft - stars)
        starlight = stars if k == 0 else starlight
        made.append(np.asarray(quiet + stars, dtype=np.float32))
    return _joined(made)


def _star_cover(
    layer: Picture, sigma: tuple[float, ...], growth: Picture
) -> tuple[Picture, Picture]:
    """1 on stars that stand out of what lies around them, 0 elsewhere, soft in between; and 1
    where they are so bright that noise cannot be seen on them."""
    import cv2

    smooth = cv2.GaussianBlur(layer, (0, 0), 1.0)
    # what lies around: the median of a window of some 20 pixels
    small = cv2.resize(
        smooth, (max(1, layer.shape[1] // 4), max(1, layer.shape[0] // 4)),
        interpolation=cv2.INTER_AREA,
    )  # fmt: skip
    around = cv2.resize(
        cv2.medianBlur(np.ascontiguousarray(small), 5), layer.shape[::-1],
        interpolation=cv2.INTER_LINEAR,
    )  # fmt: skip
    # smoothing by a pixel takes about the finest scale's noise away
    rest = sigma[1:] or sigma
    noise = np.float32(np.sqrt(np.square(rest).sum())) * growth
    high = (smooth - around) / np.maximum(noise, np.float32(1e-12))
    cover = (high > STAR_SIGMA).astype(np.uint8)
    lit = (high > STAR_EDGE_SIGMA).astype(np.uint8)
    for _ in range(STAR_REACH_PX):
        cover = cv2.dilate(cover, np.ones((3, 3), np.uint8)) & lit
    cover = cv2.dilate(cover, np.ones((3, 3), np.uint8))
    soft = cv2.GaussianBlur(cover.astype(np.float32), (0, 0), 0.7)
    clear = cv2.GaussianBlur(np.clip(high / np.float32(CLEAR_SIGMA), 0.0, 1.0), (0, 0), 1.0)
    return np.asarray(soft, dtype=np.float32), np.asarray(clear, dtype=np.float32)


def _bridged(layer: Picture, cover: Picture) -> Picture:
    """The layer with what lies under the cover bridged from its surroundings."""
    import cv2

    open_sky = np.float32(1.0) - cover

    def around(reach_px: float) -> tuple[Picture, Picture]:
        weight = cv2.GaussianBlur(open_sky, (0, 0), reach_px)
        light = cv2.GaussianBlur(layer * open_sky, (0, 0), reach_px)
        mean = light / np.maximum(weight, np.float32(1e-6))
        return np.asarray(mean, dtype=np.float32), np.asarray(weight, dtype=np.float32)

    near, enough = around(3.0)
    wide, _ = around(12.0)
    return np.asarray(np.where(enough > 0.02, near, wide), dtype=np.float32)


def _level(plane: Picture) -> Picture:
    import cv2

    return np.asarray(cv2.GaussianBlur(plane, (0, 0), 2.0), dtype=np.float32)


def _quiet_layer(
    layer: Picture,
    sigma: tuple[float, ...],
    growth: Picture,
    strength: float,
    *,
    colour: bool,
) -> Picture:
    import cv2

    firmness = 1.0 + 2.0 * strength * (COLOUR_STRENGTH if colour else 1.0)
    share = np.float32(min(1.0, strength * (1.6 if colour else 1.0)))
    scales = len(sigma)
    parts = list(wavelet(layer, scales))
    gains: list[Picture] = []
    for j, part in enumerate(parts[:scales]):
        noise2 = np.square(np.float32(sigma[j]) * growth)
        reach = 2 * 2 ** min(j, 3) + 1
        energy = cv2.GaussianBlur(part * part, (0, 0), 0.5 * reach)
        kept = np.maximum(1.0 - firmness * noise2 / np.maximum(energy, 1e-20), 0.0)
        gains.append(np.asarray(kept, dtype=np.float32))
    best = np.maximum.reduce(gains[1:4])
    if not colour:
        # a scale that is kept needs the finer ones, whose lobes fill the dark ring of its own
        for j in range(scales - 2, RINGLESS_FROM - 1, -1):
            width = 4 * 2**j + 1
            gains[j] = np.maximum(
                gains[j], cv2.dilate(gains[j + 1], np.ones((width, width), np.uint8))
            )
    total = parts[-1]
    for part, kept in zip(parts, gains, strict=False):
        total = total + part * (np.float32(1.0) - share + share * kept)
    return np.asarray(total if colour else _without_rings(total, layer, best), dtype=np.float32)


def _without_rings(quiet: Picture, before: Picture, trust: Picture) -> Picture:
    """Near light that was kept, nothing may be darker than the lowest of its surroundings was."""
    import cv2

    soft = cv2.GaussianBlur(before, (0, 0), 2.0)
    floor = cv2.erode(soft, np.ones((5, 5), np.uint8))
    near = cv2.dilate(trust, np.ones((15, 15), np.uint8))
    return np.asarray(quiet + near * (np.maximum(quiet, floor) - quiet), dtype=np.float32)
