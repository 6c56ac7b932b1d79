"""Angles and alt-az against astropy, skyfield, ERFA and Meeus's worked examples."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from slowglass.sky.coords import (
    Instants,
    alt_az,
    hour_angle_deg,
    of_date,
    offset_point,
    position_angle_deg,
    refraction_arcmin,
    separation_deg,
    sky_angles,
    tai_minus_utc_s,
    unit_vectors,
)
from slowglass.sky.rotation import earth_rotation

ARCSEC = 1.0 / 3600.0
RA = st.floats(0, 359.999)
DEC = st.floats(-90, 90)


def unix(year: int, month: int, day: int, hour: int = 0, minute: int = 0, second: float = 0.0):
    whole = int(second)
    moment = datetime(year, month, day, hour, minute, whole, tzinfo=UTC)
    return moment.timestamp() + second - whole


def test_separation_of_arcturus_and_spica():
    # Meeus 1998, example 17.a: 32.7930°.
    assert separation_deg(213.9154, 19.1825, 201.2983, -11.1614) == pytest.approx(32.7930, abs=1e-4)


def test_separation_is_exact_for_small_and_near_antipodal_angles():
    tiny = 1e-3 * ARCSEC
    assert separation_deg(10.0, 40.0, 10.0, 40.0 + tiny) == pytest.approx(tiny, rel=1e-5)
    assert separation_deg(10.0, 40.0, 190.0, -40.0 + tiny) == pytest.approx(180.0 - tiny, abs=1e-10)


@settings(deadline=None)  # the first call imports astropy
@given(RA, DEC, RA, DEC)
def test_separation_and_direction_agree_with_astropy(ra1, dec1, ra2, dec2):
    from astropy.coordinates import angular_separation, position_angle

    ours = float(separation_deg(ra1, dec1, ra2, dec2))
    theirs = angular_separation(*np.radians([ra1, dec1, ra2, dec2]))
    assert ours == pytest.approx(np.degrees(theirs), abs=1e-9)
    if 1e-3 < ours < 179.999 and abs(dec1) < 89.9:
        pa = position_angle(*np.radians([ra1, dec1, ra2, dec2])).deg
        gap = (float(position_angle_deg(ra1, dec1, ra2, dec2)) - pa + 180.0) % 360.0 - 180.0
        assert abs(gap) < 1e-6


@given(RA, st.floats(-89.9, 89.9), st.floats(0, 359.99), st.floats(1e-4, 179.9))
def test_an_offset_point_lies_where_it_was_sent(ra, dec, pa, distance):
    ra2, dec2 = offset_point(ra, dec, pa, distance)
    assert separation_deg(ra, dec, ra2, dec2) == pytest.approx(distance, abs=1e-9)
    gap = (float(position_angle_deg(ra, dec, ra2, dec2)) - pa + 180.0) % 360.0 - 180.0
    assert abs(gap) * np.sin(np.radians(distance)) < 1e-7


@given(RA, DEC)
def test_vectors_round_trip(ra, dec):
    ra2, dec2 = sky_angles(3.0 * unit_vectors(ra, dec))
    assert float(separation_deg(ra, dec, ra2, dec2)) < 1e-10
    assert 0.0 <= float(ra2) < 360.0


def test_alt_az_of_one_star_matches_two_libraries():
    # astropy 8.0.2 gives 41.21940, 165.14001; skyfield 1.55 +0.23″, −0.06″.
    alt, az = alt_az(
        83.8221, -5.3911, latitude_deg=42.3333, longitude_deg=-71.0833, unix_s=unix(2024, 1, 15, 2)
    )
    assert alt == pytest.approx(41.21940, abs=0.1 * ARCSEC)
    assert az == pytest.approx(165.14001, abs=0.1 * ARCSEC)


def test_alt_az_agrees_with_astropy_over_the_sky_to_a_twentieth_of_an_arcsecond():
    import astropy.units as u
    from astropy.coordinates import AltAz, EarthLocation, SkyCoord
    from astropy.time import Time
    from astropy.utils import iers

    rng = np.random.default_rng(3)
    ra, dec = rng.uniform(0, 360, 200), np.degrees(np.arcsin(rng.uniform(-1, 1, 200)))
    with iers.conf.set_temp("auto_download", False):
        for lat, lon, when in [
            (44.20, 0.62, unix(2026, 8, 12, 22)),
            (-34.45, 116.03, unix(2023, 2, 3, 14, 30)),
            (89.0, -30.0, unix(2017, 1, 1, 0, 0, 5)),
        ]:
            site = EarthLocation.from_geodetic(lon, lat)
            frame = AltAz(obstime=Time(when, format="unix"), location=site)
            theirs = SkyCoord(ra * u.deg, dec * u.deg).transform_to(frame)
            alt, az = alt_az(ra, dec, latitude_deg=lat, longitude_deg=lon, unix_s=when)
            apart = separation_deg(az, alt, theirs.az.deg, theirs.alt.deg) / ARCSEC
            # Light deflection, which we leave out, passes 0.05″ only within 5° of the Sun.
            assert np.percentile(apart, 95) < 0.05
            assert apart.max() < 1.0


def test_alt_az_agrees_with_skyfield(skyfield_kit):
    from skyfield.api import Star, wgs84

    site = skyfield_kit.bodies["earth"] + wgs84.latlon(-34.45, 116.03)
    moment = skyfield_kit.scale.utc(2024, 7, 1, 13)
    star = Star(ra_hours=322.493 / 15.0, dec_degrees=12.167)
    theirs_alt, theirs_az, _ = site.at(moment).observe(star).apparent().altaz()
    alt, az = alt_az(
        322.493, 12.167, latitude_deg=-34.45, longitude_deg=116.03, unix_s=unix(2024, 7, 1, 13)
    )
    # Skyfield leaves polar motion out (up to 0.4″).
    assert separation_deg(az, alt, theirs_az.degrees, theirs_alt.degrees) < 1.0 * ARCSEC


def test_stars_broadcast_against_times():
    ra, dec = np.array([10.0, 200.0, 300.0]), np.array([-20.0, 0.0, 70.0])
    times = unix(2025, 5, 5) + np.arange(4) * 3600.0
    alt, az = alt_az(
        ra[:, None], dec[:, None], latitude_deg=44.2, longitude_deg=0.62, unix_s=times[None, :]
    )
    assert alt.shape == az.shape == (3, 4)
    one, _ = alt_az(200.0, 0.0, latitude_deg=44.2, longitude_deg=0.62, unix_s=times[2])
    assert alt[1, 2] == pytest.approx(float(one), abs=1e-9)


def test_apparent_place_of_theta_persei():
    # Meeus 1998, example 23.a (proper motion applied as in 21.b): 2h46m14.390s +49°21′07.45″;
    # astropy TETE 14.385 s, 07.44″. Epoch 2028-11-13.19 TD.
    years = (2462088.69 - 2451545.0) / 365.25
    ra0 = 15 * (2 + 44 / 60 + 11.986 / 3600) + years * 0.03425 * 15 / 3600
    dec0 = 49 + 13 / 60 + 42.48 / 3600 - years * 0.0895 / 3600
    ra, dec = of_date(ra0, dec0, (2462088.69 - 2440587.5) * 86400.0 - 69.2)
    assert ra == pytest.approx(15 * (2 + 46 / 60 + 14.390 / 3600), abs=0.15 * ARCSEC)
    assert dec == pytest.approx(49 + 21 / 60 + 7.45 / 3600, abs=0.1 * ARCSEC)


def test_hour_angle_is_sidereal_time_less_right_ascension():
    # Meeus 1998, example 12.a: apparent sidereal time at Greenwich 13h10m46.135s,
    # 1987-04-10 0h UT; our clock is UTC, UT1−UTC then −0.34 s.
    when = unix(1987, 4, 10)
    ra, _ = of_date(30.0, 0.0, when)
    ha = hour_angle_deg(30.0, 0.0, when, dec_deg=0.0)
    sidereal_s = float((ha + ra) % 360.0) * 240.0
    ut1_utc = float(earth_rotation(46895.0).ut1_utc_s)
    assert abs(ut1_utc) < 0.9
    expected = 13 * 3600 + 10 * 60 + 46.1352 + ut1_utc * 1.0027379
    assert sidereal_s == pytest.approx(expected, abs=0.005)


def test_hour_angle_without_declination_is_good_to_a_quarter_degree():
    when = unix(2026, 11, 25, 20)
    full = hour_angle_deg(83.8, 10.0, when, dec_deg=-5.4)
    rough = hour_angle_deg(83.8, 10.0, when)
    assert abs(float(full - rough)) < 0.25
    assert -180.0 <= float(rough) < 180.0


def test_refraction_matches_meeus_example_16a():
    # Apparent 0°30′ → 28.754′; true 33′14.76″ → apparent 57′51.96″ (24.62′).
    assert refraction_arcmin(0.5, apparent=True) == pytest.approx(28.754, abs=0.001)
    true_alt = 33.0 / 60 + 14.76 / 3600
    assert refraction_arcmin(true_alt) == pytest.approx(57 + 51.96 / 60 - true_alt * 60, abs=0.01)


@pytest.mark.parametrize(
    ("alt", "r"), [(0.0, 34.478), (5.0, 9.883), (10.0, 5.392), (20.0, 2.703), (45.0, 0.9948)]
)
def test_bennett_refraction_table(alt, r):
    # Bennett 1982, J. Navigation 35, 255.
    assert refraction_arcmin(alt, apparent=True) == pytest.approx(r, abs=0.002)


def test_refraction_fades_at_the_zenith_and_with_pressure():
    assert refraction_arcmin(90.0) == pytest.approx(0.0, abs=0.002)
    assert refraction_arcmin(90.0) >= 0.0
    assert refraction_arcmin(30.0, pressure_hpa=505.0) == pytest.approx(
        float(refraction_arcmin(30.0)) / 2
    )
    assert np.isfinite(refraction_arcmin(-90.0))


def test_both_refraction_forms_undo_each_other():
    true_alt = np.linspace(5.0, 89.0, 40)
    lifted = true_alt + refraction_arcmin(true_alt) / 60.0
    # Meeus gives 4″ as their disagreement.
    back = lifted - refraction_arcmin(lifted, apparent=True) / 60.0
    assert np.abs(back - true_alt).max() < 6 * ARCSEC


def test_leap_seconds_and_earth_rotation_follow_astropy():
    from astropy.time import Time
    from astropy.utils import iers

    # Not on a day with a leap second: there astropy stretches the day, POSIX time does not.
    days = np.array([46895.25, 53736.5, 57752.99, 57754.01, 60000.3, 61000.7])
    with iers.conf.set_temp("auto_download", False):
        t = Time(days, format="mjd", scale="utc")
        theirs = t.get_delta_ut1_utc(iers.IERS_Auto.open()).to_value("s")
        tai_days = t.tai.jd1 - t.utc.jd1 + t.tai.jd2 - t.utc.jd2
    assert earth_rotation(days).ut1_utc_s == pytest.approx(theirs, abs=2e-4)
    assert tai_minus_utc_s(days - 40587.0) == pytest.approx(tai_days * 86400.0, abs=1e-4)


def test_earth_rotation_beyond_the_table_holds_still():
    far = earth_rotation([80000.0, 90000.0])
    assert far.ut1_utc_s[0] == far.ut1_utc_s[1]
    assert earth_rotation(20000.0).ut1_utc_s == 0.0
    assert np.isfinite(Instants.at(unix(2090, 1, 1)).tt[1])
