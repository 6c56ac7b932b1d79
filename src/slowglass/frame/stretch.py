"""From linear light to what a screen shows: the one curve of the whole workbench.

The screen value of the mean of the channels is the inverse hyperbolic sine of Lupton et al.
2004 (PASP 116, 133): straight near the sky, logarithmic above. Red, green and blue then share
one factor *in linear light*, so that the ratios of the channels, and with them the colours, are
what the sRGB profile says they are.

Pure functions on float arrays, (rows, columns) or (rows, columns, 3).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from slowglass.frame.screen import srgb, srgb_to_linear

Floats = npt.NDArray[np.float32]

SKY_SHADE = 0.11
"""Screen value of the sky: dark, yet clearly not black."""
NOISE_SHADE = 0.04
"""Most that one σ of the sky's noise may take of the screen's range in a quick look."""
ROWS = 256


@dataclass(frozen=True)
class Stretch:
    """Levels of a picture: ``black`` (one value, or one a colour) and, counted up from it,
    ``white``; below ``soft`` above black the curve is nearly straight, beyond it logarithmic."""

    black: tuple[float, ...]
    soft: float
    white: float

    def shade(self, above_black: npt.ArrayLike) -> npt.NDArray:
        """Screen value, 0 at black and 1 at white, of light above black."""
        x = np.maximum(np.asarray(above_black), 0.0)
        return np.arcsinh(x / self.soft) / np.arcsinh(self.white / self.soft)

    def steepness(self, above_black: float) -> float:
        """Change of the screen value with light."""
        root = float(np.hypot(self.soft, above_black))
        return float(1.0 / (root * np.arcsinh(self.white / self.soft)))


def choose_levels(
    *,
    sky: float,
    sigma: float,
    white: float,
    darkest: float | None = None,
    highlight: float | None = None,
    sky_shade: float = SKY_SHADE,
    noise_shade: float = NOISE_SHADE,
    highlight_shade: float = 0.8,
) -> Stretch:
    """The strongest stretch that keeps the sky's noise and the object's core within bounds.

    ``sky`` and ``sigma`` are its level and noise, ``white`` the level to show as white,
    ``darkest`` the level that must not fall below black (default 3.3 σ below the sky, which
    clips one pixel of noise in 2000), ``highlight`` the object's core, to be shown at
    ``highlight_shade`` or less. The sky is shown at ``sky_shade``, brighter only where noise
    leaves no room below it; white moves up where the noise would be stretched too far.
    """
    sigma = max(sigma, 1e-9, 1e-7 * abs(sky))
    least = 3.3 * sigma if darkest is None else max(sky - darkest, 1e-3 * sigma)
    above = max(white - sky, sigma / noise_shade)
    if highlight is not None:
        above = max(above, 1.05 * (highlight - sky) / highlight_shade)

    def levels(soft: float) -> tuple[Stretch, float]:
        low, high = least, max(least, above)
        if _shade(least, soft, least + above) < sky_shade:
            for _ in range(50):
                middle = 0.5 * (low + high)
                if _shade(middle, soft, middle + above) < sky_shade:
                    low = middle
                else:
                    high = middle
        else:
            high = least
        return Stretch((sky - high,), soft, high + above), high

    low, high = np.log(1e-5 * above), np.log(30.0 * above)
    for _ in range(50):
        middle = 0.5 * (low + high)
        made, offset = levels(float(np.exp(middle)))
        noisy = made.steepness(offset) * sigma > noise_shade
        burnt = highlight is not None and (
            float(made.shade(offset + highlight - sky)) > highlight_shade
        )
        # below a softening that small the sky only gets brighter: all of it, noise and light
        bright = float(made.shade(offset)) > 1.001 * sky_shade
        if noisy or burnt or bright:
            low = middle
        else:
            high = middle
    return levels(float(np.exp(high)))[0]


def _shade(offset: float, soft: float, white: float) -> float:
    return float(np.arcsinh(offset / soft) / np.arcsinh(white / soft))


def sky_of(plane: npt.NDArray) -> tuple[float, float]:
    """Level and noise of the sky: the median, and the spread below it, which no star disturbs."""
    values = plane[np.isfinite(plane)]
    if values.size == 0:
        return 0.0, 1.0
    level = float(np.median(values))
    below = values[values < level] - level
    sigma = float(np.sqrt(np.mean(np.square(below, dtype=np.float64)))) if below.size else 0.0
    return level, sigma


def measure_stretch(
    pixels: Floats, *, white_share: float = 0.9995, noise_shade: float = NOISE_SHADE
) -> Stretch:
    """A stretch for a quick look at a frame: each colour's sky to the same grey."""
    planes = pixels.reshape(-1, pixels.shape[2] if pixels.ndim == 3 else 1)
    skies = [sky_of(planes[:, c]) for c in range(planes.shape[1])]
    sigma = float(np.mean([s for _, s in skies]))
    above = planes - np.array([level for level, _ in skies], dtype=np.float32)
    white = max(float(np.nanquantile(above, white_share)), 20.0 * sigma)
    made = choose_levels(sky=0.0, sigma=sigma or 1.0, white=white, noise_shade=noise_shade)
    return Stretch(tuple(level + made.black[0] for level, _ in skies), made.soft, made.white)


def to_screen(pixels: Floats, stretch: Stretch, *, saturation: float = 1.0) -> Floats:
    """sRGB values 0–1 of linear light, shape kept; NaN becomes black.

    Where the common factor lifts one channel past 1 all three are scaled back, so that a bright
    star keeps its hue instead of turning white. ``saturation`` spreads the channels about their
    mean.
    """
    black = np.asarray(stretch.black, dtype=np.float32).squeeze()
    light = np.nan_to_num(pixels - black)
    if light.ndim == 2:
        return np.asarray(np.minimum(stretch.shade(light), 1.0), dtype=np.float32)
    mean = light.mean(axis=2, keepdims=True)
    if saturation != 1.0:
        light = mean + np.float32(saturation) * (light - mean)
    light = np.maximum(light, 0.0)
    level = np.maximum(light.mean(axis=2, keepdims=True), 1e-12)
    wanted = srgb_to_linear(np.minimum(stretch.shade(mean), 1.0)).astype(np.float32)
    light *= wanted / level
    light /= np.maximum(light.max(axis=2, keepdims=True), 1.0)
    return np.asarray(srgb(light), dtype=np.float32)


def to_8bit(pixels: Floats, stretch: Stretch, *, saturation: float = 1.0) -> npt.NDArray[np.uint8]:
    """The picture for the eye as uint8, shape kept; NaN becomes black."""
    out = np.empty(pixels.shape, dtype=np.uint8)
    for y in range(0, pixels.shape[0], ROWS):
        screen = to_screen(pixels[y : y + ROWS], stretch, saturation=saturation)
        out[y : y + ROWS] = np.rint(screen * np.float32(255.0))
    return out
