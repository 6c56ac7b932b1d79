"""Small pictures of the night for showing, from its frames and outputs."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from slowglass.frame.preview import crop_square, shrink
from slowglass.frame.stretch import measure_stretch, to_8bit

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


def halves_of(pair: Picture) -> tuple[Picture, Picture]:
    """The two square pictures of a pair that stand side by side."""
    side = pair.shape[0]
    return np.ascontiguousarray(pair[:, :side]), np.ascontiguousarray(pair[:, -side:])


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


def _plane(path: Path) -> npt.NDArray[np.float32]:
    from slowglass.frame.bayer import luminance
    from slowglass.frame.io import read_frame

    return luminance(read_frame(path))[0]


def _factor(path: Path, plane: npt.NDArray[np.float32]) -> float:
    from astropy.io import fits

    return float(fits.getheader(path)["NAXIS1"]) / plane.shape[1]
