"""When a place is up, against astropy's own reduction."""

from __future__ import annotations

from datetime import UTC, date, datetime

import astropy.units as u
import numpy as np
import pytest
from astropy.coordinates import AltAz, EarthLocation, SkyCoord
from astropy.time import Time
from astropy.utils import iers

from slowglass.find.hour import (
    coming_night,
    darkest_window,
    horizontal,
    hour_tracks,
    moments_between,
    site_night,
    windows,
)
from slowglass.kit.io import load_site
from slowglass.kit.model import Site

YARD = load_site("Fig Tree Yard")


@pytest.fixture(autouse=True)
def _offline():
    with iers.conf.set_temp("auto_download", False), iers.conf.set_temp("auto_max_age", None):
        yield


def astropy_altaz(site: Site, ra, dec, unix):
    where = EarthLocation(
        lat=site.latitude_deg * u.deg, lon=site.longitude_deg * u.deg, height=site.height_m * u.m
    )
    frame = AltAz(obstime=Time(unix, format="unix"), location=where)
    return SkyCoord(ra * u.deg, dec * u.deg).transform_to(frame)


def test_tracks_agree_with_astropy_over_a_night():
    begin, end = darkest_window(site_night(YARD, date(2026, 10, 10)))
    unix = moments_between(begin, end)
    places = np.array([[322.49, 12.17], [282.77, -6.27], [148.97, 69.68], [10.0, -30.0]])
    hour, dec = hour_tracks(places[:, 0], places[:, 1], unix, site=YARD)
    alt, az = horizontal(hour, dec[:, None], YARD.latitude_deg)
    for i, (ra, de) in enumerate(places):
        there = astropy_altaz(YARD, ra, de, unix)
        # 0.05° = 3′ is a third of the narrowest step of any skyline
        assert np.abs(alt[i] - there.alt.deg).max() < 0.01
        gap = (az[i] - there.az.deg + 180) % 360 - 180
        assert np.abs(gap * np.cos(np.radians(alt[i]))).max() < 0.01


def test_the_skyline_hides_what_stands_behind_it():
    unix = moments_between(*darkest_window(site_night(YARD, date(2026, 10, 10))))
    flat = YARD.model_copy(update={"horizon": ()})
    # low in the south-east in the evening: behind the fig tree
    behind = windows([42.0], [-20.0], unix, site=YARD)
    open_sky = windows([42.0], [-20.0], unix, site=flat)
    assert behind.minutes_up[0] < open_sky.minutes_up[0]
    never = windows([100.0], [-60.0], unix, site=flat)
    assert never.minutes_up[0] == 0


def test_minutes_up_of_a_star_that_never_sets_fill_the_night():
    night = site_night(YARD, date(2026, 10, 10))
    unix = moments_between(*darkest_window(night))
    dark = night.dark_to - night.dark_from
    pole = windows([37.95], [89.26], unix, site=YARD)
    assert pole.minutes_up[0] == pytest.approx(dark.total_seconds() / 60, abs=0.1)
    assert pole.altitude_deg[0] == pytest.approx(44.2, abs=0.8)


def test_best_moment_is_the_transit_when_that_is_dark():
    unix = moments_between(*darkest_window(site_night(YARD, date(2026, 10, 10))))
    m15 = windows([322.493], [12.167], unix, site=YARD)
    assert abs(m15.hour_angle_deg[0]) <= 1.3  # half a ten-minute slice of sky turning
    assert m15.altitude_deg[0] == pytest.approx(90 - 44.2 + 12.3, abs=0.1)


def test_after_midnight_the_night_under_way_counts():
    early = datetime(2026, 10, 11, 1, 0, tzinfo=UTC)
    assert coming_night(YARD, early).date == date(2026, 10, 10)
    assert coming_night(YARD, datetime(2026, 10, 11, 12, 0, tzinfo=UTC)).date == date(2026, 10, 11)


def test_light_nights_fall_back_to_twilight_and_polar_day_to_none():
    # 51.5 N on 2024-06-21: the Sun stays above −18° (US Naval Observatory definitions)
    north = YARD.model_copy(
        update={"latitude_deg": 51.4779, "longitude_deg": 0.0, "timezone": "Europe/London"}
    )
    night = site_night(north, date(2024, 6, 21))
    assert night.darkness == "nautical"
    assert darkest_window(night) is not None
    arctic = YARD.model_copy(update={"latitude_deg": 78.0, "longitude_deg": 15.0})
    assert darkest_window(site_night(arctic, date(2024, 6, 21))) is None
