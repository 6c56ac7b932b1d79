"""The nudge lands on the target, and says left when it is left."""

from __future__ import annotations

import astropy.units as u
import numpy as np
import pytest
from astropy.coordinates import SkyCoord
from hypothesis import given
from hypothesis import strategies as st

from slowglass.find.nudge import axis_turns, format_ra_time, nudge_text, picture_direction
from slowglass.sky.wcs import TanWcs

RA = st.floats(0, 359.9999)
DEC = st.floats(-89.9, 89.9)
SIZE = {"width_px": 6000, "height_px": 4000}


def turned(ra: float, dec: float, ra_turn: float, dec_turn: float) -> SkyCoord:
    """Where a mount points after its Dec axis, then its RA axis, have turned."""
    dec += dec_turn
    if dec > 90:
        ra, dec = ra + 180, 180 - dec
    elif dec < -90:
        ra, dec = ra + 180, -180 - dec
    return SkyCoord((ra + ra_turn) * u.deg, dec * u.deg)


def frame_at(ra: float, dec: float, rotation: float = 0.0, parity: int = 1) -> TanWcs:
    return TanWcs.from_simple(
        ra_deg=ra,
        dec_deg=dec,
        scale_arcsec_per_px=0.6188,
        rotation_deg=rotation,
        parity=parity,
        **SIZE,
    )


@given(RA, DEC, RA, DEC)
def test_turning_both_axes_lands_on_the_target(ra, dec, ra2, dec2):
    nudge = nudge_text(ra, dec, ra2, dec2)
    target = SkyCoord(ra2 * u.deg, dec2 * u.deg)
    assert turned(ra, dec, nudge.ra_deg, nudge.dec_deg).separation(target).arcsec < 0.01
    there = SkyCoord(ra * u.deg, dec * u.deg).separation(target).deg
    assert nudge.separation_deg == pytest.approx(there, abs=1e-8)
    assert -180 <= nudge.ra_deg <= 180


@given(RA, DEC, RA, DEC)
def test_the_way_given_turns_no_more_than_the_other_way(ra, dec, ra2, dec2):
    ra_turn, dec_turn, _ = axis_turns(ra, dec, ra2, dec2)
    straight = abs((ra2 - ra + 180) % 360 - 180) + abs(dec2 - dec)
    assert abs(ra_turn) + abs(dec_turn) <= straight + 1e-9


@given(RA, st.floats(-60, 60), st.floats(0, 359.9), st.floats(0.01, 1.0))
def test_small_turns_agree_with_astropy_offsets(ra, dec, angle, distance):
    """Against spherical_offsets_to and position_angle, to the square of the distance."""
    here = SkyCoord(ra * u.deg, dec * u.deg)
    there = here.directional_offset_by(angle * u.deg, distance * u.deg)
    nudge = nudge_text(ra, dec, there.ra.deg, there.dec.deg)
    east, north = here.spherical_offsets_to(there)
    # turning one axis then the other differs from flat offsets by about d²·tan δ
    curved = np.radians(distance**2) * (1 + np.tan(np.radians(abs(dec))))
    assert nudge.ra_deg * np.cos(np.radians(dec)) == pytest.approx(east.deg, abs=curved + 1e-9)
    assert nudge.dec_deg == pytest.approx(north.deg, abs=curved + 1e-9)
    assert nudge.separation_deg == pytest.approx(distance, abs=1e-9)


def test_across_zero_hours_the_turn_is_short():
    nudge = nudge_text(359.5, 10.0, 0.82, 9.6)
    assert nudge.ra_deg == pytest.approx(1.32)
    assert nudge.dec_deg == pytest.approx(-0.40)
    assert nudge.text.startswith(
        "Turn the RA axis 1.32° east (0 h 5.3 min) and the Dec axis 24.0′ south"
    )
    assert nudge.first == "ra"


def test_near_the_pole_the_short_way_is_over_it():
    nudge = nudge_text(10.0, 89.0, 190.0, 89.5)
    assert nudge.past_pole
    assert nudge.ra_deg == pytest.approx(0.0)
    assert nudge.dec_deg == pytest.approx(1.5)
    assert "north, past the pole" in nudge.text
    south = nudge_text(10.0, -89.0, 190.0, -89.5)
    assert south.past_pole
    assert south.dec_deg == pytest.approx(-1.5)


