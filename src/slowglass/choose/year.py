"""A year of nights for one place in the sky: when it is up, in how dark a sky, and what that is
worth.

Sun and Moon are worked out every few hours and joined by great circles, the sidereal time is a
straight line: within 0.01° for the Sun and 0.1° for the Moon of the full reduction, at a
hundredth of its cost. The Moon's parallax is taken at its mean distance.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

import erfa
import numpy as np
import numpy.typing as npt

from slowglass.expose.conditions import site_extinction_mag, site_sky_mag
from slowglass.find.hour import LOWEST_ALT_DEG, horizontal
from slowglass.kit.model import Site
from slowglass.sky.brightness import Moonlight
from slowglass.sky.coords import Instants, of_date, refraction_arcmin, sky_angles, unit_vectors
from slowglass.sky.ephemeris import (
    SUN_PARALLAX_DEG,
    moon_illuminated_fraction,
    moon_phase_angle_deg,
    moon_radec,
    sun_radec,
)
from slowglass.sky.extinction import airmass
from slowglass.sky.night import ASTRONOMICAL_DEG, CIVIL_DEG, NAUTICAL_DEG, solar_noon_s

Floats = npt.NDArray[np.float64]

SLICE_S = 600.0
DAY_S = 86400.0
SLICES = round(DAY_S / SLICE_S)
SUN_STEP_S, MOON_STEP_S, PLACE_STEP_S = 6 * 3600.0, 2 * 3600.0, DAY_S
MOON_PARALLAX_DEG = 0.9507
"""At its mean distance (Meeus 1998, ch. 55)."""
MOON_DOWN_DEG = -0.8
GOOD_SHARE = 0.25
"""Slices worth less than this share of the best conditions are not counted as the night's time."""


@dataclass(frozen=True)
class YearNight:
    """One night for one place; hours are of darkness with the place clear of the skyline.

    ``worth_hours`` is what its hours are worth, as hours with the place at its highest in a
    moonless dark sky. ``darkness`` as of a :class:`~slowglass.sky.night.Night`. ``best_time``,
    ``begins`` and ``ends`` are None when it is never up in the dark.
    """

    night: date
    darkness: str
    dark_hours: float
    hours_up: float
    moonless_hours: float
    worth_hours: float
    best_time: datetime | None
    altitude_deg: float | None
    begins: datetime | None
    ends: datetime | None
    moon_fraction: float


@dataclass(frozen=True, eq=False)
class Track:
    """A place that may move: places at moments, and magnitudes against the brightest."""

    unix_s: Floats
    ra_deg: Floats
    dec_deg: Floats
    fainter_mag: Floats


def fixed_track(ra_deg: float, dec_deg: float) -> Track:
    """The track of a place that stays."""
    return Track(np.zeros(1), np.array([ra_deg]), np.array([dec_deg]), np.zeros(1))


def year_nights(
    track: Track,
    first: date,
    *,
    site: Site,
    days: int = 365,
    speed: Callable[[Floats, Floats], Floats],
) -> tuple[YearNight, ...]:
    """The nights from the evening of ``first`` on.

    ``speed`` says how fast signal to noise squared grows, from the sky's brightness (mag/arcsec²)
    and the light lost in air or distance (magnitudes), arrays; its scale does not matter.
    """
    start = solar_noon_s(first, site.timezone, site.longitude_deg)
    times: Floats = start + (np.arange(days * SLICES, dtype=np.float64) + 0.5) * SLICE_S
    sun_alt = _sun_altitudes(times, site)
    dark = np.flatnonzero(sun_alt < CIVIL_DEG)
    sun = sun_alt[dark]
    when = times[dark]
    alt, az, fainter = _place_altitudes(track, when, site)
    clear = alt >= np.maximum(site.horizon_alt_deg(az), LOWEST_ALT_DEG)
    seen = np.flatnonzero(clear)
    moon_alt, moonlight = _moon(track, when[seen], site)
    sky = site_sky_mag(site, alt[seen], az[seen], sun_alt_deg=sun[seen], moon=moonlight)
    extinction = site_extinction_mag(site)
    lost = extinction * airmass(np.clip(alt[seen], 5.0, 90.0)) + fainter[seen]
    reference = _best_conditions(track, site, speed)
    worth = np.zeros(len(dark))
    worth[seen] = np.minimum(speed(sky, lost) / reference, 1.0)
    moonless = np.zeros(len(dark), dtype=bool)
    moonless[seen] = moon_alt < MOON_DOWN_DEG

    night_of_slice = dark // SLICES
    full = sun < ASTRONOMICAL_DEG
    hours = SLICE_S / 3600.0

    def total(values: npt.NDArray) -> Floats:
        summed = np.bincount(night_of_slice, weights=values.astype(float), minlength=days)
        return np.asarray(summed * hours)

    dark_h, up_h = total(full), total(full & clear)
    moonless_h, worth_h = total(full & moonless), total(worth)
    deepest = sun_alt.reshape(days, SLICES).min(axis=1)
    middles = start + (np.arange(days) + 0.5) * DAY_S
    lit = moon_illuminated_fraction(middles)
    edges = np.searchsorted(night_of_slice, np.arange(days + 1))
    out = []
    for n in range(days):
        part = slice(int(edges[n]), int(edges[n + 1]))
        gains, at = worth[part], when[part]
        best = int(np.argmax(gains)) if len(gains) and gains.max() > 0.0 else None
        good = np.flatnonzero(gains >= GOOD_SHARE * gains.max(initial=0.0))
        out.append(
            YearNight(
                night=first + timedelta(days=n),
                darkness=_darkness(float(deepest[n])),
                dark_hours=float(dark_h[n]),
                hours_up=float(up_h[n]),
                moonless_hours=float(moonless_h[n]),
                worth_hours=float(worth_h[n]),
                best_time=None if best is None else _utc(at[best]),
                altitude_deg=None if best is None else float(alt[part][best]),
                begins=None if best is None else _utc(at[good[0]] - SLICE_S / 2.0),
                ends=None if best is None else _utc(at[good[-1]] + SLICE_S / 2.0),
                moon_fraction=float(lit[n]),
            )
        )
    return tuple(out)


