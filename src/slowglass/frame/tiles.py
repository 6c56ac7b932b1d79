"""A large picture as squares for a screen: the pixels, and levels each half the size of the last.

Level 0 are the pixels themselves. The others hold block means, coded in 16 bits so that a step
is far below the noise at the sky and 0.03 % of bright light. A square leaves in 8 bits, in the
coding asked for: each resolves another range of brightness, and the screen picks the one whose
range it shows.

Colour mosaics: level 0 is demosaiced square by square, level 1 takes each 2 × 2 cell as one
pixel with red and blue moved to its middle (cubic convolution, Keys 1981, IEEE ASSP 29, 1153).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from slowglass.frame.bayer import COLOURS, demosaic
from slowglass.frame.image import Bayer
from slowglass.frame.screen import srgb, srgb_to_linear
from slowglass.frame.stretch import Stretch, measure_stretch, sky_of

Floats = npt.NDArray[np.float32]
Codes = npt.NDArray[np.uint16]
Eight = npt.NDArray[np.uint8]

TILE_PX = 512
QUICK_PX = 1600
"""The stretch is measured on the first level not longer than this, as for other quick looks."""
TOP = 65535
_MARGIN = 2
"""Pixels around a square that its demosaicing needs; even, so that the mosaic stays in phase."""
_QUARTER = np.array([-0.0703125, 0.8671875, 0.2265625, -0.0234375], dtype=np.float32)
"""Keys' kernel (a = −1/2) a quarter of a pixel on."""
_STEPS = range(-1, 9)
_DEEPEST = 12.0
"""Noise widths below the sky that a coding still tells apart."""


@dataclass(frozen=True)
class Coding:
    """Light counted from the sky as a share 0–1: (asinh(x / soft) − low) / (high − low).

    With ``soft`` 0 the share is the sRGB value of x / ``high``: a finished picture's own.
    """

    soft: float
    low: float
    high: float

    def share(self, light: npt.ArrayLike) -> npt.NDArray[Any]:
        """Shares of light, cut to 0–1; float32 stays float32."""
        x = np.asarray(light)
        if not self.soft:
            return srgb(x / np.float32(self.high))
        step = np.float32(1.0 / (self.high - self.low))
        bent = np.arcsinh(x * np.float32(1.0 / self.soft))
        return np.clip((bent - np.float32(self.low)) * step, 0.0, 1.0)

    def light(self, share: npt.ArrayLike) -> npt.NDArray[np.float64]:
        """Light of shares 0–1."""
        s = np.asarray(share, dtype=np.float64)
        if not self.soft:
            return srgb_to_linear(s) * self.high
        return np.asarray(self.soft * np.sinh(self.low + s * (self.high - self.low)))


@dataclass(frozen=True, eq=False)
class Pyramid:
    """A picture in levels; everything a square, a value or a quick look is made from.

    ``pixels`` are uint16 where that is exact, with ``offset`` to be added, else float32. ``coarse``
    holds levels 1 and up as (rows, columns, channels) codes of ``master``. ``sky`` is the level
    light is counted from, one a channel, ``sigma`` the noise of the level measured.
    """

    pixels: npt.NDArray[Any]
    offset: float
    bayer: Bayer | None
    coarse: tuple[Codes, ...]
    sky: tuple[float, ...]
    sigma: float
    master: Coding
    codings: tuple[Coding, ...]
    tables: tuple[Eight, ...]
    """For each coding the 8-bit code of every code of ``master``."""
    stretch: Stretch
    finished: bool

    @property
    def channels(self) -> int:
        """3 for colour, else 1."""
        return len(self.sky)

    @property
    def sizes(self) -> tuple[tuple[int, int], ...]:
        """(width, height) of every level."""
        return tuple((a.shape[1], a.shape[0]) for a in (self.pixels, *self.coarse))

    @property
    def nbytes(self) -> int:
        """Memory held."""
        return self.pixels.nbytes + sum(a.nbytes for a in self.coarse)

    def value(self, x: int, y: int) -> tuple[float, ...]:
        """The pixel as read, one value or one a colour; ``IndexError`` outside the picture."""
        if not (0 <= x < self.pixels.shape[1] and 0 <= y < self.pixels.shape[0]):
            raise IndexError(f"pixel {x}, {y} is outside the picture")
        return tuple(float(v) + self.offset for v in np.atleast_1d(self.pixels[y, x]))

    def colour(self, x: int, y: int) -> str:
        """ "R", "G" or "B" of a mosaic's pixel; empty when not a mosaic."""
        return "" if self.bayer is None else self.bayer[2 * (y % 2) + x % 2]


