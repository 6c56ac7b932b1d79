"""The best moment of the night for every candidate: high, dark, clear of skyline and Moon."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from slowglass.expose.conditions import site_extinction_mag, site_sky_mag
from slowglass.expose.session import LONGEST_SESSION_MIN
from slowglass.find.hour import LOWEST_ALT_DEG, horizontal, hour_tracks
from slowglass.kit.clearance import side_rooms
from slowglass.kit.model import Site, Stand
from slowglass.sky.brightness import Moonlight
from slowglass.sky.coords import refraction_arcmin, separation_deg
from slowglass.sky.ephemeris import moon_alt_az, moon_phase_angle_deg, moon_radec, sun_alt_deg
from slowglass.sky.extinction import airmass

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

NEARLY_MAG = 0.3
"""An object stands nearly as well as at its best when it loses no more than this."""
MOON_DOWN_DEG = -0.8
"""The Moon's centre at its set: refraction and half of its disc."""


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
    from_unix_s: Floats
    to_unix_s: Floats
    """The unbroken stay above the skyline, in darkness, around the best moment."""
    moonless_min: Floats
    """Of ``minutes_up``, those with the Moon down."""
    blocked_min: Floats
    """Minutes above the skyline in which the tube meets the tripod on either side; not counted
    in ``minutes_up``."""
    session_min: Floats
    """What the best two hours are worth, in minutes at the best moment: less than they last
    when twilight, the Moon or low air spoil part of them."""

    def take(self, index: npt.NDArray) -> BestMoments:
        """The chosen objects (indices or mask), in that order."""
        return BestMoments(**{f.name: getattr(self, f.name)[index] for f in fields(self)})


def best_moments(
    ra_deg: Floats,
    dec_deg: Floats,
    moments_s: Floats,
    slice_min: float,
    *,
    site: Site,
    stand: Stand | None = None,
) -> BestMoments:
    """The moment at which each object (n,) loses least to air, Moon and twilight.

    Merit is −k·X + µ/2 in magnitudes: signal falls with the air, and the noise of the sky grows
    as the root of its brightness. With a ``stand``, moments are left out at which the tube
    would meet the tripod on either side of the mount.
    """
    extinction = site_extinction_mag(site)
    hour, dec_now = hour_tracks(ra_deg, dec_deg, moments_s, site=site)
    true_alt, az = horizontal(hour, dec_now[:, None], site.latitude_deg)
    alt = true_alt + refraction_arcmin(true_alt) / 60.0
    clear = alt >= np.maximum(site.horizon_alt_deg(az), LOWEST_ALT_DEG)
    usable = clear
    if stand is not None and stand.form == "counterweight":
        usable = clear & _free(hour, dec_now, site=site, stand=stand)
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
    sky = site_sky_mag(site, alt, az, sun_alt_deg=sun, moon=moon)
    merit = -extinction * path + 0.5 * sky
    best = np.argmax(np.where(usable, merit, alt - 1000.0), axis=1)
    top = np.take_along_axis(merit, best[:, None], axis=1)
    first = np.argmax(usable & (merit >= top - NEARLY_MAG), axis=1)
    begin, end = _stay(usable, best)
    rows = np.arange(len(ra_deg))
    moonless = site_sky_mag(site, alt[rows, best], az[rows, best], sun_alt_deg=sun[0, best])
    half = slice_min * 30.0
    return BestMoments(
        minutes_up=usable.sum(axis=1) * slice_min,
        unix_s=moments_s[best],
        altitude_deg=alt[rows, best],
        azimuth_deg=az[rows, best],
        hour_angle_deg=(hour[rows, best] + 180.0) % 360.0 - 180.0,
        airmass=path[rows, best],
        sky_mag_arcsec2=sky[rows, best],
        moonlit_mag=moonless - sky[rows, best],
        first_unix_s=moments_s[first],
        wait_h=first * slice_min / 60.0,
        from_unix_s=moments_s[begin] - half,
        to_unix_s=moments_s[end] + half,
        moonless_min=(usable & (moon_alt < MOON_DOWN_DEG)[None, :]).sum(axis=1) * slice_min,
        blocked_min=(clear & ~usable).sum(axis=1) * slice_min,
        session_min=_worth_min(merit - top, usable, slice_min),
    )


def _worth_min(lost_mag: Floats, usable: Bools, slice_min: float) -> Floats:
    """Minutes at the best moment that give what the best two hours of usable slices give.

    Signal to noise squared adds up over time; a magnitude of merit is 10^0.4 in it.
    """
    worth = np.where(usable, 10.0 ** (0.8 * np.minimum(lost_mag, 0.0)), 0.0)
    n = worth.shape[1]
    most = min(n, max(1, round(LONGEST_SESSION_MIN / slice_min)))
    best = np.partition(worth, n - most, axis=1)[:, n - most :] if most < n else worth
    return np.minimum(best.sum(axis=1) * slice_min, LONGEST_SESSION_MIN)


def _stay(usable: Bools, best: npt.NDArray[np.int64]) -> tuple[npt.NDArray, npt.NDArray]:
    """First and last index of the unbroken run of usable moments around the best one."""
    index = np.arange(usable.shape[1])[None, :]
    at = best[:, None]
    gaps_before = np.where(~usable & (index < at), index, -1).max(axis=1)
    gaps_after = np.where(~usable & (index > at), index, usable.shape[1]).min(axis=1)
    return gaps_before + 1, gaps_after - 1


_GRID_DEG = 3.0


def _free(hour_deg: Floats, dec_deg: Floats, *, site: Site, stand: Stand) -> Bools:
    """Whether the tube is free on one side or the other, from a table of hours and declinations.

    The table's step of 3° is a fifth of an hour's turning: less than the clearances are known to.
    """
    hours, decs = np.arange(0.0, 360.0, _GRID_DEG), np.arange(-90.0, 90.1, _GRID_DEG)
    table = side_rooms(
        hours[:, None], decs[None, :], latitude_deg=site.latitude_deg, stand=stand
    ).free
    i = np.rint(hour_deg / _GRID_DEG).astype(int) % len(hours)
    j = np.rint((dec_deg + 90.0) / _GRID_DEG).astype(int)
    return np.asarray(table[i, j[:, None]])
