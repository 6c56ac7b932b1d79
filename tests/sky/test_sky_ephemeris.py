"""Sun and Moon against skyfield's DE421, astropy and Meeus."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest

from slowglass.sky.coords import of_date, separation_deg
from slowglass.sky.ephemeris import (
    moon_alt_az,
    moon_illuminated_fraction,
    moon_phase_angle_deg,
    moon_radec,
    sun_alt_deg,
    sun_radec,
)

ARCSEC = 1.0 / 3600.0
# TT − UTC in 1992: 27 leap seconds' ancestor, 26 + 32.184 from mid-1991 to mid-1992.
TT_UTC_1992_S = 26.0 + 32.184


def unix(*parts: int) -> float:
    return datetime(*parts, tzinfo=UTC).timestamp()


def ecliptic_longitude_deg(ra_deg: float, dec_deg: float, obliquity_deg: float) -> float:
    ra, dec, eps = np.radians([ra_deg, dec_deg, obliquity_deg])
    return float(
        np.degrees(np.arctan2(np.sin(ra) * np.cos(eps) + np.tan(dec) * np.sin(eps), np.cos(ra)))
        % 360.0
    )


TIMES = np.array([unix(2015, 3, 3), unix(2020, 7, 9, 5), unix(2026, 11, 25, 20), unix(2040, 1, 2)])


def test_astrometric_sun_agrees_with_de421(skyfield_kit):
    earth, sun = skyfield_kit.bodies["earth"], skyfield_kit.bodies["sun"]
    for when in TIMES:
        moment = skyfield_kit.scale.from_datetime(datetime.fromtimestamp(when, tz=UTC))
        ra, dec, _ = earth.at(moment).observe(sun).radec()
        ours = sun_radec(when)
        assert separation_deg(*ours, ra.hours * 15, dec.degrees) < 0.2 * ARCSEC


def test_astrometric_moon_agrees_with_de421(skyfield_kit):
    from skyfield.api import wgs84

    earth, moon = skyfield_kit.bodies["earth"], skyfield_kit.bodies["moon"]
    for lat, lon in [(44.20, 0.62), (-34.45, 116.03), (90.0, 0.0)]:
        site = earth + wgs84.latlon(lat, lon)
        for when in TIMES:
            moment = skyfield_kit.scale.from_datetime(datetime.fromtimestamp(when, tz=UTC))
            ra, dec, _ = site.at(moment).observe(moon).radec()
            ours = moon_radec(when, latitude_deg=lat, longitude_deg=lon)
            # The series is good to about 10″; 15 s of Earth rotation would show as 4″.
            assert separation_deg(*ours, ra.hours * 15, dec.degrees) < 15 * ARCSEC


def test_apparent_sun_of_meeus_example_25():
    # 1992-10-13 0h TD: skyfield apparent longitude 199°54′21.6″; Meeus's
    # higher-accuracy method gives 199°54′21.8″.
    when = unix(1992, 10, 13) - 59.184
    ra, dec = of_date(*sun_radec(when), when)
    longitude = ecliptic_longitude_deg(float(ra), float(dec), 23.4401443)
    assert longitude == pytest.approx(199 + 54 / 60 + 21.7 / 3600, abs=0.5 * ARCSEC)


def test_apparent_moon_of_meeus_example_47a():
    # 1992-04-12 0h TD: apparent λ 133.16726.
    when = unix(1992, 4, 12) - TT_UTC_1992_S
    ra, dec = of_date(*moon_radec(when), when)
    longitude = ecliptic_longitude_deg(float(ra), float(dec), 23.440636)
    assert longitude == pytest.approx(133.16726, abs=10 * ARCSEC)


def test_moon_illumination_of_meeus_example_48a():
    # k = 0.6786 (Meeus), 0.6785 (skyfield).
    when = unix(1992, 4, 12) - TT_UTC_1992_S
    assert moon_illuminated_fraction(when) == pytest.approx(0.6786, abs=0.001)


def test_moon_phases_of_april_2024():
    # skyfield 1.55: new 08 18:20:52Z, first quarter 15 19:13:07Z, full 23 23:48:59Z.
    new, quarter, full = unix(2024, 4, 8, 18, 20), unix(2024, 4, 15, 19, 13), unix(2024, 4, 23, 23)
    assert moon_illuminated_fraction(new) < 1e-4
    assert moon_illuminated_fraction(quarter) == pytest.approx(0.5, abs=0.003)
    assert moon_illuminated_fraction(full) > 0.998
    assert moon_phase_angle_deg(full) < 5.0


def test_illumination_agrees_with_de421_through_a_month(skyfield_kit):
    from skyfield import almanac

    times = unix(2026, 11, 1) + np.arange(0, 30, 1.7) * 86400.0
    moments = skyfield_kit.scale.from_datetimes([datetime.fromtimestamp(t, tz=UTC) for t in times])
    theirs = almanac.fraction_illuminated(skyfield_kit.bodies, "moon", moments)
    assert moon_illuminated_fraction(times) == pytest.approx(theirs, abs=0.002)


def test_sun_and_moon_altitudes_agree_with_skyfield(skyfield_kit):
    from skyfield.api import wgs84

    lat, lon = 44.20, 0.62
    site = skyfield_kit.bodies["earth"] + wgs84.latlon(lat, lon)
    for when in TIMES:
        moment = skyfield_kit.scale.from_datetime(datetime.fromtimestamp(when, tz=UTC))
        here = site.at(moment)
        alt, _, _ = here.observe(skyfield_kit.bodies["sun"]).apparent().altaz()
        ours = sun_alt_deg(when, latitude_deg=lat, longitude_deg=lon)
        assert ours == pytest.approx(alt.degrees, abs=15 * ARCSEC)
        alt, az, _ = here.observe(skyfield_kit.bodies["moon"]).apparent().altaz()
        moon_alt, moon_az = moon_alt_az(when, latitude_deg=lat, longitude_deg=lon)
        assert separation_deg(moon_az, moon_alt, az.degrees, alt.degrees) < 30 * ARCSEC


def test_arrays_in_arrays_out():
    assert moon_radec(TIMES)[0].shape == TIMES.shape
    assert sun_alt_deg(TIMES, latitude_deg=0.0, longitude_deg=0.0).shape == TIMES.shape


@pytest.mark.parametrize(
    ("when", "ra"),
    [
        # skyfield documentation, seasons of 2018.
        ((2018, 3, 20, 16, 15, 27), 0.0),
        ((2018, 6, 21, 10, 7, 18), 90.0),
        ((2018, 9, 23, 1, 54, 6), 180.0),
        ((2018, 12, 21, 22, 22, 44), 270.0),
    ],
)
def test_seasons_of_2018(when, ra):
    ours, _ = of_date(*sun_radec(unix(*when)), unix(*when))
    # The Sun moves 1″ in 24 s; the times are rounded to 1 s.
    assert abs((float(ours) - ra + 180) % 360 - 180) < 0.5 * ARCSEC


@pytest.mark.parametrize(
    ("when", "phase"),
    [
        # New 2018-09-09 18:01:28Z, last quarter 2018-09-03 02:37:24Z (skyfield documentation);
        # new Moon of Meeus example 49.a, 1977-02-18 3h37m42s TD (TT − UTC 48.2 s).
        ((2018, 9, 9, 18, 1, 28), 0.0),
        ((2018, 9, 3, 2, 37, 24), 270.0),
        ((1977, 2, 18, 3, 36, 54), 0.0),
    ],
)
def test_moments_of_moon_phases(when, phase):
    moment = unix(*when)
    obliquity = 23.4393
    moon = ecliptic_longitude_deg(*map(float, of_date(*moon_radec(moment), moment)), obliquity)
    sun = ecliptic_longitude_deg(*map(float, of_date(*sun_radec(moment), moment)), obliquity)
    # Half a minute of time is 15″ of the Moon's gain on the Sun; the obliquity adds a few.
    assert abs((moon - sun - phase + 180) % 360 - 180) < 25 * ARCSEC
