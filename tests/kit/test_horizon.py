"""The skyline: through its points, smooth, round the circle."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from slowglass.kit.horizon import horizon_alt_deg
from slowglass.kit.io import load_site

POINTS = st.lists(
    st.tuples(st.integers(0, 359), st.integers(-10, 90)),
    min_size=1,
    max_size=12,
    unique_by=lambda point: point[0],
).map(sorted)


def test_flat_without_points():
    assert np.all(horizon_alt_deg([0.0, 123.0, 360.0], ()) == 0.0)


@given(POINTS)
def test_passes_through_every_point(points):
    az = [p[0] for p in points]
    assert horizon_alt_deg(az, points) == pytest.approx([p[1] for p in points], abs=1e-9)


@given(POINTS, st.floats(-720.0, 720.0))
def test_stays_between_lowest_and_highest_and_repeats_each_turn(points, azimuth):
    here, again = horizon_alt_deg([azimuth, azimuth + 360.0], points)
    altitudes = [p[1] for p in points]
    assert min(altitudes) - 1e-9 <= here <= max(altitudes) + 1e-9
    assert here == pytest.approx(again, abs=1e-6)


def test_no_step_at_north():
    points = ((10.0, 20.0), (350.0, 5.0))
    before, after = horizon_alt_deg([359.999, 0.001], points)
    assert before == pytest.approx(after, abs=0.01)
    assert before == pytest.approx(12.5, abs=0.01)  # half way between the two by symmetry


def test_slope_is_continuous():
    points = load_site("Fig Tree Yard").horizon
    azimuth = np.arange(0.0, 360.0, 0.01)
    slope = np.diff(horizon_alt_deg(azimuth, points)) / 0.01
    assert np.max(np.abs(np.diff(slope))) < 0.05


def test_fig_tree_yard_has_a_roof_in_the_north_west_and_a_tree_in_the_south_east():
    site = load_site("Fig Tree Yard")
    assert site.horizon_alt_deg(315.0) == pytest.approx(35.0)
    assert site.horizon_alt_deg(135.0) == pytest.approx(40.0)
    assert site.horizon_alt_deg(np.arange(0.0, 360.0, 1.0)).max() == pytest.approx(40.0)


def test_keeps_the_shape_of_the_question():
    assert horizon_alt_deg(np.zeros((2, 3)), POINTS_ONE).shape == (2, 3)
    assert horizon_alt_deg(5.0, POINTS_ONE).shape == ()


POINTS_ONE = ((0.0, 3.0),)
