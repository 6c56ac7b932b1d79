"""A skyline read from a list, or drawn: pairs in, the same line out, faults named by line."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from slowglass.errors import ConfigError
from slowglass.kit.horizon import horizon_alt_deg
from slowglass.kit.skyline import CLOSE_DEG, skyline_from_points, skyline_from_text


@pytest.mark.parametrize(
    "text",
    [
        "azimuth,altitude\n0,10\n90,7.5\n270,-1\n",
        "# measured with a fist\n270 −1\n0 10\n90 7.5",
        "az;alt\n0;10\n90;7,5\n270;-1",
        "N\t10\nE\t7.5\n-90\t-1",
        "N 10\n360 10\n90° 7.5°\nw -1",
    ],
)
def test_the_ways_people_write_pairs_are_one(text):
    assert skyline_from_text(text) == ((0.0, 10.0), (90.0, 7.5), (270.0, -1.0))


def test_faulty_lines_are_told_together_and_by_number():
    with pytest.raises(ConfigError) as told:
        skyline_from_text("0,10\n400,3\nroof\n90,95\n", source="mine.csv")
    words = str(told.value)
    assert "mine.csv" in words
    assert all(f"line {n}" in words for n in (2, 3, 4))
    assert "line 1" not in words
    assert len(told.value.faults) == 3


@pytest.mark.parametrize("text", ["", "\n# nothing\n", "azimuth altitude"])
def test_a_list_without_pairs_is_refused(text):
    with pytest.raises(ConfigError, match="no pairs"):
        skyline_from_text(text)


@given(
    st.lists(
        st.tuples(st.integers(0, 359), st.integers(-10, 90)),
        min_size=1, max_size=200, unique_by=lambda p: p[0],
    )
)  # fmt: skip
def test_a_thinned_skyline_stays_close_to_every_point(pairs):
    points = skyline_from_points(pairs)
    az, alt = np.array(pairs, float).T
    assert np.all(np.abs(horizon_alt_deg(az, points) - alt) <= CLOSE_DEG + 1e-9)
    assert [p[0] for p in points] == sorted({p[0] for p in points})


def test_a_wall_measured_at_foot_and_top_stays_steep():
    points = skyline_from_points([(80, 5), (100, 5), (100, 40), (130, 40), (130, 5), (150, 5)])
    assert horizon_alt_deg([99.9, 100.3, 129.9, 130.4], points) == pytest.approx(
        [5, 40, 40, 5], abs=0.6
    )


def test_a_smooth_hill_of_a_thousand_points_needs_few():
    az = np.linspace(0.0, 359.0, 1000)
    hill = 10.0 + 8.0 * np.sin(np.radians(az))
    assert len(skyline_from_points(list(zip(az, hill, strict=True)))) < 30
