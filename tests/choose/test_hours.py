"""A night hour by hour, against skyfield's own altitudes and twilights."""

from __future__ import annotations

import contextlib
from datetime import date
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import skyfield_data

from slowglass.choose.hours import climbs, night_hours
from slowglass.kit.io import load_site

NIGHT = date(2026, 10, 9)


@pytest.fixture(scope="module")
def hours():
    return night_hours(load_site("Fig Tree Yard"), NIGHT)


def test_altitudes_are_those_of_skyfield(hours):
    from skyfield.api import Loader, Star, wgs84

    site = load_site("Fig Tree Yard")
    load = Loader(Path(skyfield_data.__file__).parent / "data", verbose=False)
    with contextlib.closing(load("de421.bsp")) as eph:
        here = eph["earth"] + wgs84.latlon(site.latitude_deg, site.longitude_deg, site.height_m)
        when = load.timescale(builtin=True).from_datetimes(list(hours.moments))
        m15 = Star(ra_hours=322.493 / 15.0, dec_degrees=12.167)
        sought = {
            "M15": here.at(when).observe(m15).apparent(),
            "moon": here.at(when).observe(eph["moon"]).apparent(),
        }
        alt = {
            name: place.altaz(temperature_C=10.0, pressure_mbar=1010.0)[0].degrees
            for name, place in sought.items()
        }
    (climb,) = climbs(hours, [322.493], [12.167], site=site)
    up = alt["M15"] > 5.0
    # half a minute of arc from turning the sky rigidly over a night, and the air's model
    assert np.abs(climb.alt_deg - alt["M15"])[up].max() < 0.02
    high = alt["moon"] > 5.0
    assert np.abs(hours.moon_alt_deg - alt["moon"])[high].max(initial=0.0) < 0.15


def test_bands_nest_and_the_dark_is_the_nights(hours):
    from slowglass.find.hour import site_night

    assert [band.depth for band in hours.bands] == ["civil", "nautical", "dark"]
    for outer, inner in pairwise(hours.bands):
        assert outer.begin < inner.begin < inner.end < outer.end
    night = site_night(load_site("Fig Tree Yard"), NIGHT)
    dark = hours.bands[-1]
    # the Sun's path is bent over ten minutes: a straight line misses by seconds
    assert abs((dark.begin - night.dark_from).total_seconds()) < 15.0
    assert abs((dark.end - night.dark_to).total_seconds()) < 15.0
    assert hours.share(hours.begin) == 0.0
    assert hours.share(hours.end) == 1.0


def test_far_north_in_june_has_hours_but_no_dark():
    site = load_site("Fig Tree Yard").model_copy(
        update={"latitude_deg": 70.0, "timezone": "Europe/Oslo"}
    )
    hours = night_hours(site, date(2026, 6, 21))
    assert hours.bands == ()
    assert len(hours.moments) > 100


def test_no_object_no_climb(hours):
    assert climbs(hours, [], [], site=load_site("Fig Tree Yard")) == ()
