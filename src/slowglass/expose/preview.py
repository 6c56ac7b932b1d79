"""A quick look at a mosaic frame: half size, Sun-like stars white, sky neutral and dark."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt

from slowglass.expose.signal import BLUE, GREEN, RED, SUN_BV, photon_rates
from slowglass.frame.atomic import replacing
from slowglass.frame.bayer import colour_planes
from slowglass.frame.image import Bayer, Frame
from slowglass.frame.preview import measure_stretch, to_8bit


def half_size(pixels: npt.NDArray[np.float32], bayer: Bayer | None) -> npt.NDArray[np.float32]:
    """(rows/2, columns/2, 3) means of each colour's pixels in every 2 × 2 cell."""
    even = pixels[: pixels.shape[0] // 2 * 2, : pixels.shape[1] // 2 * 2]
    if bayer is None:
        rows, columns = even.shape[0] // 2, even.shape[1] // 2
        grey = even.reshape(rows, 2, columns, 2).mean(axis=(1, 3), dtype=np.float32)
        return np.repeat(grey[..., None], 3, axis=2)
    planes = colour_planes(even, bayer)
    green = np.float32(0.5) * (planes["G1"] + planes["G2"])
    return np.stack([planes["R"], green, planes["B"]], axis=2)


def preview_rgb(frame: Frame) -> npt.NDArray[np.uint8]:
    """An 8-bit (rows, columns, 3) picture at half size, stretched for the eye."""
    colour = frame.pixels if frame.is_colour else half_size(frame.pixels, frame.bayer)
    if frame.bayer:
        sun = photon_rates(0.0, SUN_BV, (RED, GREEN, BLUE))
        # Clipped again at white, so that the middles of saturated stars stay neutral.
        colour = np.minimum(colour * (sun[1] / sun).astype(np.float32), frame.white_adu)
    # A sixteenth of the pixels sets the levels as well as all of them.
    return to_8bit(colour, measure_stretch(colour[::4, ::4]))


def write_preview(path: Path | str, frame: Frame) -> Path:
    """Write :func:`preview_rgb` as a PNG file, atomically, and return its path."""
    import cv2

    _, data = cv2.imencode(".png", preview_rgb(frame)[..., ::-1])
    with replacing(path) as temporary:
        temporary.write_bytes(data.tobytes())
    return Path(path)
