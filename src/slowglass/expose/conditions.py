"""What the air and the sky do to an exposure: altitude, extinction, sky brightness, hour angle."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
import numpy.typing as npt

from slowglass.kit.model import Air, Site
from slowglass.sky.brightness import Moonlight, sky_mag_arcsec2
from slowglass.sky.coords import alt_az, hour_angle_deg, separation_deg
from slowglass.sky.ephemeris import moon_alt_az, moon_phase_angle_deg, moon_radec, sun_alt_deg
from slowglass.sky.extinction import airmass, extinction_mag_per_airmass

ASSUMED_ALTITUDE_DEG = 50.0
"""Taken when nobody says when."""


HAZE: dict[Air, float] = {"clean": 0.5, "usual": 1.0, "humid": 2.0, "dusty": 3.5}
"""Haze of each class of air over the usual. Schaefer 1993 (Vistas in Astronomy 36, 311; from
memory) lets it grow with relative humidity S as (1 − 0.32/ln S)^(4/3): 1.4 at 30 %, 2.3 at 70 %,
3.3 at 80 %; the usual air is taken as dry."""


def site_extinction_mag(site: Site) -> float:
    """V magnitudes per air mass at a site: as measured, else with its usual air."""
    if site.extinction_mag is not None:
        return site.extinction_mag
    return extinction_mag_per_airmass(site.height_m, haze=HAZE[site.air])


def site_sky_mag(
    site: Site,
    alt_deg: npt.ArrayLike,
    az_deg: npt.ArrayLike | None = None,
    *,
    sun_alt_deg: npt.ArrayLike | None = None,
    moon: Moonlight | None = None,
) -> npt.NDArray[np.float64]:
    """Sky of a site in V mag/arcsec² at places in its sky (arrays), with its light domes."""
    return sky_mag_arcsec2(
        site.sky_mag_arcsec2,
        alt_deg,
        sun_alt_deg=sun_alt_deg,
        moon=moon,
        extinction_mag=site_extinction_mag(site),
        az_deg=az_deg,
        domes=site.light_domes,
    )


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
    sky_slope_across_per_deg: float = 0.0
    """The same for each degree toward greater azimuth."""
    domes_mag: float = 0.0
    """How much brighter the light of towns makes the sky, magnitudes."""
    brightened_mag: float = 0.0
    """How much brighter Moon and twilight make the sky, magnitudes."""

    def sky_rise_per_px(self, cd_deg: npt.NDArray[np.float64]) -> tuple[float, float]:
        """Relative change of the sky per pixel along x and y: toward the horizon and the towns.

        ``cd_deg`` takes pixels to degrees east and north.
        """
        up = np.radians(self.zenith_angle_deg)
        # With the zenith up, azimuth grows to the right, where position angles fall.
        toward_zenith = np.array([np.sin(up), np.cos(up)])
        toward_azimuth = np.array([-np.cos(up), np.sin(up)])
        slope = (
            self.sky_slope_across_per_deg * toward_azimuth - self.sky_slope_per_deg * toward_zenith
        )
        per_px = slope @ cd_deg
        return float(per_px[0]), float(per_px[1])


def conditions_at_altitude(
    site: Site, altitude_deg: float = ASSUMED_ALTITUDE_DEG, *, sky_mag: float | None = None
) -> Conditions:
    """Moonless conditions at an altitude on the meridian, zenith to the north."""
    here = max(1.0, altitude_deg)

    def level(altitude: float, _: float) -> float:
        return float(site_sky_mag(site, altitude))

    return Conditions(
        altitude_deg=altitude_deg,
        airmass=float(airmass(min(90.0, here))),
        extinction_mag=site_extinction_mag(site),
        sky_mag_arcsec2=level(here, 0.0) if sky_mag is None else sky_mag,
        hour_angle_deg=0.0,
        zenith_angle_deg=0.0 if site.latitude_deg >= 0 else 180.0,
        sky_slope_per_deg=_slopes(level, here, 0.0)[0],
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
    altitude, azimuth = (
        float(v) for v in alt_az(ra_deg, dec_deg, unix_s=unix, apparent=True, **where)
    )
    moon_altitude = float(moon_alt_az(unix, **where)[0])
    moon_ra, moon_dec = moon_radec(unix, **where)
    moon = Moonlight(
        alt_deg=moon_altitude,
        separation_deg=float(separation_deg(ra_deg, dec_deg, moon_ra, moon_dec)),
        phase_angle_deg=float(moon_phase_angle_deg(unix)),
    )
    sun = float(sun_alt_deg(unix, **where))
    base = conditions_at_altitude(site, altitude)

    def level(alt: float, az: float) -> float:
        return float(site_sky_mag(site, alt, az, sun_alt_deg=sun, moon=moon))

    here = max(1.0, altitude)
    hour_angle = float(hour_angle_deg(ra_deg, longitude_deg=site.longitude_deg, unix_s=unix))
    hour_angle = (hour_angle + 180.0) % 360.0 - 180.0
    lit, dark = level(here, azimuth), float(site_sky_mag(site, here, azimuth))
    up, across = _slopes(level, here, azimuth)
    return replace(
        base,
        sky_mag_arcsec2=lit if sky_mag is None else sky_mag,
        brightened_mag=max(0.0, dark - lit) if sky_mag is None else 0.0,
        domes_mag=max(0.0, base.sky_mag_arcsec2 - dark),
        hour_angle_deg=hour_angle,
        zenith_angle_deg=_parallactic_deg(hour_angle, dec_deg, site.latitude_deg),
        sky_slope_per_deg=up,
        sky_slope_across_per_deg=across,
    )


def _slopes(
    level: Callable[[float, float], float], altitude: float, azimuth: float
) -> tuple[float, float]:
    """Relative brightening for a degree toward the horizon, and toward greater azimuth."""
    low, high = max(1.0, altitude - 0.5), min(90.0, altitude + 0.5)
    rise = 0.4 * np.log(10.0)
    up = rise * (level(high, azimuth) - level(low, azimuth)) / (high - low)
    step = 0.5 / max(0.02, float(np.cos(np.radians(altitude))))
    across = rise * (level(altitude, azimuth - step) - level(altitude, azimuth + step))
    return float(up), float(across)


def _parallactic_deg(hour_angle: float, dec_deg: float, latitude_deg: float) -> float:
    """Position angle of the zenith seen from a place (Meeus 1998, eq. 14.1)."""
    h, dec, lat = np.radians([hour_angle, dec_deg, latitude_deg])
    across = np.sin(h)
    along = np.tan(lat) * np.cos(dec) - np.sin(dec) * np.cos(h)
    return float(np.degrees(np.arctan2(across, along)))
