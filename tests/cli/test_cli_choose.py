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


def test_a_list_is_narrowed(slowglass, tmp_path):
    done = tmp_path / "done.txt"
    done.write_text("# last year\nAlbireo, NGC 457\n", encoding="utf-8")
    outcome = slowglass(
        "choose", "--night", "2026-09-12", "--limit", "4", "--type", "double", "--type", "open",
        "--constellation", "Cygnus", "--between", "22-1", "--without", done, "--without", "M29",
        "--json",
    )  # fmt: skip
    found = outcome.document
    assert {thing["constellation"] for thing in found["objects"]} == {"Cyg"}
    assert not {"Albireo", "M29"} & {thing["name"] for thing in found["objects"]}
    assert "from 22:00 to 01:00" in found["limits"]
    shown = slowglass(
        "choose", "--night", "2026-09-12", "--type", "globular", "--constellation", "Oct"
    )
    assert shown.code == 1
    assert "globular cluster; Oct" in shown.err
    refused = slowglass("choose", "--type", "quasar")
    assert refused.code == 2
    assert "planetary" in refused.err


def test_a_year_of_nights(slowglass, tmp_path):
    file = tmp_path / "ring.ics"
    shown = slowglass(
        "choose", "--year", "M57", "--night", "2026-11-25", "--limit", "3", "-o", file
    )
    assert shown.code == 0
    assert "Ring Nebula" in shown.out and "worth" in shown.out
    assert file.read_text(encoding="utf-8").count("BEGIN:VEVENT") == 3
    found = slowglass("choose", "--year", "M57", "--night", "2026-11-25", "--json").document
    assert len(found["nights"]) == 365 and len(found["best"]) == 20
    never = slowglass("choose", "--year", "NGC 104", "--night", "2026-11-25")
    assert never.code == 1
    assert "never clears" in never.err
    for bad in (
        ("-o", file),
        ("--year", "M57", "--type", "double"),
        ("--year", "M57", "-o", "a.b"),
    ):
        assert slowglass("choose", *bad).code == 2


def test_what_the_logbook_has_is_left_out(slowglass, tmp_path, monkeypatch):
    from slowglass.learn.logbook.records import LoggedPicture
    from slowglass.learn.logbook.store import open_logbook

    monkeypatch.setenv("SLOWGLASS_LOGBOOK", str(tmp_path / "logbook.sqlite"))
    asked = ("choose", "--night", "2026-09-12", "--limit", "2", "--type", "planetary", "--json")
    first = slowglass(*asked).document["objects"][0]
    with open_logbook() as book:
        book.add(LoggedPicture(file="ring.png", object=first["id"]))
    again = slowglass(*asked, "--new").document
    assert first["id"] not in {thing["id"] for thing in again["objects"]}
    assert "not yet photographed" in again["limits"]
