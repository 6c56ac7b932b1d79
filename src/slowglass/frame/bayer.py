"""Colour mosaics: brightness without colour, the colour planes, and demosaicing."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from slowglass.frame.image import Bayer, Frame

Image = npt.NDArray[np.float32]

COLOURS = {"R": 0, "G": 1, "B": 2}


def luminance(frame: Frame) -> tuple[Image, int]:
    """Brightness in ADU as (rows, columns) float32, and how many pixels wide each of its own is.

    A mosaic gives the mean of each 2 × 2 cell (bin 2; an odd last row or column is dropped), a
    colour picture the mean of its planes, a monochrome one its pixels as they are (no copy).
    """
    import cv2

    pixels = frame.pixels
    if pixels.ndim == 3:
        return np.ascontiguousarray(pixels.mean(axis=2, dtype=np.float32)), 1
    if frame.bayer is None:
        return np.ascontiguousarray(pixels), 1
    rows, columns = pixels.shape[0] // 2, pixels.shape[1] // 2
    if not rows or not columns:
        return np.zeros((rows, columns), dtype=np.float32), 2
    even = np.ascontiguousarray(pixels[: 2 * rows, : 2 * columns])
    # area averaging by exactly 2 is the 2 × 2 mean
    mean = cv2.resize(even, (columns, rows), interpolation=cv2.INTER_AREA)
    return np.asarray(mean, dtype=np.float32), 2


def full_resolution(position_px: npt.ArrayLike, bin_factor: int) -> npt.NDArray[np.float64]:
    """Full-resolution coordinates of positions on a binned picture (centre of first pixel 0)."""
    p = np.asarray(position_px, dtype=np.float64)
    return bin_factor * p + (bin_factor - 1) / 2.0


def binned(image: Image, factor: int) -> Image:
    """Means of ``factor`` × ``factor`` blocks; an incomplete last row or column is dropped."""
    import cv2

    if factor == 1:
        return image
    rows, columns = image.shape[0] // factor, image.shape[1] // factor
    whole = np.ascontiguousarray(image[: rows * factor, : columns * factor])
    mean = cv2.resize(whole, (columns, rows), interpolation=cv2.INTER_AREA)
    return np.asarray(mean, dtype=np.float32)


def colour_index(bayer: Bayer) -> npt.NDArray[np.int8]:
    """The (2, 2) cell of a mosaic as 0 red, 1 green, 2 blue."""
    return np.array([COLOURS[c] for c in bayer], dtype=np.int8).reshape(2, 2)


# Malvar, He & Cutler 2004, ICASSP III-485, figure 2; all divided by 8.
_GREEN = np.array(
    [[0, 0, -1, 0, 0], [0, 0, 2, 0, 0], [-1, 2, 4, 2, -1], [0, 0, 2, 0, 0], [0, 0, -1, 0, 0]]
)
_ALONG_ROW = np.array(
    [[0, 0, 0.5, 0, 0], [0, -1, 0, -1, 0], [-1, 4, 5, 4, -1], [0, -1, 0, -1, 0], [0, 0, 0.5, 0, 0]]
)
_ACROSS = np.array(
    [
        [0, 0, -1.5, 0, 0],
        [0, 2, 0, 2, 0],
        [-1.5, 0, 6, 0, -1.5],
        [0, 2, 0, 2, 0],
        [0, 0, -1.5, 0, 0],
    ]
)


def demosaic(pixels: Image, bayer: Bayer) -> Image:
    """(rows, columns, 3) float32 in R, G, B order by gradient-corrected linear interpolation.

    Linear in the pixels, so stars keep their flux in each colour. Edges are mirrored in phase.
    Source: Malvar, He & Cutler 2004, ICASSP III-485.
    """
    import cv2

    source = np.ascontiguousarray(pixels, dtype=np.float32)

    def filtered(kernel: npt.NDArray[np.float64]) -> Image:
        result = cv2.filter2D(source, cv2.CV_32F, kernel / 8.0, borderType=cv2.BORDER_REFLECT_101)
        return np.asarray(result, dtype=np.float32)

    out = np.empty((*source.shape, 3), dtype=np.float32)
    cell = colour_index(bayer)
    phases = [(r, c) for r in (0, 1) for c in (0, 1)]
    for row, column in phases:  # the colour the sensor has here
        out[row::2, column::2, cell[row, column]] = source[row::2, column::2]
    for kernel, use in ((_GREEN, "green"), (_ACROSS, "across"), (_ALONG_ROW, "row")):
        result = filtered(kernel)
        for row, column in phases:
            own = int(cell[row, column])
            if use == "green" and own != 1:
                out[row::2, column::2, 1] = result[row::2, column::2]
            elif use == "across" and own != 1:
                out[row::2, column::2, 2 - own] = result[row::2, column::2]
            elif use == "row" and own == 1:
                out[row::2, column::2, cell[row, 1 - column]] = result[row::2, column::2]
    result = filtered(_ALONG_ROW.T)
    for row, column in phases:
        if cell[row, column] == 1:
            out[row::2, column::2, cell[1 - row, column]] = result[row::2, column::2]
    return out
