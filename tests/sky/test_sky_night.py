"""Nights against almanac values and at the ends of the Earth."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest

from slowglass.errors import UsageError
from slowglass.sky.night import night_of

LIBRARY_TOLERANCE_S = 5.0


def seconds_apart(a: datetime | None, iso: str) -> float:
    assert a is not None
    return abs((a - datetime.fromisoformat(iso).replace(tzinfo=UTC)).total_seconds())


@pytest.mark.parametrize(
    ("field", "iso"),
    [
        # skyfield documentation, almanac.rst, 40.8939 N 83.8917 W.
        ("sunset", "2019-11-08T22:23:52"),
        ("civil_from", "2019-11-08T22:52:48"),
        ("nautical_from", "2019-11-08T23:25:34"),
        ("dark_from", "2019-11-08T23:57:44"),
    ],
)
def test_evening_of_a_published_almanac(field, iso):
    night = night_of(40.8939, -83.8917, "America/New_York", date(2019, 11, 8))
    assert seconds_apart(getattr(night, field), iso) < LIBRARY_TOLERANCE_S


@pytest.mark.parametrize(
    ("field", "iso"),
    [
        ("dark_to", "2019-11-08T10:40:19"),
        ("nautical_to", "2019-11-08T11:12:31"),
        ("civil_to", "2019-11-08T11:45:18"),
        ("sunrise", "2019-11-08T12:14:15"),
    ],
)
def test_morning_of_a_published_almanac(field, iso):
    night = night_of(40.8939, -83.8917, "America/New_York", date(2019, 11, 7))
    assert seconds_apart(getattr(night, field), iso) < LIBRARY_TOLERANCE_S


def test_greenwich_equinox_evening():
    # astropy, skyfield the same minute.
    night = night_of(51.4779, 0.0, "Europe/London", date(2024, 3, 20))
    assert seconds_apart(night.sunset, "2024-03-20T18:13:49") < LIBRARY_TOLERANCE_S
    assert seconds_apart(night.civil_from, "2024-03-20T18:47:10") < LIBRARY_TOLERANCE_S
    assert seconds_apart(night.nautical_from, "2024-03-20T19:26:38") < LIBRARY_TOLERANCE_S
    assert seconds_apart(night.dark_from, "2024-03-20T20:07:48") < LIBRARY_TOLERANCE_S
    assert night.darkness == "astronomical"
    assert night.dark_from < night.midnight < night.dark_to


def test_midsummer_greenwich_has_no_true_night():
    # skyfield: the Sun never passes below −18° on 2024-06-21 at 51.5° N.
    night = night_of(51.4779, 0.0, "Europe/London", date(2024, 6, 21))
    assert night.darkness == "nautical"
    assert (night.dark_from, night.dark_to) == (night.nautical_from, night.nautical_to)


def test_white_night_and_polar_day_and_night():
    white = night_of(62.0, 25.0, "Europe/Helsinki", date(2024, 6, 21))
    assert white.sun == "rises and sets"
    assert white.darkness == "none"
    assert white.dark_from is None
    assert white.dark_to is None
    day = night_of(78.0, 15.0, "Arctic/Longyearbyen", date(2024, 6, 21))
    assert (day.sun, day.sunset, day.sunrise, day.darkness) == ("stays up", None, None, "none")
    polar = night_of(78.0, 15.0, "Arctic/Longyearbyen", date(2024, 12, 21))
    assert (polar.sun, polar.sunset, polar.sunrise) == ("stays down", None, None)
    assert polar.darkness == "astronomical"
    assert timedelta(hours=12) < polar.dark_to - polar.dark_from < timedelta(hours=18)


@pytest.mark.parametrize("latitude", [90.0, -90.0, 89.0, 66.6, -66.6, 0.0])
@pytest.mark.parametrize("month", range(1, 13))
def test_no_place_or_season_breaks_it(latitude, month):
    night = night_of(latitude, 30.0, "UTC", date(2025, month, 21))
    assert night.start < night.end
    assert night.end - night.start <= timedelta(hours=24.01)
    if night.dark_from is not None:
        assert night.start <= night.dark_from < night.dark_to <= night.end
    assert 0.0 <= night.moon_illuminated_fraction <= 1.0
    for moment in (night.moon_rises, night.moon_sets):
        assert moment is None or night.start <= moment <= night.end


@pytest.mark.parametrize(
    ("lat", "lon", "zone"),
    [
        (44.20, 0.62, "Europe/Paris"),
        (-34.45, 116.03, "Australia/Perth"),
        (0.0, 179.9, "Pacific/Auckland"),
        (10.0, -170.0, "UTC"),
    ],
)
def test_the_night_is_the_one_that_begins_on_the_local_date(lat, lon, zone):
    from zoneinfo import ZoneInfo

    night = night_of(lat, lon, zone, date(2026, 11, 25))
    begins = night.sunset.astimezone(ZoneInfo(zone))
    if zone != "UTC":
        assert begins.date() == date(2026, 11, 25)
    assert 10.0 < (night.sunrise - night.sunset).total_seconds() / 3600 < 15.5 or lat < 0
    # Mean solar time at sunset is an afternoon hour wherever the clock stands.
    solar_hour = (night.sunset.hour + night.sunset.minute / 60 + lon / 15.0) % 24
    assert 16.0 < solar_hour < 20.0


def test_moonrise_and_moonset_agree_with_skyfield(skyfield_kit):
    from skyfield import almanac
    from skyfield.api import wgs84

    place = wgs84.latlon(44.20, 0.62)
    observer = skyfield_kit.bodies["earth"] + place
    compared = 0
    for day in range(1, 29, 3):
        night = night_of(44.20, 0.62, "Europe/Paris", date(2026, 10, day))
        span = (
            skyfield_kit.scale.from_datetime(night.start),
            skyfield_kit.scale.from_datetime(night.end),
        )
        moon = skyfield_kit.bodies["moon"]
        for ours, search in (
            (night.moon_rises, almanac.find_risings),
            (night.moon_sets, almanac.find_settings),
        ):
            moments, real = search(observer, moon, *span)
            theirs = [m.utc_datetime() for m, ok in zip(moments, real, strict=True) if ok]
            assert (ours is None) == (not theirs)
            if ours is not None:
                # Our limb is the mean one, theirs follows the distance: ±1′ or some 10 s.
                assert abs((ours - theirs[0]).total_seconds()) < 20.0
                compared += 1
    assert compared >= 8


def test_unknown_time_zone_is_refused_with_a_cure():
    with pytest.raises(UsageError, match=r"time zone “Mars/Olympus” is unknown.*Europe/Paris"):
        night_of(0.0, 0.0, "Mars/Olympus", date(2024, 1, 1))


def test_leap_day_and_distant_year():
    assert night_of(44.2, 0.62, "Europe/Paris", date(2028, 2, 29)).darkness == "astronomical"
    assert night_of(44.2, 0.62, "Europe/Paris", date(2060, 1, 1)).darkness == "astronomical"
