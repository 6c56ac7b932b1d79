"""From linear light to a picture for the eye.

One common factor on red, green and blue, from an asinh of their mean, so that colours stay
what they are (Lupton et al. 2004, PASP 116, 133); then the sRGB curve of IEC 61966-2-1.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from slowglass.finish.combine import MAD_TO_SIGMA
from slowglass.frame.picture_io import srgb_to_linear

Floats = npt.NDArray[np.float32]
LEAST_BLACK = 5e-4
"""Share of pixels that may fall below black: half of what a viewer would call clipped."""
DARKEST = 1.0 / (255 * 12.92)
"""Light that black is shown with: the first step of 8 bits, so that rounding clips nothing."""


@dataclass(frozen=True)
class Stretch:
    """Black and white level and softening, ADU on the scale of the mean of the channels.

    Below ``softening_adu`` above black the curve is nearly straight, above it logarithmic.
    ``toe`` is the power the result is raised to: 1 for a deep picture; more darkens the sky of
    a shallow one, whose noise takes up much of the range between black and white.
    """

    black_adu: float
    white_adu: float
    softening_adu: float
    toe: float = 1.0

    def curve(self, level_adu: npt.ArrayLike) -> npt.NDArray:
        """Linear light, 0 at black and 1 at white, of mean levels."""
        x = np.asarray(level_adu) - self.black_adu
        top = np.arcsinh((self.white_adu - self.black_adu) / self.softening_adu)
        light = np.arcsinh(np.maximum(x, 0) / self.softening_adu) / top
        return light if self.toe == 1.0 else light**self.toe


def srgb(light: npt.ArrayLike) -> npt.NDArray:
    """sRGB value of linear light, both 0–1 (IEC 61966-2-1)."""
    x = np.clip(np.asarray(light), 0.0, 1.0)
    return np.where(x <= 0.0031308, 12.92 * x, 1.055 * np.power(x, 1 / 2.4) - 0.055)


def auto_stretch(mean: Floats, *, sky_shade: float = 0.11) -> Stretch:
    """Levels for a sky-subtracted picture, from its mean over the channels (rows, columns).

    Black lies where one pixel in 2000 is darker; white at the level that one pixel in 20000
    exceeds, at least 10 σ of the sky above it; the softening puts the sky at the sRGB shade
    ``sky_shade``, or, in a picture too shallow for any softening, the toe does.
    """
    step = max(1, int(np.sqrt(mean.size / 2e6)))
    values = mean[::step, ::step].ravel()
    values = np.sort(values[np.isfinite(values)].astype(np.float64))
    if len(values) == 0:
        return Stretch(0.0, 1.0, 1.0)
    sky = float(np.median(values))
    lower = values[: max(1, len(values) // 2)]
    sigma = MAD_TO_SIGMA * float(np.median(sky - lower))
    sigma = max(sigma, 1e-6 * max(abs(sky), 1e-3), 1e-9)
    black = min(sky - 3.0 * sigma, float(np.quantile(values, LEAST_BLACK)))
    white = max(float(np.quantile(values, 0.99995)), sky + 10.0 * sigma)
    target = float(srgb_to_linear(sky_shade))
    straight = 10.0 * (white - black)
    if float(Stretch(black, white, straight).curve(sky)) >= target:
        share = (sky - black) / (white - black)
        return Stretch(black, white, straight, float(np.log(target) / np.log(share)))
    low, high = 1e-6 * (white - black), straight
    for _ in range(60):
        middle = float(np.sqrt(low * high))
        if float(Stretch(black, white, middle).curve(sky)) > target:
            low = middle
        else:
            high = middle
    return Stretch(black, white, float(np.sqrt(low * high)))


def stretch_rows(picture: Floats, stretch: Stretch) -> Floats:
    """sRGB values 1/255–1 of (rows, columns[, 3]) linear ADU, the ratios of the channels kept.

    Where the factor lifts one channel past 1 all three are scaled back, so a bright star keeps
    its hue instead of turning white.
    """
    x = picture - np.float32(stretch.black_adu)
    if picture.ndim == 2:
        return _shown(stretch.curve(picture))
    mean = x.mean(axis=2)
    light = stretch.curve(mean + stretch.black_adu)
    factor = np.where(mean > 0, light / np.maximum(mean, 1e-12), 0.0)
    out = np.maximum(x, 0.0) * factor[..., None]
    peak = out.max(axis=2)
    out /= np.maximum(peak, 1.0)[..., None]
    return _shown(out)


def _shown(light: npt.NDArray) -> Floats:
    return np.asarray(srgb(DARKEST + (1.0 - DARKEST) * light), dtype=np.float32)
