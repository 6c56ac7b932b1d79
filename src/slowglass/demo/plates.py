"""Small pictures of the night for showing, from its frames and outputs."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from slowglass.frame.preview import crop_square, measure_stretch, shrink, to_8bit

if TYPE_CHECKING:
    from slowglass.judge.look import Look

Picture = npt.NDArray[np.uint8]
LARGEST_SQUARE_PX = 960


def svg_size(path: Path) -> tuple[int, int]:
    """Width and height of an SVG drawing, from its view box."""
    head = path.read_text(encoding="utf-8")[:2000]
    box = re.search(r'viewBox="[\d.-]+ [\d.-]+ ([\d.]+) ([\d.]+)"', head)
    if box is None:
        raise ValueError(f"{path}: no view box")
    return round(float(box[1])), round(float(box[2]))


def read_picture(path: Path) -> Picture:
    """An 8-bit picture as it is, (rows, columns, 3)."""
    import cv2

    data = cv2.imread(str(path), cv2.IMREAD_COLOR)
    if data is None:
        raise ValueError(f"{path}: not a picture")
    return np.ascontiguousarray(data[..., ::-1]).astype(np.uint8)


def shrink_8bit(picture: Picture, longest_px: int) -> Picture:
    """An 8-bit picture made smaller."""
    return np.rint(shrink(picture, longest_px)).astype(np.uint8)


def sky_picture(path: Path, longest_px: int) -> Picture:
    """A frame file as a small grey picture."""
    small = shrink(_plane(path), longest_px)
    return to_8bit(small, measure_stretch(small))


def square_of(picture: Picture, x_px: float, y_px: float, *, share: float) -> Picture:
    """A square of an 8-bit picture, its side a share of the picture's longer side."""
    side = round(share * max(picture.shape[:2]))
    square = np.ascontiguousarray(crop_square(picture, x_px, y_px, side))
    return shrink_8bit(square.astype(np.uint8), LARGEST_SQUARE_PX)


def matched_squares(
    paths: Sequence[Path], centres: Sequence[tuple[float, float]], *, share: float
) -> list[Picture]:
    """Squares of frame files around full-resolution pixels, all in the first one's stretch."""
    squares = []
    for path, (x, y) in zip(paths, centres, strict=True):
        frame_plane = _plane(path)
        factor = _factor(path, frame_plane)
        side = round(share * max(frame_plane.shape))
        square = crop_square(frame_plane, x / factor, y / factor, side)
        squares.append(shrink(square, LARGEST_SQUARE_PX))
    stretch = measure_stretch(squares[0])
    return [to_8bit(square, stretch) for square in squares]


def centre_of(path: Path) -> tuple[float, float]:
    """Mid-frame in full-resolution pixels."""
    from slowglass.frame.io import read_frame

    frame = read_frame(path)
    return (frame.width_px - 1) / 2.0, (frame.height_px - 1) / 2.0


def target_of(look: Look) -> tuple[float, float]:
    """The target's pixel on a frame, mid-frame when the frame is unsolved."""
    overlay = look.overlay
    if overlay.target is None:
        return (overlay.width_px - 1) / 2.0, (overlay.height_px - 1) / 2.0
    return overlay.target


def target_in_output(linear: Path, recipe: Path, looks: Sequence[Look]) -> tuple[float, float]:
    """The target's pixel in a finished picture: where its reference frame has it, less the crop."""
    from astropy.io import fits

    header = fits.getheader(linear)
    record = tomllib.loads(recipe.read_text(encoding="utf-8"))
    name = _find(record, "reference")
    look = next(look for look in looks if Path(look.verdict.file).name == name)
    x, y = target_of(look)
    return x - float(header["CROPX0"]), y - float(header["CROPY0"])


def _find(record: object, key: str) -> object:
    if isinstance(record, dict):
        if key in record:
            return record[key]
        for value in record.values():
            found = _find(value, key)
            if found is not None:
                return found
    return None


def _plane(path: Path) -> npt.NDArray[np.float32]:
    from slowglass.frame.bayer import luminance
    from slowglass.frame.io import read_frame

    return luminance(read_frame(path))[0]


def _factor(path: Path, plane: npt.NDArray[np.float32]) -> float:
    from astropy.io import fits

    return float(fits.getheader(path)["NAXIS1"]) / plane.shape[1]
