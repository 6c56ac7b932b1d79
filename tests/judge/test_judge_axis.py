"""The polar axis: known axes come back through astropy's sky, bolts go the right way."""

from __future__ import annotations

import math
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from slowglass.judge.axis import bolt_words, measure_axis
from slowglass.judge.axis_aim import aim_axis
from slowglass.judge.drift import measure_drift
from slowglass.judge.sample import Sample
from slowglass.kit.io import load_site
from slowglass.kit.model import SIDEREAL_ARCSEC_S
from slowglass.sky.wcs import TanWcs

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))
from judge_mount import SIDEREAL_DEG_S, Mounted

NORTH, SOUTH = load_site("Fig Tree Yard"), load_site("Karri Flat")
START = 1.79e9


def mounted(site, altitude, azimuth, dec):
    return Mounted(site.latitude_deg, site.longitude_deg, altitude, azimuth, dec)


def frames(mount, hours, times, *, noise_arcsec=0.5, roll_arcsec=8.0, seed=0):
    rng = np.random.default_rng(seed)
    made = []
    for hour, time in zip(hours, times, strict=True):
        ra, dec, rotation = mount.place(float(hour), float(time))
        made.append(
            Sample(
                float(time),
                30.0,
                ra + rng.normal(0, noise_arcsec) / 3600 / math.cos(math.radians(dec)),
                dec + rng.normal(0, noise_arcsec) / 3600,
                rotation + rng.normal(0, roll_arcsec) / 3600,
                0.619,
                1,
                6000,
                4000,
                matched=20,
                rms_arcsec=1.0,
            )
        )
    return made


def measured(samples, site):
    return measure_axis(samples, latitude_deg=site.latitude_deg, longitude_deg=site.longitude_deg)


@pytest.mark.parametrize("site", [NORTH, SOUTH])
@pytest.mark.parametrize(
    ("altitude", "azimuth"), [(0, 0), (10, -8), (-30, 40), (120, -200), (0.0, 12.0)]
)
def test_three_frames_turned_give_the_axis(site, altitude, azimuth):
    dec = math.copysign(40, site.latitude_deg)
    mount = mounted(site, altitude, azimuth, dec)
    fit = measured(frames(mount, (-45, -20, 0), START + 120 * np.arange(3)), site)
    assert fit
    # The goal: 0.5′ from three frames turned by 40° or more.
    assert fit.altitude_arcmin == pytest.approx(altitude, abs=0.5)
    assert fit.azimuth_arcmin == pytest.approx(azimuth, abs=0.5)
    assert fit.turned_deg == pytest.approx(45, abs=1)
    cos_lat = math.cos(math.radians(site.latitude_deg))
    assert fit.total_arcmin == pytest.approx(math.hypot(altitude, azimuth * cos_lat), abs=0.5)
    assert 0.05 < fit.total_error_arcmin < 0.5


@pytest.mark.parametrize("site", [NORTH, SOUTH])
def test_half_an_hour_of_drift_gives_the_axis(site):
    mount = mounted(site, 10, -8, math.copysign(20, site.latitude_deg))
    times = START + 60.0 * np.arange(30)
    worm = 15 / 3600 * np.sin(2 * np.pi * times / 662.8)  # the drive's swing is a turn in RA
    hours = -20 + SIDEREAL_DEG_S * (times - START) + worm
    fit = measured(frames(mount, hours, times), site)
    assert fit
    # The goal: 2′ from half an hour.
    assert fit.altitude_arcmin == pytest.approx(10, abs=2)
    assert fit.azimuth_arcmin == pytest.approx(-8, abs=2)


def test_drift_over_the_field_is_that_of_the_published_formula():
    # ε·ω: 1′ over 5 min drifts 1.313″ (Barrett 2016 and exact vectors, REFERENCES "Tracking").
    # An axis too far east, at the meridian, moves stars south, so the field (aimed by the
    # mount) moves north against them: here 12′ east of the pole on the sky.
    cos_lat = math.cos(math.radians(NORTH.latitude_deg))
    mount = mounted(NORTH, 0.0, 12.0 / cos_lat, 40.0)
    times = START + 30.0 * np.arange(21)
    hours = -1.25 + SIDEREAL_DEG_S * (times - START)
    drift = measure_drift(frames(mount, hours, times, noise_arcsec=0.01, roll_arcsec=0.1))
    assert drift
    expected = 12 * 60 * math.radians(SIDEREAL_ARCSEC_S / 3600) * 60  # ″/min
    assert expected == pytest.approx(12 * 1.313 / 5, rel=1e-3)
    # Refraction changes by some hundredths of an arcsecond a minute.
    assert abs(drift.dec_arcsec_per_min) == pytest.approx(expected, abs=0.05)
    assert drift.dec_arcsec_per_min > 0


