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
STAR_SIGMA = 2.5
"""A star's colour is believed from where its light stands this far out of the noise."""


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


def _quiet_tile(tile: Picture, noise: LayerNoise, strength: float) -> Picture:
    layers = layers_of(tile)
    level = _level(layers[0])
    growth = np.sqrt(1.0 + np.float32(noise.per_adu) * np.maximum(level, 0.0))
    trust: list[Picture] = []
    return _joined(
        [
            _quiet_layer(layer, noise.sigma_adu[k], growth, strength, trust, colour=k > 0)
            for k, layer in enumerate(layers)
        ]
    )


def _level(plane: Picture) -> Picture:
    import cv2

    return np.asarray(cv2.GaussianBlur(plane, (0, 0), 2.0), dtype=np.float32)


def _quiet_layer(
    layer: Picture,
    sigma: tuple[float, ...],
    growth: Picture,
    strength: float,
    trust: list[Picture],
    *,
    colour: bool,
) -> Picture:
    """One layer quietened; brightness leaves in ``trust`` where stars are, and colour keeps at
    least that: a star's colour is no noise."""
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
    if colour:
        gains = [np.maximum(mine, light) for mine, light in zip(gains, trust, strict=True)]
    else:
        best = np.maximum.reduce(gains[1:4])
        trust[:] = [_starlight(parts, sigma, growth)] * scales
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


def _starlight(parts: list[Picture], sigma: tuple[float, ...], growth: Picture) -> Picture:
    """1 where a star's light stands out, down to 0 a star's width beside it."""
    import cv2

    fine = np.zeros_like(parts[0])
    some = slice(1, 3) if len(sigma) > 1 else slice(0, 1)
    for part, _ in zip(parts[some], sigma[some], strict=False):
        fine += part
    noise2 = np.square(np.float32(np.sqrt(np.square(sigma[some]).sum())) * growth)
    energy = cv2.GaussianBlur(fine * fine, (0, 0), 1.0)
    return np.asarray(
        np.maximum(1.0 - STAR_SIGMA**2 * noise2 / np.maximum(energy, 1e-20), 0.0),
        dtype=np.float32,
    )


def _without_rings(quiet: Picture, before: Picture, trust: Picture) -> Picture:
    """Near light that was kept, nothing may be darker than the lowest of its surroundings was."""
    import cv2

    soft = cv2.GaussianBlur(before, (0, 0), 2.0)
    floor = cv2.erode(soft, np.ones((5, 5), np.uint8))
    near = cv2.dilate(trust, np.ones((15, 15), np.uint8))
    return np.asarray(quiet + near * (np.maximum(quiet, floor) - quiet), dtype=np.float32)
