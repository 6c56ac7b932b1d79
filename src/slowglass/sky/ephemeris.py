"""The Sun and the Moon: where they are and how much of the Moon is lit.

Places are ICRS astrometric (light-time taken off, aberration not yet applied), just as a
catalogue star's place is, so that :func:`slowglass.sky.coords.alt_az` treats all alike.

Sources: SOFA ``epv00`` (Sun, 0.01″) and ``moon98`` (after Meeus 1998 ch. 47; Moon, about 10″
and 30 km).
"""

from __future__ import annotations

import erfa
import numpy as np
import numpy.typing as npt

from slowglass.sky.coords import Instants, alt_az, sky_angles

Floats = npt.NDArray[np.float64]

AU_KM = 149_597_870.7
LIGHT_DAYS_PER_AU = 499.004_783_84 / 86400.0
SUN_PARALLAX_DEG = 8.794 / 3600.0


def _sun_vector_au(when: Instants) -> Floats:
    """Sun from the Earth's centre, astrometric.

    The Sun hardly moves while its light travels (0.01 km/s), so the geometric direction serves.
    """
    from_sun, _ = erfa.epv00(*when.tt)
    return np.asarray(-from_sun["p"])


def _moon_vector_au(when: Instants) -> Floats:
    """Moon from the Earth's centre, geometric, in the celestial (GCRS) frame."""
    return np.asarray(erfa.moon98(*when.tt)["p"])


def _site_vector_au(
    when: Instants, latitude_deg: float, longitude_deg: float, height_m: float
) -> Floats:
    """The site from the Earth's centre in the celestial frame."""
    terrestrial = erfa.gd2gc(1, np.radians(longitude_deg), np.radians(latitude_deg), height_m)
    matrix = erfa.c2t06a(*when.tt, *when.ut1, when.pole_x_rad, when.pole_y_rad)
    return np.einsum("...ji,j->...i", matrix, terrestrial) / (AU_KM * 1000.0)


def _astrometric(geometric: Floats, when: Instants) -> Floats:
    """Shift a geometric vector near the Earth back along the Earth's path by the light-time."""
    _, earth = erfa.epv00(*when.tt)
    distance = np.linalg.norm(geometric, axis=-1, keepdims=True)
    return np.asarray(geometric - earth["v"] * distance * LIGHT_DAYS_PER_AU)


def sun_radec(unix_s: npt.ArrayLike) -> tuple[Floats, Floats]:
    """Astrometric ICRS (ra, dec) of the Sun from the Earth's centre, in degrees."""
    return sky_angles(_sun_vector_au(Instants.at(unix_s)))


def moon_radec(
    unix_s: npt.ArrayLike,
    *,
    latitude_deg: float | None = None,
    longitude_deg: float | None = None,
    height_m: float = 0.0,
) -> tuple[Floats, Floats]:
    """Astrometric ICRS (ra, dec) of the Moon in degrees, from a site or the Earth's centre.

    The site matters: parallax shifts the Moon by up to a degree.
    """
    when = Instants.at(unix_s)
    vector = _moon_vector_au(when)
    if latitude_deg is not None and longitude_deg is not None:
        vector = vector - _site_vector_au(when, latitude_deg, longitude_deg, height_m)
    return sky_angles(_astrometric(vector, when))


def moon_phase_angle_deg(unix_s: npt.ArrayLike) -> Floats:
    """Angle Sun–Moon–Earth in degrees: 0 at full Moon, 180 at new."""
    when = Instants.at(unix_s)
    moon, sun = _moon_vector_au(when), _sun_vector_au(when)
    to_sun = sun - moon
    cosine = np.sum(-moon * to_sun, axis=-1) / (
        np.linalg.norm(moon, axis=-1) * np.linalg.norm(to_sun, axis=-1)
    )
    return np.asarray(np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0))))


def moon_illuminated_fraction(unix_s: npt.ArrayLike) -> Floats:
    """Lit part of the Moon's disc, 0 (new) to 1 (full). Meeus 1998, eq. 48.1."""
    return np.asarray((1.0 + np.cos(np.radians(moon_phase_angle_deg(unix_s)))) / 2.0)


def sun_alt_deg(unix_s: npt.ArrayLike, *, latitude_deg: float, longitude_deg: float) -> Floats:
    """Altitude of the Sun's centre in degrees, without refraction, as seen from the ground."""
    ra, dec = sun_radec(unix_s)
    alt, _ = alt_az(ra, dec, latitude_deg=latitude_deg, longitude_deg=longitude_deg, unix_s=unix_s)
    return np.asarray(alt - SUN_PARALLAX_DEG * np.cos(np.radians(alt)))


def moon_alt_az(
    unix_s: npt.ArrayLike, *, latitude_deg: float, longitude_deg: float, height_m: float = 0.0
) -> tuple[Floats, Floats]:
    """(altitude, azimuth) of the Moon's centre in degrees from a site, without refraction."""
    ra, dec = moon_radec(
        unix_s, latitude_deg=latitude_deg, longitude_deg=longitude_deg, height_m=height_m
    )
    return alt_az(ra, dec, latitude_deg=latitude_deg, longitude_deg=longitude_deg, unix_s=unix_s)


def moon_alt_deg(
    unix_s: npt.ArrayLike, *, latitude_deg: float, longitude_deg: float, height_m: float = 0.0
) -> Floats:
    """Altitude of the Moon's centre in degrees from a site, without refraction."""
    return moon_alt_az(
        unix_s, latitude_deg=latitude_deg, longitude_deg=longitude_deg, height_m=height_m
    )[0]