def test_frames_that_are_not_turned_are_silence():
    mount = mounted(NORTH, 10, -8, 40)
    still = frames(mount, (0, 0.2, 0.4), START + 120 * np.arange(3))
    found = measured(still, NORTH)
    assert not found and "turn" in found.reason


def test_a_short_drift_is_silence_about_an_axis_it_cannot_tell():
    mount = mounted(NORTH, 10, -8, 40)
    times = START + 60.0 * np.arange(12)
    found = measured(frames(mount, SIDEREAL_DEG_S * (times - START), times), NORTH)
    assert not found and "±" in found.reason


def test_a_moved_dec_axis_is_noticed():
    good = mounted(NORTH, 10, -8, 40)
    moved = replace(good, dec_deg=40.5)
    samples = frames(good, (-40, -20), START + 120 * np.arange(2))
    samples += frames(moved, (0,), [START + 240], seed=2)
    samples += frames(moved, (20,), [START + 360], seed=3)
    found = measured(samples, NORTH)
    assert not found and "something else moved" in found.reason


def test_mirrored_and_unsolved_frames_are_refused_with_a_reason():
    mount = mounted(NORTH, 10, -8, 40)
    three = frames(mount, (-40, -20, 0), START + 120 * np.arange(3))
    mixed = [*three[:2], replace(three[2], parity=-1)]
    assert "mirrored" in measured(mixed, NORTH).reason
    unsolved = [*three[:2], replace(three[2], ra_deg=None)]
    assert "3 needed" in measured(unsolved, NORTH).reason


def test_refraction_is_taken_off():
    # 10° up, refraction is 5.3′: without it the axis would be arcminutes off.
    mount = mounted(NORTH, 0, 0, -25)
    fit = measured(frames(mount, (-25, 0, 25), START + 120 * np.arange(3)), NORTH)
    assert fit and fit.total_arcmin < 0.6


@pytest.mark.parametrize(
    ("altitude", "azimuth", "latitude", "words"),
    [
        (5, 3, 44, ("lower", "west (left")),
        (-5, -3, 44, ("raise", "east (right")),
        # Facing south, west is on the right.
        (5, 3, -34, ("lower", "west (right")),
        (-5, -3, -34, ("raise", "east (left")),
    ],
)
def test_bolts_in_either_hemisphere(altitude, azimuth, latitude, words):
    up, side = bolt_words(altitude, azimuth, latitude)
    assert words[0] in up and words[1] in side


@pytest.mark.parametrize("site", [NORTH, SOUTH])
def test_the_live_target_follows_the_bolts(site):
    dec = math.copysign(30, site.latitude_deg)
    times = START + 120.0 * np.arange(3)
    first = frames(mounted(site, 25, -30, dec), (-60, -40, -20), times)
    fit = measured(first, site)
    assert fit
    begin = aim_axis(fit, first[-1])
    assert begin.altitude_arcmin == pytest.approx(25, abs=0.5) and not begin.done
    # Where the centre star stands once the axis is right, through astropy.
    ra, dec_deg, rotation = mounted(site, 0, 0, dec).place(-20, times[-1])
    wcs = TanWcs.from_simple(
        ra_deg=ra, dec_deg=dec_deg, width_px=6000, height_px=4000,
        scale_arcsec_per_px=0.619, rotation_deg=rotation,
    )  # fmt: skip
    x, y = wcs.sky_to_pixel(first[-1].ra_deg, first[-1].dec_deg)
    # 0.5′ of axis is 50 px here.
    assert begin.to_x_px == pytest.approx(float(x), abs=50)
    assert begin.to_y_px == pytest.approx(float(y), abs=50)
    for k, (altitude, azimuth) in enumerate(((10, -30), (10, 5), (0, 0))):
        time = times[-1] + 60.0 * (k + 1)
        hour = -20 + SIDEREAL_DEG_S * (time - times[-1])
        now = frames(mounted(site, altitude, azimuth, dec), [hour], [time], seed=k)[0]
        aim = aim_axis(fit, now)
        assert aim
        fit = aim.fit
        assert aim.altitude_arcmin == pytest.approx(altitude, abs=0.6)
        assert aim.azimuth_arcmin == pytest.approx(azimuth, abs=0.6)
    assert aim.done


def test_a_swing_no_bolt_makes_is_refused():
    times = START + 120.0 * np.arange(3)
    first = frames(mounted(NORTH, 5, 5, 30), (-60, -40, -20), times)
    fit = measured(first, NORTH)
    away = frames(mounted(NORTH, 5, 5, 70), (30,), [times[-1] + 60])[0]
    found = aim_axis(fit, away)
    assert not found and "no turn of the bolts" in found.reason
