"""Black, brightness and contrast as three hands on a picture, each from −100 to 100, 0 automatic.

The page's script does the same on the screen; both are tested against each other.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from slowglass.frame.screen import srgb
from slowglass.frame.stretch import Stretch

MOST = 100


@dataclass(frozen=True)
class Adjustment:
    """How far each hand was moved."""

    black: int = 0
    brightness: int = 0
    contrast: int = 0

    def __post_init__(self) -> None:
        for name in ("black", "brightness", "contrast"):
            value = getattr(self, name)
            if abs(value) > MOST:
                raise ValueError(f"{name} {value} is outside −{MOST}…{MOST}")


def adjusted(stretch: Stretch, sky: tuple[float, ...], by: Adjustment) -> Stretch:
    """The automatic stretch of a linear picture, moved.

    25 of black bring it from where it is up to the sky. 12.5 of brightness halve the light shown
    as white; 20 of contrast halve the light up to which the curve is straight, which spreads the
    faint.
    """
    below = max(s - b for s, b in zip(sky, stretch.black, strict=True))
    moved = below * by.black / 25.0
    return Stretch(
        tuple(b + moved for b in stretch.black),
        stretch.soft * 2.0 ** (-by.contrast / 20.0),
        stretch.white * 2.0 ** (-by.brightness / 12.5),
    )


def finished_shade(light: npt.ArrayLike, by: Adjustment) -> npt.NDArray[np.float64]:
    """Screen value 0–1 of a finished picture's linear light 0–1; its own sRGB value at 0, 0, 0.

    100 of black take a twentieth of white away, 25 of brightness double the light, 50 of contrast
    double the slope about middle grey.
    """
    x = np.asarray(light, dtype=np.float64) - by.black / 100.0 / 20.0
    shade = srgb(np.maximum(x, 0.0) * 2.0 ** (by.brightness / 25.0))
    return np.clip(0.5 + (shade - 0.5) * 2.0 ** (by.contrast / 50.0), 0.0, 1.0)
