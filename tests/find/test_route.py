"""The hop search on invented stars, where the best way is known."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from slowglass.find.direction import compass_words
from slowglass.find.route import estimate_legs, hop_paths, surroundings_deg
from slowglass.find.waypoints import find_waypoints
from slowglass.sky.coords import separation_deg, sky_angles, unit_vectors


def hops(ra, dec, mag, target, anchors, max_leg_deg=1.0, want=1):
    """Hops as star rows, over single stars and patterns seen in a field of leg / 0.9."""
    vectors, field = unit_vectors(ra, dec), max_leg_deg / 0.9
    places = find_waypoints(
        vectors,
        mag,
        field_deg=field,
        reach_deg=surroundings_deg(field, max_leg_deg),
        keep=anchors,
    )
    start = (places.kind == 0) & anchors[places.members[:, 0]]
    found = hop_paths(
        places,
        unit_vectors(*target),
        start,
        max_leg_deg=max_leg_deg,
        hop_limit_mag=10.0,
        want=want,
    )
    return places, found


def hop(stars, target, *, max_leg_deg=1.0, anchors=None):
    ra, dec, mag = (np.array(column, float) for column in zip(*stars, strict=True))
    marked = mag <= 4 if anchors is None else np.array(anchors)
    places, found = hops(ra, dec, mag, target, marked, max_leg_deg)
    return tuple(places.stars_of(i)[0] for i in found[0].stops) if found else None


def test_a_line_of_stars_is_walked_in_order():
    stars = [(10.0, 0.0, 2.0), (10.8, 0.0, 6.0), (11.6, 0.0, 6.0), (12.4, 0.0, 6.0)]
    assert hop(stars, (13.2, 0.0)) == (0, 1, 2, 3)


def test_a_gap_wider_than_a_leg_is_not_jumped():
    stars = [(10.0, 0.0, 2.0), (10.8, 0.0, 6.0), (12.0, 0.0, 6.0)]
    assert hop(stars, (12.6, 0.0)) is None


def test_no_stars_or_no_anchor_is_no_hop():
    assert hop([(10.0, 0.0, 6.0)], (10.5, 0.0)) is None
    empty = np.zeros(0)
    assert hops(empty, empty, empty, (0, 0), np.zeros(0, bool))[1] == []


def test_the_brighter_of_two_equal_ways_is_taken():
    stars = [(10.0, 0.0, 2.0), (10.7, 0.4, 9.0), (10.7, -0.4, 6.0)]
    assert hop(stars, (11.4, 0.0)) == (0, 2)


def test_a_bright_anchor_is_worth_an_extra_leg_but_not_many():
    near_faint = (11.0, 0.0, 4.4)
    one_more = [(10.2, 0.0, 2.0), near_faint]
    marked = [True, True]
    assert hop(one_more, (11.5, 0.0), anchors=marked)[0] == 0
    many_more = [(6.6, 0.0, 2.0), *((7.5 + 0.9 * i, 0.0, 6.0) for i in range(4)), near_faint]
    marked = [True, *[False] * 4, True]
    assert hop(many_more, (11.5, 0.0), anchors=marked) == (5,)


def test_a_star_lost_among_its_equals_is_passed_by():
    crowd = [(10.8 + 0.02 * i, 0.5, 6.0) for i in range(8)]
    stars = [(10.0, 0.0, 2.0), *crowd, (10.8, -0.5, 6.4)]
    assert hop(stars, (11.6, 0.0)) == (0, 9)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000), st.floats(0.5, 2.0))
def test_no_leg_exceeds_the_usable_move(seed, max_leg_deg):
    rng = np.random.default_rng(seed)
    ra, dec = 100 + rng.uniform(-4, 4, 250), 40 + rng.uniform(-3, 3, 250)
    mag = rng.uniform(3, 10, 250)
    places, found = hops(ra, dec, mag, (100.0, 40.0), mag < 4.5, max_leg_deg, want=3)
    costs = [one.cost for one in found]
    assert costs == sorted(costs)
    for one in found:
        walked = places.vectors[list(one.stops)]
        assert mag[places.stars_of(one.stops[0])[0]] < 4.5
        path = np.vstack([walked, unit_vectors(100.0, 40.0)])
        path_ra, path_dec = sky_angles(path)
        legs = separation_deg(path_ra[:-1], path_dec[:-1], path_ra[1:], path_dec[1:])
        assert np.all(legs <= max_leg_deg * (1 + 1e-9))
        assert len(set(one.stops)) == len(one.stops)
        assert one.cost >= len(legs)


def test_estimates_grow_with_distance_and_never_fall_below_one():
    legs = estimate_legs([0.0, 0.3, 2.0, 5.0], 0.87)
    assert legs[0] == 1
    assert np.all(np.diff(legs) >= 0)


@pytest.mark.parametrize(
    ("angle", "words"),
    [(0, "north"), (359, "north"), (45, "north-east"), (90, "east"), (202.5, "south-south-west")],
)
def test_compass(angle, words):
    assert compass_words(angle) == words