def test_larger_turn_comes_first():
    assert nudge_text(10, 0, 10.5, 3).text.startswith("Turn the Dec axis 3.00° north and the RA")
    assert nudge_text(10, 0, 13, 0.5).text.startswith("Turn the RA axis 3.00° east")


def test_an_axis_already_right_is_left_alone():
    assert "Dec" not in nudge_text(10, 20, 11, 20.001).text
    assert "RA" not in nudge_text(10, 20, 10.001, 21).text


@given(
    RA,
    st.floats(-85, 85),
    st.floats(0, 359.9),
    st.sampled_from([-1, 1]),
    st.floats(0, 359.9),
    st.floats(0.06, 5.0),
)
def test_picture_direction_agrees_with_the_pixels(ra, dec, rotation, parity, angle, distance):
    """The words match astropy's offset point carried through the frame's own coordinates."""
    wcs = frame_at(ra, dec, rotation, parity)
    centre = SkyCoord(ra * u.deg, dec * u.deg)
    target = centre.directional_offset_by(angle * u.deg, distance * u.deg)
    x, y = wcs.sky_to_pixel(target.ra.deg, target.dec.deg)
    right, up = float(x) - 2999.5, 1999.5 - float(y)
    words = picture_direction(wcs, angle)
    size = (right**2 + up**2) ** 0.5
    # the eight words cover 45° each: a word is right when its axis holds sin 22.5° of the length
    slack = 1e-3
    assert ("right" in words) == (right > 0.3827 * size) or abs(right / size - 0.3827) < slack
    assert ("left" in words) == (right < -0.3827 * size) or abs(right / size + 0.3827) < slack
    assert ("up" in words) == (up > 0.3827 * size) or abs(up / size - 0.3827) < slack
    assert ("down" in words) == (up < -0.3827 * size) or abs(up / size + 0.3827) < slack


def test_north_up_camera_frame_has_east_on_the_left():
    # stored top row first, +y (down) toward the south: rotation 180°, unmirrored parity +1
    wcs = frame_at(322.5, 12.2, rotation=180.0)
    nudge = nudge_text(322.5, 12.2, 322.7, 12.3, wcs=wcs, **SIZE)
    assert nudge.text.endswith("On the frame the target lies up and to the left.")
    assert nudge.frame_widths == pytest.approx(
        SkyCoord(322.5 * u.deg, 12.2 * u.deg)
        .separation(SkyCoord(322.7 * u.deg, 12.3 * u.deg))
        .arcsec
        / (6000 * 0.6188),
        rel=1e-6,
    )


def test_off_the_frame_is_said():
    nudge = nudge_text(
        322.5, 12.2, 325.0, 12.2, wcs=frame_at(322.5, 12.2, 180.0), target_name="M15", **SIZE
    )
    assert "Off the frame, M15 lies to the left." in nudge.text
    assert "about 2.4 frame widths" in nudge.text


def test_on_target_within_a_small_share_of_the_frame():
    wcs = frame_at(100.0, 50.0)
    near = nudge_text(100.0, 50.0, 100.0, 50.0 + 1.2 / 60, wcs=wcs, **SIZE)
    assert near.on_target
    assert near.text == "On target: 1.2′ from centre."
    assert not nudge_text(100.0, 50.0, 100.0, 50.0 + 3.0 / 60, wcs=wcs, **SIZE).on_target


def test_the_far_side_of_the_sky_still_has_words():
    nudge = nudge_text(10, 20, 200, -30, wcs=frame_at(10, 20), **SIZE)
    assert nudge.separation_deg > 90
    assert "Off the frame" in nudge.text


@pytest.mark.parametrize(
    ("turn", "words"),
    [(1.32, "0 h 5.3 min"), (-14.999, "1 h 0.0 min"), (180.0, "12 h 0.0 min")],
)
def test_hours_and_minutes(turn, words):
    assert format_ra_time(turn) == words
