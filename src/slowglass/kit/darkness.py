"""The darkness of a sky from what a person can tell of it, in mag/arcsec² at the zenith."""

from __future__ import annotations

import math
from typing import Literal

SkyWay = Literal["reading", "class", "eye"]

DARKEST, BRIGHTEST = 22.0, 15.0
CLASSES: dict[int, tuple[str, float, float]] = {
    1: ("the Milky Way casts shadows", 21.9, 0.3),
    2: ("clouds are black holes in the sky", 21.7, 0.3),
    3: ("some light along the horizon, clouds lit there", 21.5, 0.4),
    4: ("domes of light over towns, the Milky Way still with detail", 21.0, 0.5),
    5: ("the Milky Way washed out, weak near the horizon", 20.2, 0.6),
    6: ("the Milky Way only overhead", 19.3, 0.6),
    7: ("the whole sky greyish, no Milky Way", 18.7, 0.5),
    8: ("newspaper headlines can be read", 18.2, 0.4),
    9: ("only the Moon, planets and brightest stars", 17.5, 0.5),
}
"""Bortle's nine classes (Sky & Telescope, February 2001), each told by one sign in our words, with
the middle of the brightnesses that are in use for it and how far those disagree. The scale itself
has no magnitudes; the figures are from memory of several tables."""

FAINTEST_EYE, BRIGHTEST_EYE = 7.2, 2.0


def sky_of_class(number: int) -> tuple[float, float]:
    """(sky, uncertainty) in mag/arcsec² of one of the nine classes of dark skies."""
    _, sky, error = CLASSES[number]
    return sky, error


def sky_of_eye(faintest_mag: float) -> tuple[float, float]:
    """(sky, uncertainty) in mag/arcsec² under which the eye's faintest star at the zenith is that.

    The inverse of Schaefer's (1990, PASP 102, 212) limit, whose scatter among people is about half
    a magnitude.
    """

    def sky(mag: float) -> float:
        return 21.58 - 5.0 * math.log10(10.0 ** (1.586 - mag / 5.0) - 1.0)

    middle = min(DARKEST, sky(faintest_mag))
    spread = abs(middle - sky(max(BRIGHTEST_EYE - 0.5, faintest_mag - 0.5)))
    return middle, max(0.3, spread)
