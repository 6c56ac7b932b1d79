"""Single bright pixels that no star could make."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from slowglass.frame.image import Frame

Image = npt.NDArray[np.float32]
Ints = npt.NDArray[np.int64]

_BAND_ROWS = 64
_SIGMA = 8.0
"""How far above its like-coloured neighbours a pixel must stand: Gaussian noise of 24 million
pixels reaches 5.5 sigma."""

_USUAL_LEAK = 0.25
"""Mean light of the four touching pixels over the peak, for a star of FWHM 1.6 px. Frames whose
peaks leak less are undersampled and are judged by their own leak."""


def find_hot_pixels(frame: Frame) -> tuple[Ints, Ints, npt.NDArray[np.float64]]:
    """(rows, columns, excess in ADU) of hot pixels in a mosaic or monochrome frame.

    A pixel is hot when it stands far above all eight pixels of its own colour around it while
    the four that touch it, whatever their colour, show less than half of the light that the
    frame's own stars spill into theirs. Colour pictures have been interpolated: none there.
    """
    none = np.empty(0, dtype=np.int64)
    if frame.pixels.ndim != 2 or min(frame.pixels.shape) < 8:
        return none, none, np.empty(0)
    step = 1 if frame.bayer is None else 2
    rows, columns = _peaks(frame.pixels, step)
    if rows.size == 0:
        return none, none, np.empty(0)
    peak = frame.pixels[rows, columns] - _sky(frame.pixels, rows, columns, step)
    beside = []
    for dy, dx in ((-1, 0), (1, 0), (0, -1), (0, 1)):
        y, x = rows + dy, columns + dx
        beside.append(frame.pixels[y, x] - _sky(frame.pixels, y, x, step))
    around = np.sort(np.array(beside), axis=0)
    noise = _noise(frame.pixels[::step, ::step])
    leak = around.mean(axis=0) / np.maximum(peak, 1e-12)
    spilling = leak > 1.5 * noise / np.maximum(peak, 1e-12)  # 3 sigma of a mean of four
    own = float(np.median(leak[spilling])) if spilling.sum() >= 20 else 1.0
    # where hardly a peak spills light, the few that do are pairs of hot pixels and no stars
    undersampled = 0.1 <= own < _USUAL_LEAK and spilling.mean() > 0.15
    if not undersampled:
        # well sampled: two of the four may be hot as well without the pixel passing for a star
        hot = (around[2] < 0.2 * peak) & (around[:3].mean(axis=0) < 0.1 * peak)
    else:
        hot = leak < 0.4 * own
    return rows[hot], columns[hot], peak[hot].astype(np.float64)


def _peaks(pixels: Image, step: int) -> tuple[Ints, Ints]:
    """Interior pixels more than ``_SIGMA`` above all eight neighbours of their own colour."""
    rows, columns = [], []
    for oy in range(step):
        for ox in range(step):
            plane = pixels[oy::step, ox::step]
            noise = _noise(plane)
            for top in range(0, plane.shape[0], _BAND_ROWS):
                y, x = _peaks_of_band(plane, top, _SIGMA * noise)
                rows.append(y * step + oy)
                columns.append(x * step + ox)
    y, x = np.concatenate(rows), np.concatenate(columns)
    height, width = pixels.shape
    margin = 3 * step
    inside = (y >= margin) & (y < height - margin) & (x >= margin) & (x < width - margin)
    return y[inside], x[inside]


def _peaks_of_band(plane: Image, top: int, height_adu: float) -> tuple[Ints, Ints]:
    """Rows and columns in ``plane`` of the peaks in a band of it, which spares memory."""
    import cv2

    ring = np.ones((3, 3), dtype=np.uint8)
    ring[1, 1] = 0
    first = max(0, top - 1)
    band = np.ascontiguousarray(plane[first : top + _BAND_ROWS + 1])
    above = cv2.subtract(band, cv2.dilate(band, ring))[top - first :][:_BAND_ROWS]
    y, x = np.divmod(np.flatnonzero(above > height_adu), plane.shape[1])
    return y + top, x


def _noise(plane: Image) -> float:
    """Noise of neighbouring differences, which the sky's slope does not touch."""
    sample = plane[:: max(1, plane.shape[0] // 512)]
    step = np.abs(np.diff(sample, axis=1)).ravel()
    step = step[:: max(1, step.size // 200_000)]
    # the mean of a Gaussian's absolute differences is 2/√π sigma; the clip keeps stars out, and
    # a mean (unlike a median) sees noise that is coarser than the data's own step
    clipped = np.minimum(step, np.quantile(step, 0.95))
    moves = step[step > 0]
    quantum = float(moves.min()) if moves.size else 1.0
    return max(0.5 * np.sqrt(np.pi) * float(clipped.mean()), 0.5 * quantum)


def _sky(pixels: Image, rows: Ints, columns: Ints, step: int) -> Image:
    """Median of the 16 like-coloured pixels two cells away."""
    height, width = pixels.shape
    ring = [(dy, dx) for dy in range(-2, 3) for dx in range(-2, 3) if max(abs(dy), abs(dx)) == 2]
    values = np.empty((len(ring), rows.size), dtype=np.float32)
    for i, (dy, dx) in enumerate(ring):
        y = np.clip(rows + dy * step, 0, height - 1)
        x = np.clip(columns + dx * step, 0, width - 1)
        values[i] = pixels[y, x]
    return np.median(values, axis=0)
