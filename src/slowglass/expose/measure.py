"""What of an object a signal to noise is told of, and when its brightest part fills a pixel.

One rule for the list of a night and for the plan of an exposure: of smooth light, the mean
brightness inside the ellipse that holds half of it; of a star cluster, with nebula or without,
a typical member.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from slowglass.expose.profile import ObjectModel, family
from slowglass.expose.shapes import SmoothPart
from slowglass.expose.signal import star_e_per_s
from slowglass.kit.model import Kit

MEMBER_MAG = 5.0
"""A typical member is this much fainter than the whole cluster: it gives a hundredth of the
light, as one of a hundred equal stars. M11: 10.8, where its members crowd from 11 on."""


def told_of_a_star(kind: str) -> bool:
    """Whether the signal to noise of a kind is that of one member star."""
    return family(kind) == "cluster"


def member_mag(whole_mag: float) -> float:
    """V magnitude of a cluster's typical member, from that of the whole."""
    return whole_mag + MEMBER_MAG


def smeared_mag_arcsec2(
    mag_arcsec2: npt.ArrayLike, area_arcsec2: npt.ArrayLike, fwhm_arcsec: float
) -> npt.NDArray[np.float64]:
    """Surface brightness of a patch once the star image has spread it over a wider area.

    ``area_arcsec2`` is that of the box around the patch, to go with the star image's FWHM².
    """
    area = np.maximum(np.asarray(area_arcsec2, float), 1e-3)
    return np.asarray(mag_arcsec2) + 2.5 * np.log10(1.0 + fwhm_arcsec**2 / area)


def core_e_per_px_s(
    kit: Kit, model: ObjectModel, fwhm_arcsec: float, *, airmass: float, extinction_mag: float
) -> float:
    """Electrons s⁻¹ px⁻¹ of the brightest colour in the middle of the smooth parts, blurred."""
    rates = [
        _mean_density(part, fwhm_arcsec / 2.0)
        * kit.scale_arcsec_per_px**2
        * star_e_per_s(
            model.mag,
            kit.optics,
            kit.camera,
            light=part.light,
            airmass=airmass,
            extinction_mag=extinction_mag,
        )
        for part in model.smooth
    ]
    return float(np.max(np.sum(rates, axis=0))) if rates else 0.0


def core_full_s(kit: Kit, core_e_per_px_s: float, sky_e_per_px_s: float) -> float:
    """Exposure in seconds after which the brightest smooth light fills a pixel; inf for stars."""
    if core_e_per_px_s <= 0.0:
        return math.inf
    return kit.camera.saturation_e / (core_e_per_px_s + sky_e_per_px_s + kit.camera.dark_e_per_s)


def _mean_density(part: SmoothPart, radius_arcsec: float) -> float:
    """Share of the object per arcsec² inside a radius, or at the brightest ring if that is more."""
    n = part.profile.size
    radii = part.reach_arcsec * (np.arange(n) / (n - 1.0)) ** 2
    rings = 2.0 * math.pi * part.profile * radii
    steps = np.diff(radii) * 0.5 * (rings[1:] + rings[:-1])
    inside = np.concatenate([[0.0], np.cumsum(steps)])
    middle = float(np.interp(radius_arcsec, radii, inside)) / (math.pi * radius_arcsec**2)
    away = part.profile[radii > radius_arcsec]
    return part.share * max(middle, float(away.max(initial=0.0)))
