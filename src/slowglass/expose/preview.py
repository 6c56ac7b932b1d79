"""A quick look at a mosaic frame: half size, Sun-like stars white, sky neutral and dark."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt

from slowglass.expose.signal import BLUE, GREEN, RED, SUN_BV, photon_rates
from slowglass.frame.bayer import COLOURS
from slowglass.frame.image import Bayer, Frame
from slowglass.frame.picture_io import write_png
from slowglass.frame.stretch import measure_stretch, to_8bit


def half_size(pixels: npt.NDArray[np.float32], bayer: Bayer | None) -> npt.NDArray[np.float32]:
    """(rows/2, columns/2, 3) means of each colour's pixels in every 2 × 2 cell."""
    even = pixels[: pixels.shape[0] // 2 * 2, : pixels.shape[1] // 2 * 2]
    if bayer is None:
        rows, columns = even.shape[0] // 2, even.shape[1] // 2
        grey = even.reshape(rows, 2, columns, 2).mean(axis=(1, 3), dtype=np.float32)
        return np.repeat(grey[..., None], 3, axis=2)
    picture = np.zeros((even.shape[0] // 2, even.shape[1] // 2, 3), dtype=np.float32)
    for i, colour in enumerate(bayer):
        plane = even[i // 2 :: 2, i % 2 :: 2]
        # Each pixel lies a quarter of a cell off the cell's centre; stars would show fringes.
        for axis, odd in enumerate(divmod(i, 2)):
            plane = _quarter_step(plane, axis, backward=bool(odd))
        picture[..., COLOURS[colour]] += plane * np.float32(0.5 if colour == "G" else 1.0)
    return picture


def _quarter_step(
    plane: npt.NDArray[np.float32], axis: int, *, backward: bool
) -> npt.NDArray[np.float32]:
    """The plane resampled a quarter of a step along an axis (linear; the edge is repeated)."""
    moved = plane * np.float32(0.75)
    here: list[slice] = [slice(None), slice(None)]
    there, edge = list(here), list(here)
    here[axis], there[axis], edge[axis] = slice(None, -1), slice(1, None), slice(-1, None)
    if backward:
        here, there = there, here
        edge[axis] = slice(None, 1)
    moved[tuple(here)] += np.float32(0.25) * plane[tuple(there)]
    moved[tuple(edge)] += np.float32(0.25) * plane[tuple(edge)]
    return moved


def sun_white() -> npt.NDArray[np.float64]:
    """Factors on red, green and blue of a mosaic that make Sun-like stars white, green 1."""
    sun = photon_rates(0.0, SUN_BV, (RED, GREEN, BLUE))
    return np.asarray(sun[1] / sun, dtype=np.float64)


def balanced(frame: Frame) -> npt.NDArray[np.float32]:
    """(rows/2, columns/2, 3) linear colours of a mosaic frame, Sun-like stars white."""
    colour = frame.pixels if frame.is_colour else half_size(frame.pixels, frame.bayer)
    if frame.bayer:
        # Clipped again at white, so that the middles of saturated stars stay neutral.
        colour = np.minimum(colour * sun_white().astype(np.float32), frame.white_adu)
    return colour


def preview_rgb(frame: Frame) -> npt.NDArray[np.uint8]:
    """An 8-bit (rows, columns, 3) picture at half size, stretched for the eye."""
    colour = balanced(frame)
    # A few pixels set the levels as well as all; white only where next to nothing is brighter.
    levels = measure_stretch(colour[::3, ::3], white_share=0.99998, noise_shade=0.045)
    return to_8bit(colour, levels)


def write_preview(path: Path | str, frame: Frame) -> Path:
    """Write :func:`preview_rgb` as a PNG file, atomically, and return its path."""
    return write_png(path, preview_rgb(frame))
