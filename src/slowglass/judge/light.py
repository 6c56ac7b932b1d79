"""How much of the starlight the kit should deliver arrived: cloud, dew and haze show here."""

from __future__ import annotations

import math

import numpy as np

from slowglass.expose.signal import mosaic_mean, star_e_per_s
from slowglass.frame.stars import StarFlag, StarList
from slowglass.kit.model import Kit
from slowglass.solve.types import Match

FEWEST_MATCHED = 3
G_TO_V_MAG = 0.17
"""A usual field star (BP − RP 0.9) is this much fainter in V than in the catalogue's G: Riello et
al. 2021, A&A 649, A3."""
APERTURE_LOSS_MAG = 0.2
"""Light outside the 1.5 FWHM radius that detection sums, for seeing wings (Moffat, β about 4)."""


def light_loss_mag(
    stars: StarList,
    match: Match,
    kit: Kit,
    *,
    exposure_s: float,
    gain_e_per_adu: float,
    airmass: float,
    extinction_mag: float,
) -> float | None:
    """Magnitudes by which matched stars are fainter than the kit predicts; None if untold.

    The median over the matched stars that are neither clipped nor blended, at least three. All
    are taken for stars of the Sun's colour, so 0.3 mag either way means nothing.
    """
    bad = int(StarFlag.SATURATED | StarFlag.EDGE | StarFlag.BLENDED)
    index = match.star_index
    clear = ((stars.flags[index] & bad) == 0) & (stars.flux_adu[index] > 0)
    if np.count_nonzero(clear) < FEWEST_MATCHED or exposure_s <= 0:
        return None
    per_band = star_e_per_s(
        match.mag[clear] + G_TO_V_MAG + APERTURE_LOSS_MAG,
        kit.optics,
        kit.camera,
        airmass=airmass,
        extinction_mag=extinction_mag,
    )
    expected = np.asarray(mosaic_mean(per_band)) * exposure_s
    seen = stars.flux_adu[index[clear]] * gain_e_per_adu
    loss = float(np.median(-2.5 * np.log10(seen / expected)))
    return loss if math.isfinite(loss) else None
