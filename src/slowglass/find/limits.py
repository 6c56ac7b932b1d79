"""Faintest stars seen under a sky: by eye, through a finder, through the main eyepiece.

Through a tube a star is brighter by the light the aperture gathers, and the sky behind it
dimmer by the square of exit pupil over eye pupil; the eye's limit for that darker sky does the
rest (the argument of Schaefer 1990, PASP 102, 212). For 102 mm at 52 times under 20.3
mag/arcsec² this gives 12.8, the old rule 2.7 + 5 log D (mm) 12.7.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from slowglass.kit.model import Kit
from slowglass.sky.brightness import naked_eye_limit_mag

EYE_PUPIL_MM = 6.5
"""Dark-adapted pupil of a grown-up (common practice: 5 to 7)."""
FINDER_APPARENT_FIELD_DEG = 50.0
"""Apparent field of a small finder, from which its magnification follows (common practice)."""
FINDER_EXIT_PUPIL_MM = 5.0
LARGEST_FINDER_MM = 50.0
FINDER_TRANSMISSION = 0.8


@dataclass(frozen=True)
class Limits:
    """V magnitudes of the faintest stars, at one sky brightness; ``finder_mag`` None with a dot.

    ``field_mag`` is for the widest eyepiece, or None without one.
    """

    sky_mag_arcsec2: float
    eye_mag: float
    finder_mag: float | None
    field_mag: float | None

    def as_json(self) -> dict[str, Any]:
        """The limits with the names of the machine output."""
        return {
            name: None if value is None else round(value, 2) for name, value in vars(self).items()
        }


def limits_under(kit: Kit, sky_mag_arcsec2: float, *, extinction_mag: float = 0.0) -> Limits:
    """Limits of a kit under a sky; ``extinction_mag`` is the air's loss beyond the zenith's."""
    optics = kit.optics
    finder = field = None
    if kit.finder.kind == "optical":
        magnification = FINDER_APPARENT_FIELD_DEG / kit.finder.field_deg
        finder = telescope_limit_mag(
            min(LARGEST_FINDER_MM, FINDER_EXIT_PUPIL_MM * magnification),
            magnification,
            sky_mag_arcsec2,
            transmission=FINDER_TRANSMISSION,
        )
    if kit.eyepieces:
        wide = max(kit.eyepieces, key=lambda e: e.true_field_deg(optics))
        field = telescope_limit_mag(
            optics.aperture_mm,
            wide.magnification(optics),
            sky_mag_arcsec2,
            transmission=optics.transmission * (1.0 - optics.obstruction_fraction**2),
        )
    return Limits(
        sky_mag_arcsec2,
        float(naked_eye_limit_mag(sky_mag_arcsec2)) - extinction_mag,
        None if finder is None else finder - extinction_mag,
        None if field is None else field - extinction_mag,
    )


def telescope_limit_mag(
    aperture_mm: float, magnification: float, sky_mag_arcsec2: float, *, transmission: float = 0.85
) -> float:
    """Faintest star, V, at an aperture and a magnification under a sky (±0.5 mag)."""
    exit_pupil_mm = aperture_mm / magnification
    used_mm = aperture_mm * min(1.0, EYE_PUPIL_MM / exit_pupil_mm)
    gain = 2.5 * math.log10(transmission * (used_mm / EYE_PUPIL_MM) ** 2)
    shade = min(1.0, exit_pupil_mm / EYE_PUPIL_MM) ** 2 * transmission
    return float(naked_eye_limit_mag(sky_mag_arcsec2 - 2.5 * math.log10(shade))) + gain
