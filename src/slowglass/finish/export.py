"""The finished picture for the eye and as linear FITS, and the recipe's text."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from slowglass.finish.stretch import Stretch, stretch_rows
from slowglass.frame.atomic import replacing
from slowglass.frame.fits_io import write_fits

ROWS = 256


def screen_picture(
    picture: npt.NDArray[np.float32], stretch: Stretch, gains: tuple[float, float, float]
) -> npt.NDArray[np.uint16]:
    """The picture for the eye as 16-bit sRGB, made in strips: 2 bytes a value."""
    out = np.empty(picture.shape, dtype=np.uint16)
    factors = np.asarray(gains, dtype=np.float32)
    for y in range(0, picture.shape[0], ROWS):
        strip = picture[y : y + ROWS]
        if strip.ndim == 3:
            strip = strip * factors
        out[y : y + ROWS] = np.rint(stretch_rows(strip, stretch) * 65535.0).astype(np.uint16)
    return out


def write_linear(
    path: Path,
    picture: npt.NDArray[np.float32],
    *,
    cards: Mapping[str, Any],
    history: Iterable[str],
) -> Path:
    """The linear picture as float32 FITS."""
    return write_fits(path, picture, cards=cards, history=history)


def eight_bit(screen: npt.NDArray[np.uint16]) -> npt.NDArray[np.uint8]:
    """The picture for the eye in 8 bits, rounded, made in strips."""
    eight = np.empty(screen.shape, dtype=np.uint8)
    for y in range(0, screen.shape[0], ROWS):
        eight[y : y + ROWS] = (screen[y : y + ROWS].astype(np.uint32) * 255 + 32767) // 65535
    return eight


def write_text(path: Path, text: str) -> Path:
    """UTF-8 text, atomically."""
    with replacing(path) as temporary:
        temporary.write_text(text, encoding="utf-8")
    return path
