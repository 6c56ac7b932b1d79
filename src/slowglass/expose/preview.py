"""A quick look at a frame: half size, sky set to dark grey, faint light lifted."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt

from slowglass.frame.atomic import replacing
from slowglass.frame.image import Bayer, Frame


def half_size(pixels: npt.NDArray[np.float32], bayer: Bayer | None) -> npt.NDArray[np.float32]:
    """(rows/2, columns/2, 3) means of each colour's pixels in every 2 × 2 block."""
    rows, columns = pixels.shape[0] // 2 * 2, pixels.shape[1] // 2 * 2
    cells = [pixels[r:rows:2, c:columns:2] for r in (0, 1) for c in (0, 1)]
    if bayer is None:
        mean = (cells[0] + cells[1] + cells[2] + cells[3]) * np.float32(0.25)
        return np.repeat(mean[..., None], 3, axis=2)
    planes = np.zeros((*cells[0].shape, 3), dtype=np.float32)
    for cell, name in zip(cells, bayer, strict=True):
        planes[..., "RGB".index(name)] += cell * np.float32(0.5 if name == "G" else 1.0)
    return planes


def preview_rgb(
    frame: Frame, *, reduce: int = 1, floor_sigma: float = 2.0, knee_sigma: float = 4.0
) -> npt.NDArray[np.uint8]:
    """An 8-bit (rows, columns, 3) picture at half size, reduced ``reduce`` times more.

    Each colour's median goes to the same dark grey and colours are balanced on a Sun-like star,
    so the sky is neutral. asinh from ``knee_sigma`` times the noise; white at full scale.
    """
    colour = half_size(frame.pixels, frame.bayer) if not frame.is_colour else frame.pixels
    if reduce > 1:
        rows, columns = colour.shape[0] // reduce, colour.shape[1] // reduce
        colour = (
            colour[: rows * reduce, : columns * reduce]
            .reshape(rows, reduce, columns, reduce, 3)
            .mean(axis=(1, 3))
        )
    sample = colour[::7, ::7].reshape(-1, 3)
    sky = np.median(sample, axis=0)
    sigma = 1.4826 * np.median(np.abs(sample - sky), axis=0) + np.float32(1e-6)
    if frame.bayer:
        from slowglass.expose.signal import BLUE, GREEN, RED, SUN_BV, photon_rates

        sun = photon_rates(0.0, SUN_BV, (RED, GREEN, BLUE))
        balance = (sun[1] / sun).astype(np.float32)
    else:
        balance = np.ones(3, dtype=np.float32)
    noise = float(np.mean(sigma * balance))
    lifted = (colour - sky) * balance + np.float32(floor_sigma * noise)
    lum = np.maximum(lifted.mean(axis=2), 1e-6)
    knee = np.float32(knee_sigma * noise)
    top = max(frame.white_adu - float(sky.min()), 50.0 * float(knee))
    curve = np.arcsinh(lum / knee) * np.float32(255.0 / np.arcsinh(top / knee))
    lifted *= (curve / lum)[..., None]
    return np.clip(lifted + np.float32(0.5), 0, 255).astype(np.uint8)


def write_preview(path: Path | str, frame: Frame, *, reduce: int = 1) -> Path:
    """Write :func:`preview_rgb` as a PNG file, atomically, and return its path."""
    import cv2

    picture = preview_rgb(frame, reduce=reduce)
    _, data = cv2.imencode(".png", picture[..., ::-1])
    with replacing(path) as temporary:
        temporary.write_bytes(data.tobytes())
    return Path(path)
