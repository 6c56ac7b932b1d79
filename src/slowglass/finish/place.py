"""A strip of a calibrated frame brought to its place on the reference frame."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from slowglass.finish.geometry import Box, Similarity
from slowglass.finish.skyflat import Surface
from slowglass.frame.image import Bayer

Pixels = npt.NDArray[np.float32]
Reader = Callable[[Box], Pixels]
"""Gives a copy of the pixels of a box of the calibrated frame, bad pixels mended."""
REACH = 8
"""Pixels around a block that demosaicing (2) and the Lanczos kernel (4) look at, and spare."""
STEEP = 20.0
"""Height above the sky, in noise units, from which the kernel's dark rings show."""


@dataclass(frozen=True)
class Placed:
    """How one frame enters the sum."""

    where: Similarity
    skies: tuple[Surface, ...]
    """Sky of each colour plane of the mosaic (or each channel), in frame pixels."""
    factor: float = 1.0
    """Its star light over the reference's; values are divided by it."""
    weight: float = 1.0
    noise_adu: float = 0.0
    """Noise of one pixel after division by ``factor``."""


def blocks(box: Box, frames: int, channels: int, *, budget_bytes: float = 3.0e8) -> Iterator[Box]:
    """The box cut into even-sized blocks so that all frames' values for one fit the budget."""
    pixels = max(budget_bytes / (4.0 * max(frames, 1) * channels), 64 * 64)
    width = int(min(box.width_px, max(64, 4 * np.sqrt(pixels))))
    across = int(np.ceil(box.width_px / width))
    width = int(np.ceil(box.width_px / across))
    height = int(max(16, pixels // width))
    for y in range(box.y0, box.y1, height):
        for x in range(box.x0, box.x1, width):
            yield Box(x, y, min(x + width, box.x1), min(y + height, box.y1))


def _source_box(where: Similarity, block: Box, width_px: int, height_px: int) -> Box | None:
    """Even-aligned frame pixels that a block draws on, or None when it lies off the frame."""
    corners = np.array(
        [[x, y] for x in (block.x0, block.x1 - 1) for y in (block.y0, block.y1 - 1)], float
    )
    at = where.inverse().apply(corners)
    x0, y0 = np.floor(at.min(axis=0)).astype(int) - REACH
    x1, y1 = np.ceil(at.max(axis=0)).astype(int) + REACH + 1
    x0, y0 = max(0, x0 - x0 % 2), max(0, y0 - y0 % 2)
    x1, y1 = min(width_px, x1), min(height_px, y1)
    if x1 - x0 < 4 or y1 - y0 < 4:
        return None
    return Box(int(x0), int(y0), int(x1), int(y1))


def subtract_skies(pixels: Pixels, box: Box, skies: tuple[Surface, ...], mosaic: bool) -> None:
    """Take each colour's sky off the pixels of a box, in place; the box starts on even pixels."""
    if mosaic:
        for k, sky in enumerate(skies):
            j, i = divmod(k, 2)
            plane = pixels[j::2, i::2]
            plane -= _sky_values(sky, box, (j, i), 2, plane.shape)
    elif pixels.ndim == 3:
        for c, sky in enumerate(skies):
            pixels[..., c] -= _sky_values(sky, box, (0, 0), 1, pixels.shape[:2])
    else:
        pixels -= _sky_values(skies[0], box, (0, 0), 1, pixels.shape)


def _sky_values(
    sky: Surface, box: Box, first: tuple[int, int], step: int, shape: tuple[int, ...]
) -> Pixels:
    y = box.y0 + first[0] + step * np.arange(shape[0])
    x = box.x0 + first[1] + step * np.arange(shape[1])
    return np.asarray(sky.at(x[None, :], y[:, None]), dtype=np.float32)


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
    """Sky-free linear values (rows, columns, channels) of a block of the reference frame.

    Scaled to the reference's star light; NaN where the frame does not reach. Interpolated with
    a Lanczos kernel of 4 lobes; its dark rings around steep stars are cut off.
    """
    import cv2

    shape = (block.height_px, block.width_px, channels)
    source = _source_box(frame.where, block, width_px, height_px)
    if source is None:
        return np.full(shape, np.nan, dtype=np.float32)
    pixels = read(source)
    subtract_skies(pixels, source, frame.skies, bayer is not None)
    if bayer is not None:
        from slowglass.frame.bayer import demosaic

        pixels = demosaic(pixels, bayer)
    if frame.factor != 1.0:
        pixels = pixels * np.float32(1.0 / frame.factor)
    inverse = frame.where.inverse()
    if abs(inverse.a - 1.0) < 1e-12 and abs(inverse.b) < 1e-9:
        same = pixels[
            block.y0 - source.y0 : block.y1 - source.y0, block.x0 - source.x0 : block.x1 - source.x0
        ]
        return np.ascontiguousarray(same, dtype=np.float32).reshape(shape)
    # The reference pixel of the block's first pixel, and the frame pixel of the source's.
    step = Similarity(1.0, complex(block.x0, block.y0))
    local = Similarity(1.0, -complex(source.x0, source.y0)).after(inverse.after(step))
    matrix, size = local.matrix(), (block.width_px, block.height_px)
    inverse_map = cv2.WARP_INVERSE_MAP
    pixels = np.ascontiguousarray(pixels, dtype=np.float32)
    nan = (float("nan"),) * 4
    lanczos = cv2.INTER_LANCZOS4 | inverse_map
    out = np.asarray(
        cv2.warpAffine(pixels, matrix, size, flags=lanczos, borderValue=nan), dtype=np.float32
    )
    _cut_rings(out, frame.noise_adu)
    return out.reshape(shape)


def _cut_rings(pixels: Pixels, noise_adu: float) -> None:
    """Raise the dark rings that the kernel draws around steep stars to just under the sky.

    In place. Only what lies 3 σ below the sky within three pixels of something ``STEEP`` is
    touched; noise alone does that once in 700 pixels, there only.
    """
    import cv2

    low = pixels < -3.0 * noise_adu
    if noise_adu <= 0 or not low.any():
        return
    beside = cv2.dilate(pixels, np.ones((7, 7), np.uint8)).reshape(pixels.shape)
    pixels[low & (beside > STEEP * noise_adu)] = -noise_adu