def build_pyramid(
    pixels: Floats, *, bayer: Bayer | None = None, finished: bool = False, white: float = 65535.0
) -> Pyramid:
    """The levels of a picture, linear float32, (rows, columns) or (rows, columns, 3).

    ``finished`` pictures were made for the eye and are shown as they are, ``white`` as white;
    others get the quick look's stretch.
    """
    levels = coarse_levels(pixels, bayer)
    quick = next((a for a in levels if max(a.shape[:2]) <= QUICK_PX), levels[-1])
    # A mosaic's red and blue swing a little beyond the pixels they are drawn from.
    lowest = min(float(pixels.min()), float(levels[0].min()))
    highest = max(float(pixels.max()), float(levels[0].max()))
    if finished:
        sky, sigma = (0.0,) * quick.shape[2], 0.0
        stretch = Stretch(sky, white, white)
        master = Coding(0.0, 0.0, white)
        codings: tuple[Coding, ...] = (master,)
    else:
        sparse = quick[::2, ::2]  # a quarter of the values tells the level as well
        skies = [sky_of(sparse[..., c]) for c in range(quick.shape[2])]
        sky = tuple(level for level, _ in skies)
        stretch = measure_stretch(quick if quick.shape[2] == 3 else quick[..., 0])
        spread = max(highest - lowest, 1e-6)
        sigma = max(float(np.mean([s for _, s in skies])), 1e-4 * spread)
        least, most = lowest - max(sky), max(highest - min(sky), sigma)
        master = _coding(sigma, least, most)
        codings = tuple(
            _coding(soft, max(least, -max(_DEEPEST * sigma, 4.0 * soft)), most)
            for soft in (sigma * 4.0**k for k in _STEPS)
            if soft < 4.0 * most or soft == sigma * 4.0 ** _STEPS[0]
        )
    zero = np.asarray(sky, dtype=np.float32)
    coarse = tuple(_coded(level, zero, master) for level in levels)
    exact, offset = compact(pixels, rounded=finished)
    light = master.light(np.arange(TOP + 1) / TOP).astype(np.float32)
    tables = tuple(_eight(coding.share(light)) for coding in codings)
    return Pyramid(
        exact, offset, bayer, coarse, sky, sigma, master, codings, tables, stretch, finished
    )  # fmt: skip


def _eight(share: npt.NDArray[Any]) -> Eight:
    return np.rint(share * np.float32(255.0)).astype(np.uint8)


def _coding(soft: float, least: float, most: float) -> Coding:
    low = float(np.arcsinh(least / soft))
    return Coding(soft, low, max(float(np.arcsinh(most / soft)), low + 1e-6))


def _coded(level: Floats, zero: Floats, master: Coding) -> Codes:
    codes = np.empty(level.shape, dtype=np.uint16)
    if not master.soft:  # a power for every pixel is slow; a step of this table is 0.05 of 255
        table = np.rint(master.share(np.arange(TOP + 1) / TOP * master.high) * TOP)
        scale = np.float32(TOP / master.high)
        return np.asarray(table.astype(np.uint16)[np.rint(level * scale).astype(np.uint16)])
    for y in range(0, level.shape[0], TILE_PX):  # strips keep the floats in between small
        share = master.share(level[y : y + TILE_PX] - zero)
        codes[y : y + TILE_PX] = np.rint(share * np.float32(TOP))
    return codes


def coarse_levels(pixels: Floats, bayer: Bayer | None = None) -> list[Floats]:
    """Levels 1 and up as linear (rows, columns, channels), until one square holds the whole."""
    level = halve(pixels) if bayer is None else cells(pixels, bayer)
    levels = [level]
    while max(level.shape[:2]) > TILE_PX:
        level = halve(level)
        levels.append(level)
    return levels


