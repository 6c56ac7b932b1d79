"""How bright the sky itself is: dark sky, moonlight, twilight, and what the eye still sees.

Brightness is added in nanolamberts and told in magnitudes per square arcsecond (V).

Sources: Krisciunas & Schaefer 1991, PASP 103, 1033 (moonlight, good to 8–23 %, and the dark
sky's rise toward the horizon); Patat, Ugolnikov & Postylyakov 2006, A&A 455, 385, table 1
(twilight at the zenith); Schaefer 1990, PASP 102, 212 (naked-eye limit).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

EXTINCTION_MAG = 0.172
"""Visual extinction per air mass used by Krisciunas & Schaefer (a 2.8 km site)."""

PATAT_V = (11.84, 1.518, -0.057)
PATAT_NIGHT_MAG_ARCSEC2 = 21.75
"""Night sky in the measured twilight, taken off it (the same site: 21.6 to 21.9)."""
LATE_TWILIGHT_MAG_PER_DEG = 1.0
DAY_SKY_MAG_ARCSEC2 = 3.5
DOME_ALT_DEG, DOME_FALL_DEG = 20.0, 15.0


@dataclass(frozen=True)
class Moonlight:
    """The Moon as a lamp: its altitude, its distance from the place looked at, its phase angle
    (0 full, 180 new), all in degrees; scalars or arrays that broadcast."""

    alt_deg: npt.ArrayLike
    separation_deg: npt.ArrayLike
    phase_angle_deg: npt.ArrayLike


def nanolamberts(mag_arcsec2: npt.ArrayLike) -> Floats:
    """Surface brightness in nanolamberts from V magnitudes per square arcsecond."""
    mag = np.asarray(mag_arcsec2, dtype=np.float64)
    return np.asarray(34.08 * np.exp(20.7233 - 0.92104 * mag))


def mag_arcsec2(nanolamberts: npt.ArrayLike) -> Floats:
    """V magnitudes per square arcsecond from nanolamberts."""
    light = np.asarray(nanolamberts, dtype=np.float64)
    return np.asarray((20.7233 - np.log(light / 34.08)) / 0.92104)


def scattering_path(alt_deg: npt.ArrayLike) -> Floats:
    """Path through the glowing layers relative to the zenith (K & S eq. 3): 5 at the horizon."""
    sine_z = np.cos(np.radians(np.clip(np.asarray(alt_deg, dtype=np.float64), 0.0, 90.0)))
    return np.asarray(1.0 / np.sqrt(1.0 - 0.96 * sine_z**2))


def moonlight_nl(
    alt_deg: npt.ArrayLike, moon: Moonlight, *, extinction_mag: float = EXTINCTION_MAG
) -> Floats:
    """Nanolamberts of moonlight at an altitude (K & S eqs. 15, 20, 21); 0 with the Moon down."""
    alpha = np.abs(np.asarray(moon.phase_angle_deg, dtype=np.float64))
    rho = np.asarray(moon.separation_deg, dtype=np.float64)
    moon_alt = np.asarray(moon.alt_deg, dtype=np.float64)
    lamp = 10.0 ** (-0.4 * (3.84 + 0.026 * alpha + 4e-9 * alpha**4))
    rayleigh = 10.0**5.36 * (1.06 + np.cos(np.radians(rho)) ** 2)
    # Eq. 19 holds inside 10°; its pole is cut at the Moon's own disc.
    close, wide = 6.2e7 / np.clip(rho, 0.25, None) ** 2, 10.0 ** (6.15 - rho / 40.0)
    scatter = rayleigh + np.where(rho < 10.0, close, wide)
    reaching = 10.0 ** (-0.4 * extinction_mag * scattering_path(moon_alt))
    scattered = 1.0 - 10.0 ** (-0.4 * extinction_mag * scattering_path(alt_deg))
    return np.asarray(np.where(moon_alt > 0.0, scatter * lamp * reaching * scattered, 0.0))


def twilight_nl(sun_alt_deg: npt.ArrayLike) -> Floats:
    """Nanolamberts of twilight at the zenith for a Sun altitude; a clear, clean sky.

    Patat et al. between −5° and −15°, their night sky taken off; 1 mag a degree dimmer beyond,
    their first slope up to daylight before. Scatter 0.2 mag; the side toward the Sun is
    brighter by a magnitude or so, which is not modelled.
    """
    depth = -np.asarray(sun_alt_deg, dtype=np.float64)
    x = np.clip(depth - 5.0, 0.0, 10.0)
    a0, a1, a2 = PATAT_V
    total = nanolamberts(a0 + a1 * x + a2 * x**2)
    only = total - nanolamberts(PATAT_NIGHT_MAG_ARCSEC2)
    early = a1 * np.clip(depth - 5.0, None, 0.0)
    late = LATE_TWILIGHT_MAG_PER_DEG * np.clip(depth - 15.0, 0.0, None)
    light = only * 10.0 ** (-0.4 * (early + late))
    return np.asarray(np.minimum(light, nanolamberts(DAY_SKY_MAG_ARCSEC2)))


def dark_sky_nl(
    zenith_mag_arcsec2: npt.ArrayLike,
    alt_deg: npt.ArrayLike,
    *,
    extinction_mag: float = EXTINCTION_MAG,
) -> Floats:
    """Nanolamberts of the moonless sky at an altitude (K & S eq. 2).

    That is the law of the natural airglow; lamps make the low sky brighter than this.
    """
    path = scattering_path(alt_deg)
    dimmed = 10.0 ** (-0.4 * extinction_mag * (path - 1.0)) * path
    return np.asarray(nanolamberts(zenith_mag_arcsec2) * dimmed)


def domes_nl(
    zenith_mag_arcsec2: npt.ArrayLike,
    alt_deg: npt.ArrayLike,
    az_deg: npt.ArrayLike,
    domes: Sequence[tuple[float, float, float]],
    *,
    extinction_mag: float = EXTINCTION_MAG,
) -> Floats:
    """Nanolamberts that towns add at a place, each given as (azimuth, width, magnitudes brighter).

    The magnitudes are those by which the dome outshines the dark sky at 20° altitude in its
    middle; it is a Gaussian of that full width in azimuth and falls by e for each 15° of
    altitude (common practice, no source: real domes vary with distance and haze).
    """
    alt, az = np.asarray(alt_deg, dtype=np.float64), np.asarray(az_deg, dtype=np.float64)
    low = dark_sky_nl(zenith_mag_arcsec2, DOME_ALT_DEG, extinction_mag=extinction_mag)
    # Nothing is left at the zenith, where the site's own value was measured.
    rest = np.exp((DOME_ALT_DEG - 90.0) / DOME_FALL_DEG)
    fall = np.exp((DOME_ALT_DEG - np.clip(alt, 0.0, 90.0)) / DOME_FALL_DEG)
    fall = (fall - rest) / (1.0 - rest)
    total = np.zeros(np.broadcast_shapes(alt.shape, az.shape))
    for azimuth, width, brighter in domes:
        away = (az - azimuth + 180.0) % 360.0 - 180.0
        total = total + (10.0 ** (0.4 * brighter) - 1.0) * np.exp(
            -4.0 * np.log(2.0) * (away / width) ** 2
        )
    return np.asarray(low * fall * total)


def sky_mag_arcsec2(
    zenith_mag_arcsec2: npt.ArrayLike,
    alt_deg: npt.ArrayLike,
    *,
    sun_alt_deg: npt.ArrayLike | None = None,
    moon: Moonlight | None = None,
    extinction_mag: float = EXTINCTION_MAG,
    az_deg: npt.ArrayLike | None = None,
    domes: Sequence[tuple[float, float, float]] = (),
) -> Floats:
    """Sky brightness at an altitude, V mag/arcsec², from the site's moonless zenith value.

    Light domes (see :func:`domes_nl`) count where the azimuth is given.
    """
    light = dark_sky_nl(zenith_mag_arcsec2, alt_deg, extinction_mag=extinction_mag)
    if az_deg is not None and domes:
        light = light + domes_nl(
            zenith_mag_arcsec2, alt_deg, az_deg, domes, extinction_mag=extinction_mag
        )
    if sun_alt_deg is not None:
        light = light + twilight_nl(sun_alt_deg)
    if moon is not None:
        light = light + moonlight_nl(alt_deg, moon, extinction_mag=extinction_mag)
    return mag_arcsec2(light)


def naked_eye_limit_mag(sky_mag_arcsec2: npt.ArrayLike) -> Floats:
    """Faintest star seen by eye under a sky of some brightness, V magnitude (±0.5).

    After Schaefer 1990; 6.4 under 21.6 mag/arcsec².
    """
    mu = np.asarray(sky_mag_arcsec2, dtype=np.float64)
    return np.asarray(7.93 - 5.0 * np.log10(10.0 ** (4.316 - mu / 5.0) + 1.0))
