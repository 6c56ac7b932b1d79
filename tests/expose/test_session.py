"""What a session takes: counts, card and battery against plain sums."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from slowglass.expose.session import (
    BIAS,
    DARKS,
    FLAT_LEVEL,
    LONGEST_SESSION_MIN,
    battery_share,
    plan_session,
)

USUAL = {
    "exposure_s": 30.0,
    "keeper_fraction": 0.9,
    "wanted_frames": 100,
    "minutes_up": 300.0,
    "drift_arcsec_per_min": 2.0,
    "temperature_c": 8.0,
}


def test_frames_for_the_wanted_keepers(full_kit):
    session = plan_session(full_kit, **USUAL)
    # 100 keepers of 0.9 want 111 frames of 32 s.
    assert session.frames == 111 and session.keepers == 100
    assert session.minutes == pytest.approx(111 * 32 / 60, abs=3.0)


def test_card_holds_the_raw_files(full_kit):
    session = plan_session(full_kit, **USUAL)
    files = session.frames + session.darks + session.flats + session.bias
    # 6000 × 4000 pixels of 14 bits are 42 MB.
    assert session.card_gb >= files * 0.042
    assert session.card_gb == pytest.approx(files * 0.042, rel=0.25)


def test_cold_takes_batteries(full_kit):
    longer = {**USUAL, "wanted_frames": 999}
    warm = plan_session(full_kit, **{**longer, "temperature_c": 20.0})
    cold = plan_session(full_kit, **{**longer, "temperature_c": -20.0})
    assert cold.batteries > warm.batteries >= 1
    assert battery_share(25.0) == 1.0 and battery_share(-40.0) == 0.4
    assert np.all(np.diff([battery_share(t) for t in range(-30, 30)]) >= 0.0)


def test_flats_make_a_quiet_master(full_kit):
    session = plan_session(full_kit, **USUAL)
    light = session.flats * FLAT_LEVEL * full_kit.camera.saturation_e
    # Poisson: the master's noise is 1/√electrons, a fifth of a per cent.
    assert 1.0 / math.sqrt(light) <= 0.002
    assert session.bias == BIAS and DARKS[0] <= session.darks <= DARKS[1]


def test_drift_calls_for_centring_again(full_kit):
    session = plan_session(full_kit, **USUAL, room_arcsec=60.0)
    assert session.recentre_min == pytest.approx(30.0)
    assert any("centre it again every 30 min" in line for line in session.text)
    assert plan_session(full_kit, **USUAL, room_arcsec=6000.0).recentre_min is None


def test_dithering_by_hand_is_said_with_and_without_drift(full_kit):
    still = plan_session(full_kit, **{**USUAL, "drift_arcsec_per_min": 0.0})
    assert any("declination knob" in line for line in still.text)
    moving = plan_session(full_kit, **USUAL)
    assert any("drift itself" in line for line in moving.text)
    # 10 to 20 px of 0.619″.
    assert still.dither_arcsec == pytest.approx((6.19, 12.38), abs=0.01)


@given(
    exposure=st.floats(0.5, 300.0),
    share=st.floats(0.0, 1.0),
    wanted=st.one_of(st.none(), st.integers(1, 999)),
    up=st.one_of(st.none(), st.floats(0.0, 600.0)),
    drift=st.floats(0.0, 60.0),
)
def test_no_night_breaks_it(full_kit, exposure, share, wanted, up, drift):
    session = plan_session(
        full_kit,
        exposure_s=exposure,
        keeper_fraction=share,
        wanted_frames=wanted,
        minutes_up=up,
        drift_arcsec_per_min=drift,
        temperature_c=-5.0,
        room_arcsec=300.0,
    )
    assert 1 <= session.keepers <= session.frames
    most = min(LONGEST_SESSION_MIN, LONGEST_SESSION_MIN if up is None else up) * 60.0
    assert session.frames == 1 or session.frames * (exposure + 2.0) <= most + 1e-6
    assert all(line and "nan" not in line for line in session.text)


def test_without_a_motor_the_sky_dithers(full_kit):
    mount = full_kit.mount.model_copy(update={"driven": "none"})
    still = full_kit.model_copy(update={"mount": mount})
    session = plan_session(still, **{**USUAL, "exposure_s": 1 / 4, "room_arcsec": 900.0,
                                     "drift_arcsec_per_min": 902.0})  # fmt: skip
    words = " ".join(session.text)
    assert "no dithering is needed" in words and "declination knob" not in words
    assert "× 1/4 s" in words
    # 900″ at 15.04″ a second.
    assert "centre it again every 60 s" in words
    assert session.frames <= 1000
