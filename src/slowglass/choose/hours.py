"""One night hour by hour: how high objects, skyline, Moon and Sun stand, for drawing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

import numpy as np
import numpy.typing as npt

from slowglass.find.hour import LOWEST_ALT_DEG, horizontal, hour_tracks, site_night
from slowglass.kit.model import Site
from slowglass.sky.coords import refraction_arcmin
from slowglass.sky.ephemeris import moon_alt_az, sun_alt_deg
from slowglass.sky.night import ASTRONOMICAL_DEG, CIVIL_DEG, NAUTICAL_DEG

Floats = npt.NDArray[np.float64]

STEP = timedelta(minutes=10)
DEPTHS = (("civil", CIVIL_DEG), ("nautical", NAUTICAL_DEG), ("dark", ASTRONOMICAL_DEG))


@dataclass(frozen=True)
class Band:
    """A stretch of the night at least so deep: "civil", "nautical" or "dark"."""

    depth: str
    begin: datetime
    end: datetime


@dataclass(frozen=True, eq=False)
class NightHours:
    """The frame of a night: moments from sunset to sunrise (noon to noon where there is none).

    ``moon_alt_deg`` is one value a moment; ``bands`` nest, the darkest last.
    """

    night: date
    moments: tuple[datetime, ...]
    moon_alt_deg: Floats
    bands: tuple[Band, ...]

    @property
    def begin(self) -> datetime:
        """The first moment."""
        return self.moments[0]

    @property
    def end(self) -> datetime:
        """The last moment."""
        return self.moments[-1]

    def share(self, moment: datetime) -> float:
        """Where a moment lies in the night, 0 to 1."""
        return (moment - self.begin) / (self.end - self.begin)


@dataclass(frozen=True, eq=False)
class Climb:
    """One object through a night: its altitude and that of the skyline below it, degrees."""

    alt_deg: Floats
    skyline_deg: Floats

    @property
    def clear(self) -> npt.NDArray[np.bool_]:
        """Where it stands above skyline and the lowest altitude worth a frame."""
        return np.asarray(self.alt_deg >= np.maximum(self.skyline_deg, LOWEST_ALT_DEG))


def night_hours(site: Site, day: date) -> NightHours:
    """The hours of the night that begins at a site on a local date."""
    night = site_night(site, day)
    begin, end = night.sunset or night.start, night.sunrise or night.end
    count = max(2, round((end - begin) / STEP) + 1)
    unix = np.linspace(begin.timestamp(), end.timestamp(), count)
    where = {"latitude_deg": site.latitude_deg, "longitude_deg": site.longitude_deg}
    moon, _ = moon_alt_az(unix, height_m=site.height_m, **where)
    sun = sun_alt_deg(unix, **where)
    bands = [
        Band(name, *span)
        for name, depth in DEPTHS
        if (span := _below(unix, sun, depth)) is not None
    ]
    moments = tuple(datetime.fromtimestamp(round(float(t)), UTC) for t in unix)
    return NightHours(day, moments, np.asarray(moon, float), tuple(bands))


def climbs(
    hours: NightHours, ra_deg: Sequence[float], dec_deg: Sequence[float], *, site: Site
) -> tuple[Climb, ...]:
    """How objects climb and sink through a night, one for each place; refraction is in."""
    if not len(ra_deg):
        return ()
    unix = np.array([moment.timestamp() for moment in hours.moments])
    angle, dec = hour_tracks(np.asarray(ra_deg), np.asarray(dec_deg), unix, site=site)
    alt, az = horizontal(angle, dec[:, None], site.latitude_deg)
    alt = alt + refraction_arcmin(alt) / 60.0
    skyline = site.horizon_alt_deg(az)
    return tuple(Climb(a, s) for a, s in zip(alt, skyline, strict=True))


def _below(unix: Floats, sun_deg: Floats, depth_deg: float) -> tuple[datetime, datetime] | None:
    """When the Sun is deeper than so many degrees, between samples by a straight line."""
    deep = np.flatnonzero(sun_deg < depth_deg)
    if not len(deep):
        return None
    first, last = int(deep[0]), int(deep[-1])

    def crossing(a: int, b: int) -> float:
        if a < 0 or b >= len(unix):
            return float(unix[max(a, 0) if b >= len(unix) else b])
        part = (depth_deg - sun_deg[a]) / (sun_deg[b] - sun_deg[a])
        return float(unix[a] + part * (unix[b] - unix[a]))

    begin, end = crossing(first - 1, first), crossing(last, last + 1)
    return datetime.fromtimestamp(round(begin), UTC), datetime.fromtimestamp(round(end), UTC)
