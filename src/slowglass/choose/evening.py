"""The best moment of the night for every candidate: high, dark, clear of skyline and Moon."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from slowglass.find.hour import LOWEST_ALT_DEG, horizontal, hour_tracks
from slowglass.kit.model import Site
from slowglass.sky.brightness import Moonlight, sky_mag_arcsec2
from slowglass.sky.coords import refraction_arcmin, separation_deg
from slowglass.sky.ephemeris import moon_alt_az, moon_phase_angle_deg, moon_radec, sun_alt_deg
from slowglass.sky.extinction import airmass, extinction_mag_per_airmass

Floats = npt.NDArray[np.float64]

NEARLY_MAG = 0.3
"""An object stands nearly as well as at its best when it loses no more than this."""


@dataclass(frozen=True)
class BestMoments:
    """Per object, arrays (n,): how long it is up, and the moment at which it shows best.

    ``minutes_up`` is 0 for objects that never clear the skyline in the window; the other
    values then are those of the highest moment. ``moonlit_mag`` is how much the Moon brightens
    the sky there at that moment.
    """

    minutes_up: Floats
    unix_s: Floats
    altitude_deg: Floats
    azimuth_deg: Floats
    hour_angle_deg: Floats
    airmass: Floats
    sky_mag_arcsec2: Floats
    moonlit_mag: Floats
    first_unix_s: Floats
    """When it first stands nearly as well as at its best."""
    wait_h: Floats
    """Hours of the window gone by then."""

    def take(self, index: npt.NDArray) -> BestMoments:
        """The chosen objects (indices or mask), in that order."""
        return BestMoments(**{f.name: getattr(self, f.name)[index] for f in fields(self)})


def best_moments(
    ra_deg: Floats, dec_deg: Floats, moments_s: Floats, slice_min: float, *, site: Site
) -> BestMoments:
    """The moment at which each object (n,) loses least to air, Moon and twilight.

    Merit is −k·X + µ/2 in magnitudes: signal falls with the air, and the noise of the sky grows
    as the root of its brightness.
    """
    extinction = extinction_mag_per_airmass(site.height_m)
    hour, dec_now = hour_tracks(ra_deg, dec_deg, moments_s, site=site)
    true_alt, az = horizontal(hour, dec_now[:, None], site.latitude_deg)
    alt = true_alt + refraction_arcmin(true_alt) / 60.0
    usable = alt >= np.maximum(site.horizon_alt_deg(az), LOWEST_ALT_DEG)
    # merit need not be exact below the lowest altitude, only finite
    path = airmass(np.clip(alt, 5.0, 90.0))

    where = {"latitude_deg": site.latitude_deg, "longitude_deg": site.longitude_deg}
    moon_alt, _ = moon_alt_az(moments_s, height_m=site.height_m, **where)
    moon_ra, moon_dec = moon_radec(moments_s, height_m=site.height_m, **where)
    moon = Moonlight(
        alt_deg=moon_alt[None, :],
        separation_deg=separation_deg(
            ra_deg[:, None], dec_deg[:, None], moon_ra[None, :], moon_dec[None, :]
        ),
        phase_angle_deg=moon_phase_angle_deg(moments_s)[None, :],
    )
    sun = sun_alt_deg(moments_s, **where)[None, :]
    sky = sky_mag_arcsec2(
        site.sky_mag_arcsec2, alt, sun_alt_deg=sun, moon=moon, extinction_mag=extinction
    )
    merit = -extinction * path + 0.5 * sky
    best = np.argmax(np.where(usable, merit, alt - 1000.0), axis=1)
    top = np.take_along_axis(merit, best[:, None], axis=1)
    first = np.argmax(usable & (merit >= top - NEARLY_MAG), axis=1)
    rows = np.arange(len(ra_deg))
    moonless = sky_mag_arcsec2(
        site.sky_mag_arcsec2,
        alt[rows, best],
        sun_alt_deg=sun[0, best],
        extinction_mag=extinction,
    )
    return BestMoments(
        usable.sum(axis=1) * slice_min,
        moments_s[best],
        alt[rows, best],
        az[rows, best],
        (hour[rows, best] + 180.0) % 360.0 - 180.0,
        path[rows, best],
        sky[rows, best],
        moonless - sky[rows, best],
        moments_s[first],
        first * slice_min / 60.0,
    )
