"""``slowglass choose``."""

from datetime import datetime

import pytest

pytestmark = pytest.mark.usefixtures("sky")

OBJECT_KEYS = {
    "id", "name", "type", "ra_deg", "dec_deg", "fits", "shows", "holds", "reachable", "score",
    "reason",
}  # fmt: skip
ANSWER_KEYS = {
    "fits": {"answer", "fraction", "angle_deg", "text"},
    "shows": {"answer", "snr_single", "snr_total", "minutes_to_target_snr", "text"},
    "holds": {"answer", "keeper_fraction", "hold_time_s", "text"},
    "reachable": {"answer", "best_time", "altitude_deg", "minutes_up", "hop_legs", "text"},
}


def test_the_document_follows_the_contract(slowglass):
    outcome = slowglass("choose", "--night", "2026-09-12", "--limit", "5", "--json")
    assert outcome.code == 0
    assert outcome.err == ""
    found = outcome.document
    assert found["night"] == "2026-09-12"
    assert set(found["moon"]) >= {"illuminated_fraction", "rises", "sets"}
    begin, end = (datetime.fromisoformat(found[key]) for key in ("dark_from", "dark_to"))
    assert begin < end
    assert found["dark_from"].endswith("Z")
    assert 1 <= len(found["objects"]) <= 5
    for thing in found["objects"]:
        assert set(thing) >= OBJECT_KEYS
        for question, keys in ANSWER_KEYS.items():
            assert set(thing[question]) >= keys
        best = datetime.fromisoformat(thing["reachable"]["best_time"])
        assert begin <= best <= end
    scores = [thing["score"] for thing in found["objects"]]
    assert scores == sorted(scores, reverse=True)


def test_the_southern_site_has_its_own_sky(slowglass):
    arguments = ("choose", "--night", "2026-09-12", "--limit", "8", "--json")
    north = {o["name"] for o in slowglass(*arguments).document["objects"]}
    south = {o["name"] for o in slowglass(*arguments, "--site", "Karri Flat").document["objects"]}
    # M11, at declination −6°, stands high enough for both
    assert north - south and south - north
    assert len(north & south) <= 2


def test_words_for_people(slowglass):
    shown = slowglass("choose", "--night", "2026-09-12", "--limit", "3")
    assert shown.code == 0
    assert "Night of 2026-09-12, long 102 at Fig Tree Yard" in shown.out
    assert "S/N" in shown.out


def test_a_night_without_night_exits_1_with_the_reason(slowglass, tmp_path):
    slowglass("site", "--write", tmp_path / "north.toml")
    path = tmp_path / "north.toml"
    text = path.read_text(encoding="utf-8").replace("latitude_deg = 44.2", "latitude_deg = 75.0")
    path.write_text(text, encoding="utf-8")
    outcome = slowglass("choose", "--night", "2026-06-21", "--site", path, "--json")
    assert outcome.code == 1
    assert outcome.document["objects"] == []
    assert "Sun never goes" in outcome.err


@pytest.mark.parametrize("limit", ["0", "-1", "many"])
def test_limit_must_be_a_count(slowglass, limit):
    assert slowglass("choose", "--limit", limit).code == 2
