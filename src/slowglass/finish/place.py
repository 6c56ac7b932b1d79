"""A strip of a calibrated frame brought to its place on the reference frame."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from slowglass.finish.bend import Fit
from slowglass.finish.geometry import Box, Place, local_affine, straight_tiles
from slowglass.finish.pixels import less_plane
from slowglass.finish.resample import cut_rings, develop, warp, widening
from slowglass.finish.skyflat import Surface
from slowglass.frame.image import Bayer

Pixels = npt.NDArray[np.float32]
Reader = Callable[[Box], Pixels]
"""Gives a copy of the pixels of a box of the calibrated frame, bad pixels mended."""
REACH = 8
"""Pixels around a block that demosaicing (2) and the Lanczos kernel (4) look at, and spare."""
BLOCK_BYTES = 2.5e8
"""Values of all frames at one place, for each thread: a gigabyte with four of them."""
MOST_PIXELS = 500_000
STEEP = 20.0
"""Height above the sky, in noise units, from which the kernel's dark rings show."""


@dataclass(frozen=True)
class Placed:
    """How one frame enters the sum."""

    where: Place
    skies: tuple[Surface, ...]
    """Sky of each colour plane of the mosaic (or each channel), in frame pixels."""
    factor: float = 1.0
    """Its star light over the reference's; values are divided by it."""
    weight: float = 1.0
    noise_adu: float = 0.0
    """Noise of one pixel after division by ``factor``."""
    fit: Fit | None = None
    """How the place was found; None where not by stars."""
    tint: tuple[float, ...] = ()
    """What brings each channel of another camera to the reference's colours; none for its own."""


def blocks(
    box: Box, frames: int, channels: int, *, budget_bytes: float = BLOCK_BYTES
) -> Iterator[Box]:
    """The box cut into even-sized blocks so that all frames' values for one fit the budget.

    A block is the wider, the more rows it has, as the surroundings of a block are read again
    with the next; few frames give blocks of whole rows that fit the processor's cache.
    """
    pixels = min(max(budget_bytes / (4.0 * max(frames, 1) * channels), 48 * 64), MOST_PIXELS)
    width = int(min(box.width_px, max(64, 4 * np.sqrt(pixels))))
    across = int(np.ceil(box.width_px / width))
    width = int(np.ceil(box.width_px / across))
    height = int(max(16, pixels // width))
    for y in range(box.y0, box.y1, height):
        for x in range(box.x0, box.x1, width):
            yield Box(x, y, min(x + width, box.x1), min(y + height, box.y1))


def _source_box(where: Place, block: Box, width_px: int, height_px: int, reach: int) -> Box | None:
    """Even-aligned frame pixels that a block draws on, or None when it lies off the frame."""
    at = where.inverse().apply(block.grid(3))
    x0, y0 = np.floor(at.min(axis=0)).astype(int) - reach
    x1, y1 = np.ceil(at.max(axis=0)).astype(int) + reach + 1
    x0, y0 = max(0, x0 - x0 % 2), max(0, y0 - y0 % 2)
    x1, y1 = min(width_px, x1), min(height_px, y1)
    if x1 - x0 < 4 or y1 - y0 < 4:
        return None
    return Box(int(x0), int(y0), int(x1), int(y1))


def subtract_skies(pixels: Pixels, box: Box, skies: tuple[Surface, ...], mosaic: bool) -> None:
    """Take each colour's sky off the pixels of a box, in place."""
    terms = np.array([_tilt(sky) for sky in skies])
    if pixels.ndim == 2:
        less_plane(pixels, box.y0, box.x0, 2 if mosaic else 1, terms)
        return
    for c in range(pixels.shape[2]):
        less_plane(pixels[..., c], box.y0, box.x0, 1, terms[c : c + 1])


def _tilt(sky: Surface) -> tuple[float, float, float]:
    """A first-order surface as level at (0, 0), rise per column and rise per row."""
    level, right, down = (float(v) for v in sky.at([0, 1, 0], [0, 0, 1]))
    return level, right - level, down - level


def place_block(
    read: Reader,
    frame: Placed,
    block: Box,
    *,
    width_px: int,
    height_px: int,
    bayer: Bayer | None,
    channels: int,
) -> Pixels:
    """Sky-free linear values (channels, rows, columns) of a block of the reference frame.

    Scaled to the reference's star light; NaN where the frame does not reach. Interpolated with
    a Lanczos kernel of 4 lobes; its dark rings around steep stars are cut off.
    """
    out = np.full((channels, block.height_px, block.width_px), np.nan, dtype=np.float32)
    inverse = frame.where.inverse()
    reach = REACH + int(np.ceil(4 * (widening(local_affine(inverse, block)) - 1.0)))
    source = _source_box(frame.where, block, width_px, height_px, reach)
    if source is None:
        return out
    pixels = read(source)
    subtract_skies(pixels, source, frame.skies, bayer is not None)
    if frame.factor != 1.0:
        pixels *= np.float32(1.0 / frame.factor)
    planes = _planes(pixels, bayer)
    if frame.tint:
        planes = planes * np.array(frame.tint, dtype=np.float32)[:, None, None]
    if inverse.is_identity:
        y, x = block.y0 - source.y0, block.x0 - source.x0
        out[...] = planes[:, y : y + block.height_px, x : x + block.width_px]
        return out
    for tile in straight_tiles(inverse, block):
        matrix = local_affine(inverse, tile)
        # From the tile's own pixels to the source's.
        matrix[:, 2] += matrix[:, :2] @ [tile.x0, tile.y0] - [source.x0, source.y0]
        y, x = tile.y0 - block.y0, tile.x0 - block.x0
        out[:, y : y + tile.height_px, x : x + tile.width_px] = warp(
            planes, matrix, tile.height_px, tile.width_px
        )
    if frame.noise_adu > 0:
        cut_rings(out, frame.noise_adu, STEEP)
    return out


def _planes(pixels: Pixels, bayer: Bayer | None) -> Pixels:
    if bayer is not None:
        return develop(pixels, bayer)
    if pixels.ndim == 3:
        return np.ascontiguousarray(np.moveaxis(pixels, 2, 0))
    return pixels[None]
