"""When in a night a place stands best, and for how long it can be photographed."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime

import numpy as np

from slowglass.expose.conditions import site_extinction_mag, site_sky_mag
from slowglass.kit.model import Site
from slowglass.sky.brightness import Moonlight
from slowglass.sky.coords import alt_az, separation_deg
from slowglass.sky.ephemeris import moon_alt_az, moon_phase_angle_deg, moon_radec, sun_alt_deg
from slowglass.sky.extinction import airmass
from slowglass.sky.night import night_of

LOWEST_ALT_DEG = 15.0
"""Below this the light crosses nearly four times the zenith's air: not worth a frame."""
STEP_S = 300.0


@dataclass(frozen=True)
class Stand:
    """The best moment of a place in a night, and the minutes it is clear of the skyline."""

    when: datetime
    minutes_up: float
    darkness: str
    """What was planned in: "astronomical", or the deepest twilight of a light night."""


def best_stand(site: Site, ra_deg: float, dec_deg: float, night: date) -> Stand | None:
    """Where a place loses least to air, Moon and twilight in a night's darkness; None if never up.

    As for the list of a night, a night without darkness is planned in its deepest twilight, and
    the merit is −k·X + µ/2 in magnitudes above skyline and 15°.
    """
    where = {"latitude_deg": site.latitude_deg, "longitude_deg": site.longitude_deg}
    found = night_of(
        site.latitude_deg, site.longitude_deg, site.timezone, night, height_m=site.height_m
    )
    start, end = found.dark_from, found.dark_to
    if start is None or end is None:
        start, end = found.civil_from, found.civil_to
    if start is None or end is None:
        return None
    length = (end - start).total_seconds()
    n = max(1, round(length / STEP_S))
    moments = start.timestamp() + (np.arange(n) + 0.5) * length / n
    alt, az = alt_az(ra_deg, dec_deg, unix_s=moments, apparent=True, **where)
    clear = alt >= np.maximum(site.horizon_alt_deg(az), LOWEST_ALT_DEG)
    if not clear.any():
        return None
    moon_ra, moon_dec = moon_radec(moments, height_m=site.height_m, **where)
    sky = site_sky_mag(
        site,
        alt,
        az,
        sun_alt_deg=sun_alt_deg(moments, **where),
        moon=Moonlight(
            alt_deg=moon_alt_az(moments, height_m=site.height_m, **where)[0],
            separation_deg=separation_deg(ra_deg, dec_deg, moon_ra, moon_dec),
            phase_angle_deg=moon_phase_angle_deg(moments),
        ),
    )
    merit = 0.5 * sky - site_extinction_mag(site) * airmass(np.clip(alt, 5.0, 90.0))
    best = int(np.argmax(np.where(clear, merit, -np.inf)))
    return Stand(
        datetime.fromtimestamp(round(float(moments[best])), tz=UTC),
        float(clear.sum()) * length / n / 60.0,
        found.darkness,
    )
