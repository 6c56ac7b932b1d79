"""Angles on the sky: separations, offsets, and ICRS places as seen from a site.

ICRS degrees in, degrees out, everything broadcast. The chain from ICRS to altitude and azimuth
is the IAU 2006/2000A one: aberration, precession-nutation, Earth rotation, polar motion and
diurnal aberration. Light deflection (under 0.02″ beyond 10° from the Sun) is left out.

Sources: SOFA Astrometry Tools (IAU SOFA Board, through ``erfa``); Bennett 1982, J. Navigation
35, 255; Saemundsson 1986, Sky & Telescope 72, 70; Meeus 1998, Astronomical Algorithms, ch. 16.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache

import erfa
import numpy as np
import numpy.typing as npt

from slowglass.sky.rotation import earth_rotation

Floats = npt.NDArray[np.float64]

UNIX_EPOCH_JD = 2440587.5
J2000 = datetime(2000, 1, 1, 12, tzinfo=UTC)


def epoch_year(when: datetime) -> float:
    """Julian epoch of an aware datetime, in years (J2000.0 = 2000-01-01T12:00 UTC)."""
    return 2000.0 + (when.astimezone(UTC) - J2000).total_seconds() / (365.25 * 86400.0)


def unit_vectors(ra_deg: npt.ArrayLike, dec_deg: npt.ArrayLike) -> Floats:
    """Unit vectors of sky positions, shape (..., 3)."""
    ra, dec = np.broadcast_arrays(
        np.radians(np.asarray(ra_deg, dtype=np.float64)),
        np.radians(np.asarray(dec_deg, dtype=np.float64)),
    )
    cos_dec = np.cos(dec)
    return np.stack([cos_dec * np.cos(ra), cos_dec * np.sin(ra), np.sin(dec)], axis=-1)


def sky_angles(vectors: npt.ArrayLike) -> tuple[Floats, Floats]:
    """(ra in [0, 360), dec) in degrees of vectors (..., 3) of any length."""
    v = np.asarray(vectors, dtype=np.float64)
    ra = np.degrees(np.arctan2(v[..., 1], v[..., 0])) % 360.0
    dec = np.degrees(np.arctan2(v[..., 2], np.hypot(v[..., 0], v[..., 1])))
    return ra, dec


def separation_deg(
    ra1_deg: npt.ArrayLike, dec1_deg: npt.ArrayLike, ra2_deg: npt.ArrayLike, dec2_deg: npt.ArrayLike
) -> Floats:
    """Angle between two positions in degrees, exact from 0 to 180 (Vincenty's form)."""
    ra1, dec1, ra2, dec2 = (np.radians(x) for x in (ra1_deg, dec1_deg, ra2_deg, dec2_deg))
    dra = ra2 - ra1
    across = np.cos(dec2) * np.sin(dra)
    along = np.cos(dec1) * np.sin(dec2) - np.sin(dec1) * np.cos(dec2) * np.cos(dra)
    inward = np.sin(dec1) * np.sin(dec2) + np.cos(dec1) * np.cos(dec2) * np.cos(dra)
    return np.degrees(np.arctan2(np.hypot(across, along), inward))


def position_angle_deg(
    ra1_deg: npt.ArrayLike, dec1_deg: npt.ArrayLike, ra2_deg: npt.ArrayLike, dec2_deg: npt.ArrayLike
) -> Floats:
    """Direction from the first position to the second, north through east, in [0, 360)."""
    ra1, dec1, ra2, dec2 = (np.radians(x) for x in (ra1_deg, dec1_deg, ra2_deg, dec2_deg))
    dra = ra2 - ra1
    east = np.cos(dec2) * np.sin(dra)
    north = np.cos(dec1) * np.sin(dec2) - np.sin(dec1) * np.cos(dec2) * np.cos(dra)
    return np.degrees(np.arctan2(east, north)) % 360.0


def offset_point(
    ra_deg: npt.ArrayLike,
    dec_deg: npt.ArrayLike,
    position_angle_deg: npt.ArrayLike,
    distance_deg: npt.ArrayLike,
) -> tuple[Floats, Floats]:
    """(ra, dec) in degrees of the point a distance away along a great circle."""
    ra, dec, pa, dist = (np.radians(x) for x in (ra_deg, dec_deg, position_angle_deg, distance_deg))
    x = np.cos(dist) * np.cos(dec) - np.sin(dist) * np.cos(pa) * np.sin(dec)
    y = np.sin(dist) * np.sin(pa)
    z = np.cos(dist) * np.sin(dec) + np.sin(dist) * np.cos(pa) * np.cos(dec)
    new_ra = np.degrees(ra + np.arctan2(y, x)) % 360.0
    return new_ra, np.degrees(np.arctan2(z, np.hypot(x, y)))


TT_MINUS_TAI_S = 32.184


def tai_minus_utc_s(unix_days: npt.ArrayLike) -> Floats:
    """Leap seconds in force at days since 1970 (10 s before 1972, the last known ever after).

    Read from ERFA's table directly: its own calendar routines warn about years to come.
    """
    starts, leaps = _leap_seconds()
    index = np.searchsorted(starts, np.asarray(unix_days), side="right") - 1
    return np.asarray(np.maximum(leaps[np.clip(index, 0, None)], 10.0))


@lru_cache(maxsize=1)
def _leap_seconds() -> tuple[Floats, Floats]:
    """Days since 1970 from which each count of leap seconds holds, and the counts."""
    table = erfa.leap_seconds.get()
    months = [np.datetime64(f"{row['year']:04d}-{row['month']:02d}-01") for row in table]
    days = np.array(months).astype("datetime64[D]").astype(np.float64)
    return days, np.asarray(table["tai_utc"], dtype=np.float64)


@dataclass(frozen=True)
class Instants:
    """Moments as two-part Julian dates in the scales the chain needs, with Earth rotation."""

    unix_s: Floats
    tt: tuple[float, Floats]
    ut1: tuple[float, Floats]
    pole_x_rad: Floats
    pole_y_rad: Floats

    @classmethod
    def at(cls, unix_s: npt.ArrayLike) -> Instants:
        """Instants of UTC seconds since 1970-01-01 (no leap seconds counted, as POSIX has it)."""
        seconds = np.asarray(unix_s, dtype=np.float64)
        days = seconds / 86400.0
        rotation = earth_rotation(days + 40587.0)
        ut1 = days + rotation.ut1_utc_s / 86400.0
        return cls(
            seconds,
            (UNIX_EPOCH_JD, days + (tai_minus_utc_s(days) + TT_MINUS_TAI_S) / 86400.0),
            (UNIX_EPOCH_JD, ut1),
            rotation.pole_x_rad,
            rotation.pole_y_rad,
        )


def _cirs_vectors(p: Floats, when: Instants) -> tuple[Floats, Floats]:
    """Apparent unit vectors in the intermediate frame of date, and the CIO locator s."""
    bpn = erfa.pnm06a(*when.tt)
    x, y = erfa.bpn2xy(bpn)
    s = erfa.s06(*when.tt, x, y)
    c2i = erfa.c2ixys(x, y, s)
    sun_to_earth, earth_from_barycentre = erfa.epv00(*when.tt)
    velocity = earth_from_barycentre["v"] * (erfa.DAU / erfa.DAYSEC / erfa.CMPS)
    bm1 = np.sqrt(1.0 - np.sum(velocity**2, axis=-1))
    distance = np.sqrt(np.sum(sun_to_earth["p"] ** 2, axis=-1))
    proper = erfa.ab(p, velocity, distance, bm1)
    return np.einsum("...ij,...j->...i", c2i, proper), s


def of_date(
    ra_deg: npt.ArrayLike, dec_deg: npt.ArrayLike, unix_s: npt.ArrayLike
) -> tuple[Floats, Floats]:
    """Apparent (ra, dec) in degrees on the true equator and equinox of date, geocentric."""
    when = Instants.at(unix_s)
    vectors, s = _cirs_vectors(unit_vectors(ra_deg, dec_deg), when)
    ra, dec = sky_angles(vectors)
    origins = erfa.eors(erfa.pnm06a(*when.tt), s)
    return (ra - np.degrees(origins)) % 360.0, dec


def alt_az(
    ra_deg: npt.ArrayLike,
    dec_deg: npt.ArrayLike,
    *,
    latitude_deg: float,
    longitude_deg: float,
    unix_s: npt.ArrayLike,
    apparent: bool = False,
) -> tuple[Floats, Floats]:
    """(altitude, azimuth north through east) in degrees of ICRS places; inputs broadcast.

    For many stars at many moments pass ``ra[:, None]`` with ``unix_s[None, :]``. Moments are
    reduced once each, so this costs little more than a matrix product per pair. With
    ``apparent`` the altitude is lifted by refraction at 1010 hPa and 10 °C.
    """
    seconds = np.asarray(unix_s, dtype=np.float64)
    when = Instants.at(seconds)
    cirs, _ = _cirs_vectors(unit_vectors(ra_deg, dec_deg), when)
    # Terrestrial intermediate frame: Earth rotation angle plus the site's longitude.
    locator = erfa.sp00(*when.tt)
    theta = erfa.era00(*when.ut1)
    to_terrestrial = np.einsum(
        "...ij,...jk->...ik",
        erfa.pom00(when.pole_x_rad, when.pole_y_rad, locator),
        erfa.rz(theta, np.broadcast_to(np.eye(3), (*theta.shape, 3, 3))),
    )
    v = np.einsum("...ij,...j->...i", to_terrestrial, cirs)
    lon, lat = np.radians(longitude_deg), np.radians(latitude_deg)
    east_axis = np.array([-np.sin(lon), np.cos(lon), 0.0])
    north_axis = np.array([-np.sin(lat) * np.cos(lon), -np.sin(lat) * np.sin(lon), np.cos(lat)])
    up_axis = np.array([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)])
    # Diurnal aberration: the ground moves east at up to 465 m/s, 0.32″.
    east = v @ east_axis + DIURNAL_ABERRATION_RAD * np.cos(lat)
    north, up = v @ north_axis, v @ up_axis
    alt = np.degrees(np.arctan2(up, np.hypot(east, north)))
    az = np.degrees(np.arctan2(east, north)) % 360.0
    if apparent:
        alt = alt + refraction_arcmin(alt) / 60.0
    return alt, az


