"""How high each star's highest pixel is, and the level at which a frame's pixels are clipped."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from slowglass.frame.image import Frame

Floats = npt.NDArray[np.float64]


def clipping_level(frame: Frame, peaks: Floats, *, sky_adu: float, rms_adu: float) -> float:
    """The ADU above which a pixel is clipped.

    The stated white level; or the highest value where five pixels share it well above the sky
    (a sensor that clips below the range of its file); or the height at which the peaks of
    several stars crowd (a photographic plate). ``peaks`` are the detections' highest pixels.
    """
    highest = float(frame.pixels.max())
    clip = 0.98 * frame.white_adu
    if highest >= clip or highest < sky_adu + 30.0 * rms_adu:
        return clip
    if np.count_nonzero(frame.pixels == np.float32(highest)) >= 5:
        return highest - 0.005 * (highest - sky_adu)
    # star counts fall off smoothly with brightness: only a ceiling fills the last 8 % and not
    # the 8 % below
    brightest = np.sort(peaks)[::-1]
    if len(brightest) > 5:
        share = (peaks - sky_adu) / (brightest[2] - sky_adu)
        crowd = int(np.count_nonzero(share > 0.92))
        if crowd >= 12 and crowd > 3 * int(np.count_nonzero((share > 0.84) & (share <= 0.92))):
            return float(sky_adu + 0.92 * (brightest[2] - sky_adu))
    return clip


def highest_pixels(
    frame: Frame, found: npt.NDArray[Any], factor: int, hot: npt.NDArray[np.int64]
) -> Floats:
    """Highest full-resolution pixel in the 3 × 3 search pixels about each peak.

    ``hot`` are the flat places of hot pixels, which do not count.
    """
    pixels = frame.pixels if frame.pixels.ndim == 2 else frame.pixels.max(axis=2)
    height, width = pixels.shape
    x0, y0 = found["xpeak"].astype(int) * factor, found["ypeak"].astype(int) * factor
    best = np.full(len(found), -np.inf)
    flat, hot = pixels.ravel(), np.append(np.sort(hot), -1)
    for dy in range(-factor, 2 * factor):
        for dx in range(-factor, 2 * factor):
            row, column = np.clip(y0 + dy, 0, height - 1), np.clip(x0 + dx, 0, width - 1)
            place = row * width + column
            cold = hot[np.searchsorted(hot[:-1], place)] != place
            best = np.where(cold, np.maximum(best, flat[place]), best)
    return np.where(np.isfinite(best), best, 0.0)
