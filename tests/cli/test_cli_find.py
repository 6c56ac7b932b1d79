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


def test_one_plate_seen_mirrored_in_red(slowglass, tmp_path):
    chart = tmp_path / "field.svg"
    outcome = slowglass(
        "find", "M57", "--from", "Vega", "--plate", "field", "--seen", "mirrored", "--red",
        "-o", chart,
    )  # fmt: skip
    assert outcome.code == 0
    text = chart.read_text(encoding="utf-8")
    assert 'data-mirrored="1"' in text
    assert "#0a0000" in text


def test_a_night_sheet_of_one_and_of_several(slowglass, tmp_path, monkeypatch):
    monkeypatch.setattr("slowglass.sheets.plan.PICTURE_PX", 300)
    page = tmp_path / "night.pdf"
    outcome = slowglass(
        "find", "NGC", "7662", "M57", "--sheet", "--night", "2026-10-10", "-o", page, "--json"
    )
    assert outcome.code == 0
    assert page.read_bytes().startswith(b"%PDF")
    found = outcome.document
    # M57 sinks first
    assert found["target"] == "M57"
    assert [other["target"] for other in found["others"]] == ["NGC 7662"]
    assert found["outputs"] == [str(page)]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("M15", "M57"), "--sheet"),
        (("M15", "--sheet"), "-o FILE"),
        (("M15", "--night", "2026-10-10"), "--at"),
        (("M15", "--sheet", "--plate", "eye", "-o", "x.pdf"), "--plate"),
        (("M15", "--angle", "400", "-o", "x.pdf"), "400"),
        (("M15", "--at", "half past nine"), "half past nine"),
        (("M15", "--sheet", "-o", "x.doc"), ".pdf"),
        (("M15", "--frame", "nothing.fits"), "nothing.fits"),
        (("M15", "--frame", "a.fits", "--sheet"), "--frame"),
        (("Nowhere", "--sheet", "-o", "x.pdf"), "Nowhere"),
    ],
)
def test_what_makes_no_sense_is_told_in_one_line(slowglass, arguments, said, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    outcome = slowglass("find", *arguments)
    assert outcome.code in (1, 2)
    assert outcome.out == ""
    assert said in outcome.err
    assert len(outcome.err.strip().splitlines()) == 1
    assert not list(tmp_path.iterdir())


def test_the_clock_is_the_sites(slowglass):
    found = slowglass("find", "M57", "--at", "2026-10-10 22:30", "--json").document
    # Paris keeps summer time then
    assert found["when"] == "2026-10-10T20:30:00Z"
    assert len(found["alternatives"]) >= 1
    assert found["circles"]["pier_side"] == "east"
