"""Two panels and neighbours in one frame, against brute force and known pairs."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from slowglass.choose.company import OVERLAP, Neighbour, group_in_frame, two_panels
from slowglass.choose.framing import comfortable_share, margin_arcmin

FIELD = (61.328 / 60, 40.977 / 60)
"""Of 22.3 × 14.9 mm at 1250 mm."""


@settings(max_examples=60)
@given(major=st.floats(5.0, 130.0), ratio=st.floats(0.1, 1.0), pa=st.floats(0.0, 179.9))
def test_panels_hold_the_ellipse(major, ratio, pa):
    found = two_panels(
        major_arcmin=major,
        minor_arcmin=ratio * major,
        position_angle_deg=pa,
        field_deg=FIELD,
        comfortable=0.9,
    )
    if found is None:
        assert frame_needed(major, ratio) > 0.9
        return
    t = np.linspace(0.0, 2.0 * math.pi, 400)
    turn = math.radians(pa)
    along, across = 0.5 * major * np.cos(t), 0.5 * ratio * major * np.sin(t)
    east = along * math.sin(turn) + across * math.cos(turn)
    north = along * math.cos(turn) - across * math.sin(turn)
    inside = np.zeros(t.size, dtype=bool)
    side = math.radians(found.angle_deg)
    for sign in (1.0, -1.0):
        de, dn = east - sign * found.offset_arcmin[0], north - sign * found.offset_arcmin[1]
        u = de * math.sin(side) + dn * math.cos(side)
        v = de * math.cos(side) - dn * math.sin(side)
        inside |= (np.abs(u) <= 30.664 + 1e-6) & (np.abs(v) <= 20.489 + 1e-6)
    assert inside.all()
    assert 2 * math.hypot(*found.offset_arcmin) < 61.328


def frame_needed(major, ratio):
    long, short = 61.328, 40.977
    joined = 2.0 - OVERLAP
    return min(
        max(major / (joined * long), ratio * major / short),
        max(major / (joined * short), ratio * major / long),
    )


def test_a_nebula_of_90_by_60_takes_no_two_frames_but_one_of_90_by_35_does():
    common = {"position_angle_deg": 60.0, "field_deg": FIELD, "comfortable": 0.9}
    assert two_panels(major_arcmin=90.0, minor_arcmin=60.0, **common) is None
    found = two_panels(major_arcmin=90.0, minor_arcmin=35.0, **common)
    assert found is not None and found.angle_deg == pytest.approx(60.0)


@settings(max_examples=60, deadline=None)
@given(
    places=st.lists(
        st.tuples(
            st.floats(-60, 60), st.floats(-60, 60), st.floats(0.5, 8.0), st.floats(5.0, 13.0)
        ),
        max_size=6,
    )
)
def test_a_group_really_fits(places):
    others = [Neighbour(f"N{i}", *place) for i, place in enumerate(places)]
    found = group_in_frame(5.0, others, field_deg=FIELD, comfortable=0.9)
    if found is None:
        return
    side = math.radians(found.angle_deg)
    chosen = [n for n in others if n.name in found.names]
    assert chosen
    for east, north, radius in [(0.0, 0.0, 5.0)] + [
        (n.east_arcmin, n.north_arcmin, n.radius_arcmin) for n in chosen
    ]:
        de, dn = east - found.offset_arcmin[0], north - found.offset_arcmin[1]
        assert abs(de * math.sin(side) + dn * math.cos(side)) + radius <= 0.45 * 61.328 + 1e-6
        assert abs(de * math.cos(side) - dn * math.sin(side)) + radius <= 0.45 * 40.977 + 1e-6


def test_a_lone_object_has_no_group():
    assert group_in_frame(5.0, [], field_deg=FIELD, comfortable=0.9) is None
    far = Neighbour("far", 80.0, 0.0, 1.0, 5.0)
    assert group_in_frame(5.0, [far], field_deg=FIELD, comfortable=0.9) is None


def test_margin_grows_with_drift():
    calm = margin_arcmin(dither_arcsec=12.0, drift_arcsec_per_min=0.0)
    assert margin_arcmin(dither_arcsec=12.0, drift_arcsec_per_min=6.0) == pytest.approx(calm + 1.0)
    assert comfortable_share(calm, FIELD) == pytest.approx(1.0 - 2.0 * calm / 40.977)
    assert comfortable_share(500.0, FIELD) == 0.5
