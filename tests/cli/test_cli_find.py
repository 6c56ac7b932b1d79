"""``slowglass find``."""

import math
from itertools import pairwise

import pytest

pytestmark = pytest.mark.usefixtures("sky")


def test_route_document_follows_the_contract(slowglass):
    found = slowglass("find", "M15", "--from", "Enif", "--json").document
    assert found["target"] == "M15"
    assert found["anchor"] == "Enif"
    legs = found["legs"]
    keys = {"from", "to", "distance_deg", "direction_deg", "ra_move_deg", "dec_move_deg", "text"}
    assert all(keys <= set(leg) for leg in legs)
    assert legs[0]["from"] == "Enif"
    assert legs[-1]["to"] == "M15"
    for leg, following in pairwise(legs):
        assert leg["to"] == following["from"]
    # Enif (21h44m11s +9°52′30″) and M15 (21h29m58s +12°10′01″), J2000 catalogue places
    assert sum(leg["ra_move_deg"] for leg in legs) == pytest.approx(322.493 - 326.0465, abs=0.02)
    assert sum(leg["dec_move_deg"] for leg in legs) == pytest.approx(12.167 - 9.875, abs=0.02)
    for leg in legs:
        step = math.hypot(leg["ra_move_deg"] * math.cos(math.radians(11)), leg["dec_move_deg"])
        assert leg["distance_deg"] == pytest.approx(step, rel=0.02)


@pytest.mark.parametrize(
    ("suffix", "start"), [("svg", b"<"), ("png", b"\x89PNG"), ("pdf", b"%PDF")]
)
def test_charts(slowglass, tmp_path, suffix, start):
    chart = tmp_path / f"m15.{suffix}"
    outcome = slowglass("find", "M15", "--from", "Enif", "-o", chart, "--json")
    assert outcome.code == 0
    assert outcome.document["outputs"] == [str(chart)]
    assert chart.read_bytes().startswith(start)


def test_words_for_people(slowglass):
    shown = slowglass("find", "M57", "--from", "Vega")
    assert shown.code == 0
    assert "Ring Nebula" in shown.out
    assert "1." in shown.out


def test_a_start_too_far_away_is_bad_usage(slowglass):
    outcome = slowglass("find", "M15", "--from", "Sirius")
    assert outcome.code == 2
    assert outcome.out == ""
    assert "too far" in outcome.err
