"""When a place on the sky stands clear of the site's skyline, over a run of moments."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from slowglass.kit.model import SIDEREAL_DAY_S, Site
from slowglass.sky.coords import hour_angle_deg, of_date
from slowglass.sky.night import Night, night_of

Floats = npt.NDArray[np.float64]

LOWEST_ALT_DEG = 15.0
"""Below this the light crosses nearly four times the zenith's air: not worth a frame."""


SLICE_S = 600.0
SPAN_STEP_S = 300.0
SIDEREAL_DEG_PER_S = 360.0 / SIDEREAL_DAY_S
"""IERS Conventions 2010: length of the mean sidereal day."""


@dataclass(frozen=True)
class Windows:
    """Per object: how long it is usable, and its best moment.

    ``minutes_up`` counts moments above the skyline and the lowest altitude. ``best`` indexes
    the moment of the greatest altitude among them (of all moments where there is none);
    ``altitude_deg``, ``azimuth_deg`` and ``hour_angle_deg`` (west positive) are of that moment.
    """

    minutes_up: Floats
    best: npt.NDArray[np.int64]
    unix_s: Floats
    altitude_deg: Floats
    azimuth_deg: Floats
    hour_angle_deg: Floats


def windows(
    ra_deg: npt.ArrayLike,
    dec_deg: npt.ArrayLike,
    unix_s: Floats,
    *,
    site: Site,
    slice_s: float = SLICE_S,
    lowest_alt_deg: float = LOWEST_ALT_DEG,
) -> Windows:
    """Windows of places (n,) over evenly spaced moments (m,), seconds since 1970 UTC.

    Each moment stands for the slice around it; ``slice_s`` is only used for a single one.

    """
    hour, dec_now = hour_tracks(ra_deg, dec_deg, unix_s, site=site)
    alt, az = horizontal(hour, dec_now[:, None], site.latitude_deg)
    usable = alt >= np.maximum(site.horizon_alt_deg(az), lowest_alt_deg)
    step_min = float(unix_s[1] - unix_s[0]) / 60.0 if len(unix_s) > 1 else slice_s / 60.0
    best = np.argmax(np.where(usable, alt, alt - 180.0), axis=1)
    rows = np.arange(len(dec_now))
    return Windows(
        usable.sum(axis=1) * step_min,
        best,
        unix_s[best],
        alt[rows, best],
        az[rows, best],
        (hour[rows, best] + 180.0) % 360.0 - 180.0,
    )


def clear_spans(
    ra_deg: float, dec_deg: float, begin: datetime, end: datetime, *, site: Site
) -> tuple[tuple[datetime, datetime], ...]:
    """From when to when a place is usable between two moments, to five minutes."""
    n = max(2, round((end - begin).total_seconds() / SPAN_STEP_S) + 1)
    unix = np.linspace(begin.timestamp(), end.timestamp(), n)
    hour, dec = hour_tracks(ra_deg, dec_deg, unix, site=site)
    alt, az = horizontal(hour, dec[:, None], site.latitude_deg)
    clear = (alt >= np.maximum(site.horizon_alt_deg(az), LOWEST_ALT_DEG))[0]
    edges = np.flatnonzero(np.diff(np.concatenate([[False], clear, [False]]).astype(np.int8)))
    return tuple(
        (datetime.fromtimestamp(unix[a], UTC), datetime.fromtimestamp(unix[b - 1], UTC))
        for a, b in zip(edges[::2], edges[1::2], strict=True)
        if b - a > 1
    )


def hour_tracks(
    ra_deg: npt.ArrayLike, dec_deg: npt.ArrayLike, unix_s: Floats, *, site: Site
) -> tuple[Floats, Floats]:
    """Hour angles (n, m) and declinations of date (n,) in degrees of ICRS places over moments.

    Places are brought to the middle moment's equator once and turned with the sky from there:
    within 0.1′ of the full reduction over a night, at a fraction of its cost.
    """
    ra, dec = np.atleast_1d(np.asarray(ra_deg, float)), np.atleast_1d(np.asarray(dec_deg, float))
    middle = float(unix_s[len(unix_s) // 2])
    _, dec_now = of_date(ra, dec, middle)
    at_middle = hour_angle_deg(ra, site.longitude_deg, middle, dec_deg=dec)
    return at_middle[:, None] + (unix_s - middle)[None, :] * SIDEREAL_DEG_PER_S, dec_now


def horizontal(
    hour_angle_deg: npt.ArrayLike, dec_deg: npt.ArrayLike, latitude_deg: float
) -> tuple[Floats, Floats]:
    """(altitude, azimuth north through east) in degrees of an hour angle and declination."""
    h, d, lat = np.radians(hour_angle_deg), np.radians(dec_deg), np.radians(latitude_deg)
    east = -np.cos(d) * np.sin(h)
    north = np.sin(d) * np.cos(lat) - np.cos(d) * np.sin(lat) * np.cos(h)
    up = np.sin(d) * np.sin(lat) + np.cos(d) * np.cos(lat) * np.cos(h)
    return np.degrees(np.arctan2(up, np.hypot(east, north))), np.degrees(
        np.arctan2(east, north)
    ) % 360.0


def site_night(site: Site, day: date) -> Night:
    """The night that begins at the site on a local date."""
    return night_of(
        site.latitude_deg, site.longitude_deg, site.timezone, day, height_m=site.height_m
    )


def coming_night(site: Site, now: datetime) -> Night:
    """The night under way at an aware moment, or else the next one."""
    day = now.astimezone(ZoneInfo(site.timezone)).date()
    last = site_night(site, day - timedelta(days=1))
    return last if now < last.end else site_night(site, day)


def darkest_window(night: Night) -> tuple[datetime, datetime] | None:
    """Darkness, or the darkest twilight there is in a light night; None when the Sun stays up."""
    for begin, end in (
        (night.dark_from, night.dark_to),
        (night.nautical_from, night.nautical_to),
        (night.civil_from, night.civil_to),
    ):
        if begin is not None and end is not None:
            return begin, end
    return None


def moments_between(begin: datetime, end: datetime) -> Floats:
    """Mid-points, unix seconds, of equal slices of about ten minutes that fill the window."""
    a, b = begin.timestamp(), end.timestamp()
    n = max(1, round((b - a) / SLICE_S))
    return a + (np.arange(n) + 0.5) * (b - a) / n
