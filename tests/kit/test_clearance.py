"""Tube against tripod: what a person sees who swings the tube round in daylight."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from slowglass.kit.clearance import side_rooms, stays_free_deg
from slowglass.kit.model import Stand

USUAL = Stand()
LATITUDES = st.floats(20.0, 65.0)
PLACES = st.tuples(st.floats(-90.0, 90.0), st.floats(-20.0, 85.0))


@settings(max_examples=60, deadline=None)
@given(LATITUDES, PLACES)
def test_the_southern_twin_is_the_mirror_image(latitude, place):
    """Mirrored through the east-west plane, the pole changes and the hours stay."""
    hour, dec = place
    north = side_rooms(hour, dec, latitude_deg=latitude, stand=USUAL)
    south = side_rooms(hour, -dec, latitude_deg=-latitude, stand=USUAL)
    assert bool(north.west) == bool(south.west)
    assert bool(north.east) == bool(south.east)


@settings(max_examples=60, deadline=None)
@given(LATITUDES, PLACES)
def test_before_and_after_the_meridian_mirror_each_other(latitude, place):
    """True of a tripod whose legs stand symmetrically about the meridian, as the usual one does."""
    hour, dec = place
    here = side_rooms(hour, dec, latitude_deg=latitude, stand=USUAL)
    there = side_rooms(-hour, dec, latitude_deg=latitude, stand=USUAL)
    assert bool(here.west) == bool(there.east)


def test_low_in_the_south_the_natural_side_is_free_everywhere():
    hours = np.linspace(-60.0, -1.0, 60)
    rooms = side_rooms(hours, -15.0, latitude_deg=44.0, stand=USUAL)
    assert set(rooms.natural) == {"west"}
    assert rooms.west.all()


def test_a_long_tube_near_the_zenith_meets_the_legs_and_a_short_one_does_not():
    """Common practice, no source: near the zenith the lower end of a long tube meets the tripod."""
    long, short = Stand(tube_behind_mm=600.0), Stand(tube_behind_mm=200.0)
    assert stays_free_deg(44.0, latitude_deg=44.2, stand=long) < 0.0
    assert stays_free_deg(44.0, latitude_deg=44.2, stand=short) > 15.0
    low = [stays_free_deg(-10.0, latitude_deg=44.2, stand=s) for s in (long, short)]
    assert low == [90.0, 90.0]


def test_a_pillar_in_place_of_legs_frees_the_zenith():
    """Common practice, no source: the reason for pillars and extension tubes."""
    legs = Stand(tube_behind_mm=600.0)
    pillar = legs.model_copy(update={"head_above_mm": 900.0})
    assert stays_free_deg(30.0, latitude_deg=44.0, stand=pillar) > stays_free_deg(
        30.0, latitude_deg=44.0, stand=legs
    )


def test_vertical_tube_gap_by_hand():
    """At the zenith (φ = δ) the tube hangs straight down beside the mount: the leg under it is
    ``spread`` off the vertical, so their gap at the camera's end follows from a triangle."""
    stand = Stand(
        tube_behind_mm=500.0, head_above_mm=100.0, tube_offset_mm=200.0, leg_spread_deg=30.0,
        leg_azimuth_deg=90.0, tube_diameter_mm=60.0,
    )  # fmt: skip
    # one leg due east: 400 mm below the top it is 400·tan 30° = 231 mm out; the tube hangs 200 mm
    # out on the east side, inside of it at its end: they meet
    rooms = side_rooms(0.0, 45.0, latitude_deg=45.0, stand=stand)
    assert not rooms.east
    # to the west the nearest legs point 60° off that line: 115 mm west and 200 mm to the side
    assert rooms.west == (np.hypot(200.0 - 115.5, 200.0) > 70.0)


def test_other_stands_never_clash():
    rooms = side_rooms(np.linspace(-90, 90, 19), 44.0, latitude_deg=44.0, stand=Stand(form="other"))
    assert rooms.free.all()


@pytest.mark.parametrize("dec", [-20.0, 10.0, 40.0])
def test_the_limit_past_the_meridian_is_where_it_stops_being_free(dec):
    stand = Stand(tube_behind_mm=450.0)
    limit = stays_free_deg(dec, latitude_deg=44.0, stand=stand)
    if -90.0 < limit < 90.0:
        assert side_rooms(limit, dec, latitude_deg=44.0, stand=stand).west
        assert not side_rooms(limit + 0.5, dec, latitude_deg=44.0, stand=stand).west
