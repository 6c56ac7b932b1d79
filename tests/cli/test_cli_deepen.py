"""``slowglass sky deepen``, ``sky`` and ``sky forget`` against a service on loopback."""

import json
from datetime import date

import pytest

from loopback_archive import LoopbackArchive
from slowglass.cli import deepen as command
from slowglass.sky.archive import Manners
from slowglass.sky.deep_store import DeepStore
from slowglass.workbench import Workbench

pytestmark = pytest.mark.usefixtures("sky")


@pytest.fixture(autouse=True)
def hasty(monkeypatch):
    """No waiting between tiles and tries."""
    monkeypatch.setattr("slowglass.sky.archive.Manners", lambda: Manners(sleep=lambda _s: None))


def test_named_places_forth_and_back(slowglass, archive, deep_folder):
    arguments = ("sky", "deepen", "M15", "322.0 9.0", "--radius", "0.5", "--service", archive.url)
    assert "none" in slowglass("sky").out
    done = slowglass(*arguments, "--yes", "--json")
    assert done.code == 0
    assert done.err == ""
    found = done.document
    assert found["to_mag"] == 14.0
    assert found["tiles"] == found["tiles_fetched"] == len(archive.queries) >= 2
    assert found["folder"] == str(deep_folder)
    again = slowglass(*arguments)  # nothing to fetch, so nothing to ask
    assert again.code == 0
    assert f"{found['tiles']}: 0 fetched, {found['tiles']} already there" in again.out
    held = slowglass("sky", "--json").document["deeper"]
    assert (held["tiles"], held["stars"]) == (found["tiles"], found["stars"])
    assert held["to_mag_least"] == held["to_mag_most"] == 14.0
    assert f"in {found['tiles']} tiles" in slowglass("sky").out
    gone = slowglass("sky", "forget", "--yes", "--json").document
    assert gone["stars"] == found["stars"]
    assert not deep_folder.exists()
    assert slowglass("sky", "forget").code == 0


def test_the_service_may_come_from_the_environment(slowglass, archive, monkeypatch):
    monkeypatch.setenv("SLOWGLASS_TAP", archive.url)
    found = slowglass(
        "sky", "deepen", "M15", "--radius", "0.2", "--to-mag", "12", "--yes", "--json"
    )
    assert found.document["to_mag"] == 12.0
    assert all("phot_g_mean_mag <= 12.00" in query for query in archive.queries)


def test_tonights_objects(slowglass, archive, monkeypatch):
    choose = Workbench.choose
    monkeypatch.setattr(
        Workbench, "choose", lambda self, **more: choose(self, night=date(2026, 9, 12), **more)
    )
    arguments = ("--tonight", "--limit", "2", "--radius", "0.2", "--site", "Fig Tree Yard")
    found = slowglass("sky", "deepen", *arguments, "--service", archive.url, "--yes", "--json")
    assert found.code == 0
    assert found.document["tiles"] >= 1


def test_every_object_pinned_for_a_night(slowglass, archive, tmp_path):
    """The plan made on the pages: the tiles of both objects, as if they had been named."""
    from slowglass.learn.night import NOTES
    from slowglass.web.desk import Desk

    more = ("--radius", "0.2", "--service", archive.url, "--yes", "--json")
    bare = slowglass("sky", "deepen", "--plan", str(tmp_path), *more)
    assert bare.code == 1
    assert "no plan" in bare.err
    desk = Desk(tmp_path / NOTES / "desk.json")
    desk.pin("NGC7078")
    desk.pin("NGC6705")
    found = slowglass("sky", "deepen", "--plan", str(tmp_path), *more)
    named = slowglass("sky", "deepen", "M15", "M11", *more)
    assert found.code == 0
    assert found.document["tiles"] == named.document["tiles"] >= 2
    assert named.document["tiles_fetched"] == 0


def test_the_size_is_told_and_asked_about(slowglass, archive, monkeypatch):
    arguments = ("sky", "deepen", "M15", "--radius", "0.2", "--service", archive.url)
    unanswered = slowglass(*arguments)
    assert unanswered.code == 2
    assert "--yes" in unanswered.err
    assert unanswered.err.count("\n") == 1
    asked = []
    monkeypatch.setattr(command.sys.stdin, "isatty", lambda: True)
    monkeypatch.setattr(command.typer, "confirm", lambda text, **_: asked.append(text) or False)
    refused = slowglass(*arguments)
    assert refused.code == 1
    assert "stopped on request" in refused.err
    assert archive.queries == []
    (question,) = asked
    for words in ("stars to magnitude 14", " MB, in ", "tiles", archive.url):
        assert words in question
    monkeypatch.setattr(command.typer, "confirm", lambda text, **_: True)
    assert slowglass(*arguments).code == 0
    monkeypatch.setattr(command.typer, "confirm", lambda text, **_: asked.append(text) or False)
    assert slowglass("sky", "forget").code == 1
    assert DeepStore().summary().tiles >= 1
    assert "Remove" in asked[-1]


def test_without_a_network_one_line_and_all_else_works(slowglass, archive):
    with LoopbackArchive(archive.table) as gone:
        pass
    outcome = slowglass("sky", "deepen", "M15", "--service", gone.url, "--yes", "--json")
    assert outcome.code == 1
    assert outcome.out == ""
    assert outcome.err.count("\n") == 1
    assert "no connection" in outcome.err
    assert "Check the network" in outcome.err
    assert slowglass("sky", "look", "M15").code == 0
    assert json.loads(slowglass("sky", "--json").out)["deeper"]["tiles"] == 0


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ([], "say where to deepen in one way"),
        (["M15", "--all-sky"], "say where to deepen in one way"),
        (["--tonight", "--all-sky"], "say where to deepen in one way"),
        (["Ringg Nebula"], "M57"),
        (["M15", "--to-mag", "25"], "25"),
        (["M15", "--radius", "0"], "0"),
        (["M15", "--service", "archive"], "no web address"),
    ],
)
def test_bad_usage(slowglass, arguments, words):
    outcome = slowglass("sky", "deepen", *arguments, "--yes")
    assert outcome.code == 2
    assert words in outcome.err
    assert outcome.err.count("\n") == 1


def test_all_sky_is_sized_before_anything_is_fetched(slowglass, archive, monkeypatch):
    asked = []
    monkeypatch.setattr(command.sys.stdin, "isatty", lambda: True)
    monkeypatch.setattr(command.typer, "confirm", lambda text, **_: asked.append(text) or False)
    outcome = slowglass("sky", "deepen", "--all-sky", "--to-mag", "12", "--service", archive.url)
    assert outcome.code == 1
    # 3.3 million stars of 40 bytes; 4676 tiles of nine square degrees
    assert "About 3 281 700 stars to magnitude 12, 131.3 MB, in 4676 tiles" in asked[0]
    assert archive.queries == []