def halve(image: Floats) -> Floats:
    """Means of 2 × 2 blocks, (rows, columns, channels); at an odd edge of what is there."""
    import cv2

    rows, columns = image.shape[:2]
    if rows % 2 or columns % 2:  # a doubled last row has the mean of the row itself
        edged = cv2.copyMakeBorder(image, 0, rows % 2, 0, columns % 2, cv2.BORDER_REPLICATE)
        image = np.asarray(edged, dtype=np.float32)
    size = (image.shape[1] // 2, image.shape[0] // 2)
    half = cv2.resize(np.ascontiguousarray(image), size, interpolation=cv2.INTER_AREA)
    return np.asarray(half, dtype=np.float32).reshape(size[1], size[0], -1)


def cells(pixels: Floats, bayer: Bayer) -> Floats:
    """A mosaic's 2 × 2 cells as (rows, columns, 3), every colour at the middle of its cell."""
    import cv2

    rows, columns = pixels.shape
    if rows % 2 or columns % 2:  # mirrored at the edge, so in phase
        edged = cv2.copyMakeBorder(pixels, 0, rows % 2, 0, columns % 2, cv2.BORDER_REFLECT_101)
        pixels = np.asarray(edged, dtype=np.float32)
    out = np.zeros((pixels.shape[0] // 2, pixels.shape[1] // 2, 3), dtype=np.float32)
    for place, letter in enumerate(bayer):
        row, column = divmod(place, 2)
        plane = np.ascontiguousarray(pixels[row::2, column::2])
        if letter == "G":  # the two greens' mean lies in the middle already
            out[..., 1] += 0.5 * plane
        else:
            along, across = (_QUARTER[:: 1 - 2 * odd] for odd in (column, row))
            anchor = (1 + column, 1 + row)
            out[..., COLOURS[letter]] = cv2.sepFilter2D(
                plane, cv2.CV_32F, along, across, anchor=anchor, borderType=cv2.BORDER_REFLECT_101
            )
    return out


def compact(pixels: Floats, *, rounded: bool = False) -> tuple[npt.NDArray[Any], float]:
    """The pixels as uint16 and what to add, where that is exact (or ``rounded``); else as given."""
    lowest = float(np.floor(pixels.min()))
    if float(pixels.max()) - lowest > TOP:
        return pixels, 0.0
    whole = np.empty(pixels.shape, dtype=np.uint16)
    for y in range(0, len(pixels), TILE_PX):  # strips: no second picture of floats
        part = pixels[y : y + TILE_PX]
        whole[y : y + TILE_PX] = np.rint(part - np.float32(lowest))
        if not rounded and not np.array_equal(whole[y : y + TILE_PX] + np.float32(lowest), part):
            return pixels, 0.0
    return whole, lowest


def tile(pyramid: Pyramid, level: int, column: int, row: int, coding: int) -> Eight:
    """One square in 8-bit codes, (rows, columns) or (rows, columns, 3), smaller at the edges.

    ``IndexError`` where there is no such square, level or coding.
    """
    sizes = pyramid.sizes
    if not (0 <= level < len(sizes) and 0 <= coding < len(pyramid.codings)):
        raise IndexError(f"no level {level} or no coding {coding}")
    width, height = sizes[level]
    x, y = column * TILE_PX, row * TILE_PX
    if not (0 <= x < width and 0 <= y < height):
        raise IndexError(f"no square {column}, {row} on level {level}")
    if level:
        part = pyramid.coarse[level - 1][y : y + TILE_PX, x : x + TILE_PX]
        square = pyramid.tables[coding][part]
    else:
        square = _eight(pyramid.codings[coding].share(_region(pyramid, x, y)))
    return square[..., 0] if pyramid.channels == 1 else square


def _region(pyramid: Pyramid, x: int, y: int) -> Floats:
    """Light above the sky of a square of level 0, (rows, columns, channels)."""
    left, top = max(0, x - _MARGIN), max(0, y - _MARGIN)
    part = pyramid.pixels[top : y + TILE_PX + _MARGIN, left : x + TILE_PX + _MARGIN]
    light = part.astype(np.float32) + np.float32(pyramid.offset)
    light = light if pyramid.bayer is None else demosaic(light, pyramid.bayer)
    light = light[y - top : y - top + TILE_PX, x - left : x - left + TILE_PX]
    light = light.reshape(*light.shape[:2], pyramid.channels)
    return np.asarray(light - np.asarray(pyramid.sky, dtype=np.float32), dtype=np.float32)


def level_light(pyramid: Pyramid, level: int) -> Floats:
    """A coarse level (1 and up) as linear light again, (rows, columns, channels)."""
    light = pyramid.master.light(np.arange(TOP + 1) / TOP).astype(np.float32)
    zero = np.asarray(pyramid.sky, dtype=np.float32)
    return np.asarray(light[pyramid.coarse[level - 1]] + zero, dtype=np.float32)