DIURNAL_ABERRATION_RAD = 465.1 / 299_792_458.0
"""Equatorial rotation speed over the speed of light (WGS 84 radius, sidereal rate)."""


def hour_angle_deg(
    ra_deg: npt.ArrayLike,
    longitude_deg: float,
    unix_s: npt.ArrayLike,
    *,
    dec_deg: npt.ArrayLike | None = None,
) -> Floats:
    """Local hour angle in degrees, west positive, in [−180, 180).

    With ``dec_deg`` the ICRS place is brought to date first, good to an arcsecond. Without it
    only the Earth rotation angle is used: good to about 0.006°·tan δ per year from 2000.
    """
    when = Instants.at(unix_s)
    ra = np.asarray(ra_deg, dtype=np.float64)
    if dec_deg is not None:
        ra, _ = sky_angles(_cirs_vectors(unit_vectors(ra, dec_deg), when)[0])
    angle = np.degrees(erfa.era00(*when.ut1)) + longitude_deg - ra
    return np.asarray((angle + 180.0) % 360.0 - 180.0)


def refraction_arcmin(
    altitude_deg: npt.ArrayLike,
    *,
    apparent: bool = False,
    pressure_hpa: float = 1010.0,
    temperature_c: float = 10.0,
) -> Floats:
    """Refraction in arcminutes, never negative.

    ``altitude_deg`` is the true altitude (Saemundsson 1986), or the apparent one when
    ``apparent`` (Bennett 1982). Both hold to about 0.1′ above −1°; lower altitudes are held
    at −1°, where no star is seen.
    """
    alt = np.clip(np.asarray(altitude_deg, dtype=np.float64), -1.0, 90.0)
    if apparent:
        r = 1.0 / np.tan(np.radians(alt + 7.31 / (alt + 4.4)))
    else:
        r = 1.02 / np.tan(np.radians(alt + 10.3 / (alt + 5.11)))
    scale = pressure_hpa / 1010.0 * 283.0 / (273.0 + temperature_c)
    return np.asarray(np.clip(r, 0.0, None) * scale)