def _darkness(deepest_deg: float) -> str:
    for name, level in (
        ("astronomical", ASTRONOMICAL_DEG),
        ("nautical", NAUTICAL_DEG),
        ("civil", CIVIL_DEG),
    ):
        if deepest_deg < level:
            return name
    return "none"


def _best_conditions(track: Track, site: Site, speed: Callable[[Floats, Floats], Floats]) -> float:
    """Speed with the place at its highest in the site's moonless dark sky."""
    top = 90.0 - np.min(np.abs(site.latitude_deg - track.dec_deg))
    here = np.array([max(5.0, float(top))])
    lost = site_extinction_mag(site) * airmass(here)
    return float(speed(site_sky_mag(site, here), lost)[0])


def _between(times: Floats, samples: Floats, vectors: Floats) -> Floats:
    """Unit vectors (m, 3) between samples (n, 3), along great circles nearly."""
    if len(samples) == 1:
        return np.broadcast_to(vectors, (len(times), 3))
    joined = np.stack([np.interp(times, samples, vectors[:, k]) for k in range(3)], axis=1)
    return np.asarray(joined / np.linalg.norm(joined, axis=1, keepdims=True))


def _samples(times: Floats, step_s: float) -> Floats:
    return np.arange(times[0] - step_s, times[-1] + 2.0 * step_s, step_s)


def _altitudes(vectors: Floats, times: Floats, site: Site) -> tuple[Floats, Floats]:
    """True (altitude, azimuth), degrees, of vectors on the true equator of date."""
    ra, dec = sky_angles(vectors)
    instants = Instants.at(times)
    sidereal = np.degrees(erfa.gmst06(*instants.ut1, *instants.tt))
    return horizontal(sidereal + site.longitude_deg - ra, dec, site.latitude_deg)


def _sun_altitudes(times: Floats, site: Site) -> Floats:
    samples = _samples(times, SUN_STEP_S)
    vectors = unit_vectors(*of_date(*sun_radec(samples), samples))
    alt, _ = _altitudes(_between(times, samples, vectors), times, site)
    return np.asarray(alt - SUN_PARALLAX_DEG)


def _place_altitudes(track: Track, times: Floats, site: Site) -> tuple[Floats, Floats, Floats]:
    """Apparent altitude and azimuth of the place, and how much fainter it is than at best."""
    middle = float(times[len(times) // 2]) if len(times) else 0.0
    # precession over half a year is 0.007°: the place is brought to the middle of the year once
    vectors = unit_vectors(*of_date(track.ra_deg, track.dec_deg, middle))
    alt, az = _altitudes(_between(times, track.unix_s, vectors), times, site)
    fainter = np.interp(times, track.unix_s, track.fainter_mag)
    return alt + refraction_arcmin(alt) / 60.0, az, np.asarray(fainter)


def _moon(track: Track, times: Floats, site: Site) -> tuple[Floats, Moonlight]:
    """Altitude of the Moon, and the Moon as a lamp beside the place."""
    if not len(times):
        return times, Moonlight(times, times, times)
    samples = _samples(times, MOON_STEP_S)
    ra, dec = moon_radec(samples)
    of_equator = _between(times, samples, unit_vectors(*of_date(ra, dec, samples)))
    alt, _ = _altitudes(of_equator, times, site)
    alt = alt - MOON_PARALLAX_DEG * np.cos(np.radians(alt))
    here = _between(times, samples, unit_vectors(ra, dec))
    place = _between(times, track.unix_s, unit_vectors(track.ra_deg, track.dec_deg))
    apart = np.degrees(np.arccos(np.clip(np.sum(here * place, axis=1), -1.0, 1.0)))
    phase = np.interp(times, samples, moon_phase_angle_deg(samples))
    return alt, Moonlight(alt_deg=alt, separation_deg=apart, phase_angle_deg=phase)


def _utc(unix_s: float) -> datetime:
    return datetime.fromtimestamp(round(float(unix_s)), UTC)
