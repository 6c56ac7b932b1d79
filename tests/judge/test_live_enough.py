"""How far the picture is: measured light against the plan, minutes that are left."""

from __future__ import annotations

import math

import numpy as np
import pytest

from slowglass.expose.profile import object_model
from slowglass.frame.image import Frame
from slowglass.judge.live_enough import (
    TargetLight,
    how_far,
    seconds_a_keeper,
    stacked_snr,
    target_light,
)
from slowglass.sky.place import resolve_place
from slowglass.sky.wcs import TanWcs

TOLD = {"exposure_s": 1800.0, "fwhm_px": 4.0, "seconds_a_keeper": 40.0}


def test_signal_to_noise_of_many_frames_is_the_ccd_equation():
    lights = [TargetLight(6.0, 9.0)] * 25
    pixels = math.pi / 4 * 16.0
    signal = 25 * 6.0 * pixels
    expected = signal / math.sqrt(signal + 25 * pixels * 81.0)
    assert stacked_snr(lights, 4.0) == pytest.approx(expected, rel=1e-9)


def test_it_grows_with_the_root_and_tells_what_is_left():
    found = how_far([TargetLight(6.0, 9.0)] * 60, planned_single_snr=2.0, **TOLD)
    assert found.how == "measured"
    assert found.planned_snr == pytest.approx(2.0 * math.sqrt(60))
    needed = math.ceil(60 * (30.0 / found.snr) ** 2)
    assert found.frames_left == needed - 60
    assert found.minutes_left == pytest.approx(found.frames_left * 40.0 / 60.0)
    more = how_far([TargetLight(6.0, 9.0)] * needed, planned_single_snr=2.0, **TOLD)
    assert more.reached and more.snr >= 30.0


def test_frames_that_could_not_be_measured_count_by_the_others():
    some = [TargetLight(6.0, 9.0)] * 30 + [None] * 10
    every = how_far([TargetLight(6.0, 9.0)] * 40, planned_single_snr=None, **TOLD)
    assert how_far(some, planned_single_snr=None, **TOLD).snr == pytest.approx(every.snr)


def test_without_a_measurement_the_plan_speaks_and_says_so():
    found = how_far([None] * 16, planned_single_snr=3.0, **TOLD)
    assert found.how == "plan" and found.snr == pytest.approx(12.0)
    silent = how_far([None] * 16, planned_single_snr=None, **TOLD)
    assert silent.snr is None and silent.frames_left is None and not silent.reached


def test_a_bright_core_is_not_enough_before_twenty_minutes_of_light():
    told = TOLD | {"exposure_s": 120.0}
    found = how_far([TargetLight(900.0, 9.0)] * 4, planned_single_snr=None, **told)
    assert found.snr > 30.0 and not found.reached
    assert found.frames_left == 36  # 20 min in frames of 30 s, less the four


def test_time_a_keeper_takes_counts_pauses_and_lost_frames_but_no_long_breaks():
    starts = [40.0 * k for k in range(10)] + [7200.0 + 40.0 * k for k in range(10)]
    assert seconds_a_keeper(starts, 20) == pytest.approx(38.0)
    assert seconds_a_keeper(starts, 10) == pytest.approx(76.0)
    assert seconds_a_keeper([5.0], 1) is None
    assert seconds_a_keeper([5.0, 45.0], 0) is None


@pytest.mark.parametrize("parity", [1, -1])
def test_an_ellipse_of_known_light_on_the_sky_comes_back(sky, parity):
    target = resolve_place("M31", sky).object
    model = object_model(target)
    scale = model.half_light_arcsec / 40.0  # its half-light radius is 40 px
    wcs = TanWcs.from_simple(
        ra_deg=target.ra_deg, dec_deg=target.dec_deg, width_px=600, height_px=600,
        scale_arcsec_per_px=scale, rotation_deg=33.0, parity=parity,
    )  # fmt: skip
    y, x = np.mgrid[:600, :600].astype(float)
    ra, dec = wcs.pixel_to_sky(x, y)
    east = (ra - target.ra_deg) * np.cos(np.radians(target.dec_deg)) * 3600.0
    north = (dec - target.dec_deg) * 3600.0
    turn = np.radians(target.position_angle_deg)
    along = east * np.sin(turn) + north * np.cos(turn)
    across = east * np.cos(turn) - north * np.sin(turn)
    inside = np.hypot(along, across / model.axis_ratio) < model.half_light_arcsec
    noise = np.random.default_rng(3).normal(0.0, 4.0, x.shape)
    frame = Frame((200.0 + 50.0 * inside + noise).astype(np.float32))
    found = target_light(frame, target, wcs, 2.0)
    # The edge pixels of a small ellipse and the curved sky over degrees cost some per cent.
    assert found.object_e_per_px == pytest.approx(100.0, rel=0.06)
    assert found.noise_e == pytest.approx(8.0, rel=0.05)


def test_clusters_and_targets_off_the_frame_are_not_measured(sky):
    frame = Frame(np.zeros((300, 300), np.float32))
    place = resolve_place("M15", sky).object
    far = TanWcs.from_simple(
        ra_deg=place.ra_deg + 5.0, dec_deg=place.dec_deg, width_px=300, height_px=300,
        scale_arcsec_per_px=3.0, rotation_deg=0.0, parity=1,
    )  # fmt: skip
    assert target_light(frame, place, far, 1.0) is None
    cluster = resolve_place("M11", sky).object
    here = TanWcs.from_simple(
        ra_deg=cluster.ra_deg, dec_deg=cluster.dec_deg, width_px=300, height_px=300,
        scale_arcsec_per_px=9.0, rotation_deg=0.0, parity=1,
    )  # fmt: skip
    assert target_light(frame, cluster, here, 1.0) is None
