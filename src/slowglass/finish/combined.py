"""The linear combined picture: what the steps from files to light hand to those after it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from slowglass.finish.geometry import Box
from slowglass.finish.lights import Light
from slowglass.frame.stars import StarList
from slowglass.sky.wcs import TanWcs

Picture = npt.NDArray[np.float32]


@dataclass(frozen=True)
class NoiseModel:
    """Noise of a combined picture, ADU, channel by channel (one number for a plain picture)."""

    sky_adu: tuple[float, ...]
    """Scatter of one pixel of empty sky where all frames contribute."""
    per_adu: tuple[float, ...]
    """Variance that each ADU of light above the sky adds there, ADU."""
    blend: tuple[float, ...]
    """Noise of the mean of many neighbouring pixels over what independent pixels would give:
    1 for independent ones, above 1 where interpolation shares light between neighbours."""

    def variance(self, picture: Picture, coverage: Picture) -> Picture:
        """Variance of each pixel, ADU², shaped like ``picture``; infinite where nothing reached.

        Hand over rows of both to bound the memory.
        """
        light = np.maximum(picture, 0.0)
        sky2 = np.square(np.asarray(self.sky_adu, dtype=np.float32))
        slope = np.asarray(self.per_adu, dtype=np.float32)
        if picture.ndim == 2:
            sky2, slope = sky2[0], slope[0]
            share = coverage
        else:
            share = coverage[..., None]
        with np.errstate(divide="ignore"):
            return np.asarray((sky2 + slope * light) / share, dtype=np.float32)


@dataclass(frozen=True)
class FoundStars:
    """Stars of the combined picture: all, and those fit for measuring."""

    every: StarList
    sound: StarList
    fwhm_px: float
    """Median of the sound ones; NaN where there are none."""


@dataclass(frozen=True)
class Combined:
    """The linear picture, how sure each pixel is, where it lies on the sky and how it came about.

    Valid while the folder of working frames is open, as far as ``single`` is concerned; all
    else are plain values.
    """

    picture: Picture
    """(rows, columns) or (rows, columns, 3): linear ADU of the reference frame, each frame's
    sky taken off as a tilted plane."""
    coverage: Picture
    """(rows, columns): share 0–1 of the summed weights that reached the pixel."""
    rejected: npt.NDArray[np.uint16]
    """(rows, columns): values left out by rejection there, of the channel that lost most."""
    noise: NoiseModel
    box: Box
    """The part of the reference frame that the picture shows."""
    reference: Light
    lights: tuple[Light, ...]
    """Every light that was looked at; ``reason`` says why one was left out."""
    used: tuple[Light, ...]
    placed_by: str
    """"stars", "drift" or "single"."""
    stars: FoundStars
    wcs: TanWcs | None
    snr_gain: float
    """Measured against the frame of median signal to noise; NaN without stars or noise."""
    rejected_share: float
    """Share of all values that rejection left out."""
    record: dict[str, Any]
    """What was done, frame by frame, for the recipe's history."""
    notes: tuple[str, ...]
    single: Callable[[], Picture]
    """The frame of median signal to noise alone, placed exactly as in the sum, NaN filled with
    the sky; shaped like ``picture``."""
