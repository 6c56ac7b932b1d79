"""What the air and the sky do to an exposure: altitude, extinction, sky brightness, hour angle."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np

from slowglass.kit.model import Site
from slowglass.sky.brightness import Moonlight, sky_mag_arcsec2
from slowglass.sky.coords import alt_az, hour_angle_deg, separation_deg
from slowglass.sky.ephemeris import moon_alt_az, moon_phase_angle_deg, moon_radec, sun_alt_deg
from slowglass.sky.extinction import airmass, extinction_mag_per_airmass

ASSUMED_ALTITUDE_DEG = 50.0
"""Taken when nobody says when."""


@dataclass(frozen=True)
class Conditions:
    """Sky and air at one place in the sky at one moment (or at an assumed altitude)."""

    altitude_deg: float
    airmass: float
    extinction_mag: float
    """V magnitudes per air mass."""
    sky_mag_arcsec2: float
    hour_angle_deg: float
    zenith_angle_deg: float
    """Position angle of the direction to the zenith, north through east."""
    sky_slope_per_deg: float
    """Relative brightening of the sky for each degree away from the zenith."""
    brightened_mag: float = 0.0
    """How much brighter Moon and twilight make the sky, magnitudes."""


def conditions_at_altitude(
    site: Site, altitude_deg: float = ASSUMED_ALTITUDE_DEG, *, sky_mag: float | None = None
) -> Conditions:
    """Moonless conditions at an altitude on the meridian, zenith to the north."""
    extinction = extinction_mag_per_airmass(site.height_m)

    def dark(altitude: float) -> float:
        return float(sky_mag_arcsec2(site.sky_mag_arcsec2, altitude, extinction_mag=extinction))

    here = max(1.0, altitude_deg)
    level = dark(here) if sky_mag is None else sky_mag
    return Conditions(
        altitude_deg=altitude_deg,
        airmass=float(airmass(min(90.0, here))),
        extinction_mag=extinction,
        sky_mag_arcsec2=level,
        hour_angle_deg=0.0,
        zenith_angle_deg=0.0 if site.latitude_deg >= 0 else 180.0,
        sky_slope_per_deg=_slope(dark, here),
    )


def conditions_at(
    site: Site,
    ra_deg: float,
    dec_deg: float,
    when: datetime,
    *,
    sky_mag: float | None = None,
) -> Conditions:
    """Conditions at an ICRS place at a UTC moment, with Moon and twilight.

    ``sky_mag`` overrides the sky's brightness. Places below 1° are treated as at 1°.
    """
    unix = when.timestamp()
    where = {"latitude_deg": site.latitude_deg, "longitude_deg": site.longitude_deg}
    altitude = float(alt_az(ra_deg, dec_deg, unix_s=unix, apparent=True, **where)[0])
    moon_altitude = float(moon_alt_az(unix, **where)[0])
    moon_ra, moon_dec = moon_radec(unix, **where)
    moon = Moonlight(
        alt_deg=moon_altitude,
        separation_deg=float(separation_deg(ra_deg, dec_deg, moon_ra, moon_dec)),
        phase_angle_deg=float(moon_phase_angle_deg(unix)),
    )
    sun = float(sun_alt_deg(unix, **where))
    base = conditions_at_altitude(site, altitude)

    def level(at: float) -> float:
        return float(
            sky_mag_arcsec2(
                site.sky_mag_arcsec2,
                at,
                sun_alt_deg=sun,
                moon=moon,
                extinction_mag=base.extinction_mag,
            )
        )

    here = max(1.0, altitude)
    hour_angle = float(hour_angle_deg(ra_deg, longitude_deg=site.longitude_deg, unix_s=unix))
    hour_angle = (hour_angle + 180.0) % 360.0 - 180.0
    lit = level(here)
    return replace(
        base,
        sky_mag_arcsec2=lit if sky_mag is None else sky_mag,
        brightened_mag=max(0.0, base.sky_mag_arcsec2 - lit) if sky_mag is None else 0.0,
        hour_angle_deg=hour_angle,
        zenith_angle_deg=_parallactic_deg(hour_angle, dec_deg, site.latitude_deg),
        sky_slope_per_deg=_slope(level, here),
    )


def _slope(level: Callable[[float], float], altitude: float) -> float:
    low, high = max(1.0, altitude - 0.5), min(90.0, altitude + 0.5)
    return float(0.4 * np.log(10.0) * (level(high) - level(low)) / (high - low))


def _parallactic_deg(hour_angle: float, dec_deg: float, latitude_deg: float) -> float:
    """Position angle of the zenith seen from a place (Meeus 1998, eq. 14.1)."""
    h, dec, lat = np.radians([hour_angle, dec_deg, latitude_deg])
    across = np.sin(h)
    along = np.tan(lat) * np.cos(dec) - np.sin(dec) * np.cos(h)
    return float(np.degrees(np.arctan2(across, along)))
