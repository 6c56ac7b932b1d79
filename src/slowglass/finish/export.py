"""The files of a finished picture, each written whole or not at all."""

from __future__ import annotations

import shutil
from collections.abc import Collection
from pathlib import Path

import numpy as np
import numpy.typing as npt

from slowglass.finish.develop import sixteen_bit
from slowglass.finish.names import Names
from slowglass.frame.atomic import replacing
from slowglass.frame.caption import Caption
from slowglass.frame.picture_io import write_jpeg, write_png, write_tiff16

ROWS = 256
JPEG_QUALITY = 93


def write_screen(
    names: Names,
    screen: npt.NDArray[np.float32],
    caption: Caption,
    kinds: Collection[str] = ("tiff", "png", "jpeg"),
) -> tuple[list[Path], npt.NDArray[np.uint8]]:
    """The picture for the eye as 16-bit TIFF, PNG and JPEG; and its 8-bit pixels."""
    deep = sixteen_bit(screen)
    written = []
    if "tiff" in kinds:
        written.append(write_tiff16(names.tiff, deep, caption=caption))
    eight = eight_bit(deep)
    del deep
    if "png" in kinds:
        written.append(write_png(names.png, eight, caption=caption))
    if "jpeg" in kinds:
        written.append(write_jpeg(names.jpeg, eight, quality=JPEG_QUALITY, caption=caption))
    return written, eight


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


def copy_file(source: Path, path: Path) -> Path:
    """A copy of a file, atomically."""
    with replacing(path) as temporary:
        shutil.copyfile(source, temporary)
    return path
