"""Objects against the frame: trade facts, and the exact geometry against brute force."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from slowglass.choose.framing import (
    best_tilt_deg,
    fit_frame,
    frame_fraction,
    tilt_range_deg,
)

# Field of a 22.3 × 14.9 mm sensor at 1250 mm: 61.328′ × 40.977′.
FIELD = (61.328 / 60, 40.977 / 60)
SIZE = st.floats(0.1, 200)


def fit(major, minor=None, pa=None, core=None):
    return fit_frame(
        major_arcmin=major,
        minor_arcmin=minor,
        position_angle_deg=pa,
        core_arcmin=core,
        field_deg=FIELD,
    )


# Catalogue sizes from OpenNGC and the verdicts of common practice at that focal length.
@pytest.mark.parametrize(
    ("name", "major", "minor", "answer"),
    [
        ("M44", 108.6, 108.6, "no"),
        ("M45", 150.0, 150.0, "no"),
        ("M31", 177.83, 69.66, "no"),
        ("M33", 62.09, 36.73, "barely"),
        ("M67", 33.0, 33.0, "yes"),
        ("M13", 16.5, 16.5, "yes"),
        ("M5", 15.0, 15.0, "yes"),
        ("M27", 6.7, 6.7, "yes"),
        ("M97", 3.58, 3.58, "yes"),
        ("M57", 1.27, 1.27, "yes"),
        ("M51", 13.71, 11.67, "yes"),
        ("NGC 1499", 160.0, 40.0, "no"),
        ("NGC 7000", 120.0, 30.0, "no"),
        ("a 110′ cluster", 110.0, 110.0, "no"),
        ("an 8′ planetary", 8.0, 8.0, "yes"),
        ("a 20′ globular", 20.0, 20.0, "yes"),
    ],
)
def test_trade_facts(name, major, minor, answer):
    assert fit(major, minor).answer == answer, name


def test_the_triangulum_spiral_fits_only_tilted():
    # 62.09′ × 36.73′ at 15° spans 60.7′ × 39.0′
    low, high = tilt_range_deg(62.09, 36.73, 61.328, 40.977)
    assert 8 < low < 12
    assert 18 < high < 22
    assert frame_fraction(62.09, 36.73, 61.328, 40.977, tilt_deg=0.0) > 1
    assert frame_fraction(62.09, 36.73, 61.328, 40.977, tilt_deg=30.0) > 1
    result = fit(62.09, 36.73, pa=23.0)
    assert 23 + low < result.angle_deg < 23 + high
    assert "off the object's own" in result.text


def test_a_large_nebula_with_a_bright_core_barely_fits():
    whole = fit(90.0, 60.0)
    assert whole.answer == "no"
    core = fit(90.0, 60.0, core=(20.0, 20.0))
    assert core.answer == "barely"
    assert "bright core of about 20′" in core.text


def brute_force(a, b, w, h):
    """Smallest frame fraction over tilts, from points on the ellipse itself."""
    t = np.linspace(0, 2 * np.pi, 721)
    best = np.inf
    for tilt in np.radians(np.linspace(0, 90, 361)):
        x = a / 2 * np.cos(t) * np.cos(tilt) - b / 2 * np.sin(t) * np.sin(tilt)
        y = a / 2 * np.cos(t) * np.sin(tilt) + b / 2 * np.sin(t) * np.cos(tilt)
        best = min(best, max(np.ptp(x) / w, np.ptp(y) / h))
    return best


@pytest.mark.parametrize("ratio", [1.0, 0.8, 0.59, 0.3, 0.05])
@pytest.mark.parametrize("shape", [(61.0, 41.0), (50.0, 50.0), (100.0, 20.0)])
def test_best_angle_matches_brute_force(ratio, shape):
    exact = float(frame_fraction(60.0, 60.0 * ratio, *shape))
    assert exact == pytest.approx(brute_force(60.0, 60.0 * ratio, *shape), rel=4e-3)


@given(SIZE, st.floats(0.02, 1.0), st.floats(0, 90))
def test_no_tilt_beats_the_best(major, ratio, tilt):
    best = float(frame_fraction(major, major * ratio, 61.0, 41.0))
    other = float(frame_fraction(major, major * ratio, 61.0, 41.0, tilt_deg=tilt))
    assert best <= other * (1 + 1e-9)


@given(SIZE, st.floats(0.02, 1.0))
def test_range_of_tilts_agrees_with_the_fraction(major, ratio):
    span = tilt_range_deg(major, major * ratio, 61.0, 41.0)
    fraction = float(frame_fraction(major, major * ratio, 61.0, 41.0))
    if span is None:
        assert fraction >= 1 - 1e-9
    else:
        assert fraction <= 1 + 1e-9
        assert (
            span[0] - 1e-6 <= float(best_tilt_deg(major, major * ratio, 61, 41)) <= span[1] + 1e-6
        )


def test_arrays_and_missing_sizes():
    both = frame_fraction(np.array([10.0, np.nan]), np.array([10.0, np.nan]), 61.0, 41.0)
    assert both[0] == pytest.approx(10 / 41)
    assert np.isnan(both[1])
    unknown = fit(None)
    assert unknown.fraction is None
    assert "size is not in the catalogue" in unknown.text
