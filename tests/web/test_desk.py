"""The evening's choices: one state for every page and browser, kept over a restart."""

from __future__ import annotations

import json
import threading
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from slowglass.errors import UsageError
from slowglass.web.app import create_app
from slowglass.web.desk import Desk, Evening


@pytest.fixture
def desk(tmp_path):
    return Desk(tmp_path / "notes" / "desk.json")


def test_choices_are_kept_and_numbered(desk):
    assert desk.state == Evening()
    desk.change(target="M15", exposure_s="30", frames="60", night="2026-10-09")
    desk.pin("M15")
    desk.pin("NGC 7662")
    desk.pin("M15")
    again = Desk(desk.path).state
    assert again == desk.state
    assert (again.plan, again.target) == (("M15", "NGC 7662"), "M15")
    assert (again.exposure_s, again.frames, again.night) == (30.0, 60, date(2026, 10, 9))
    assert again.revision == 3
    assert desk.unpin("M15").plan == ("NGC 7662",)
    assert desk.unpin("M15").revision == 4


def test_two_desks_over_one_file_see_the_same(desk):
    other = Desk(desk.path)
    desk.change(target="M15")
    assert other.state.target == "M15"
    other.change(frames=12)
    assert (desk.state.target, desk.state.frames, desk.state.revision) == ("M15", 12, 2)


@pytest.mark.parametrize(
    ("choice", "words"),
    [({"exposure_s": "-3"}, "exposure “-3”"), ({"exposure_s": "nan"}, "exposure “nan”"),
     ({"frames": "2.5"}, "frames “2.5”"), ({"night": "yesterday"}, "night “yesterday”"),
     ({"target": "x" * 81}, "target")],
)  # fmt: skip
def test_what_makes_no_sense_is_refused_and_changes_nothing(desk, choice, words):
    desk.change(target="M15")
    with pytest.raises(UsageError, match=words):
        desk.change(**choice)
    assert desk.state.revision == 1
    with pytest.raises(ValueError, match="no such choices"):
        desk.change(colour="red")
    with pytest.raises(ValueError, match="no such choices"):
        desk.change(revision=9)


@pytest.mark.parametrize(
    "text", ["{", "[]", "null", '{"format": 2}', '{"format": 1, "frames": -4}']
)
def test_a_damaged_file_is_put_by_and_told(desk, text):
    desk.path.parent.mkdir()
    desk.path.write_text(text)
    assert desk.state == Evening()
    assert "could not be read" in desk.trouble
    assert desk.path.with_name("desk-damaged.json").read_text() == text
    desk.change(target="M15")
    assert Desk(desk.path).state.target == "M15"


def test_a_folder_that_cannot_be_written_still_lets_one_choose(tmp_path):
    (tmp_path / "file").write_text("x")
    desk = Desk(tmp_path / "file" / "desk.json")
    assert desk.change(target="M15").target == "M15"
    assert desk.state.target == "M15"
    assert "cannot write" in desk.trouble


def test_no_change_is_lost_between_threads(desk):
    def pin(first):
        for n in range(first, first + 5):
            desk.pin(f"M{n}")

    threads = [threading.Thread(target=pin, args=(n,)) for n in (1, 11, 21, 31)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(desk.state.plan) == desk.state.revision == 20


@given(st.builds(
    dict,
    plan=st.lists(st.text(max_size=80), max_size=60),
    target=st.text(max_size=80),
    exposure_s=st.none() | st.floats(0.001, 1e5),
    frames=st.none() | st.integers(1, 10**5),
    night=st.none() | st.dates(),
    frames_folder=st.text(max_size=200),
))  # fmt: skip
def test_choices_read_back_as_they_were_written(tmp_path_factory, choices):
    desk = Desk(tmp_path_factory.mktemp("desk") / "desk.json")
    written = desk.change(**choices)
    assert Desk(desk.path).state == written


def test_forms_write_choices_and_the_revision_tells_of_them(workbench, tmp_path, send):
    (tmp_path / "lights").mkdir()
    app = create_app(workbench, folder=tmp_path)
    desk = app.state.book.desk
    before = send(app, "/desk/revision").json()
    assert before["current"] is None
    sent = {"target": "M15", "pin": "M15", "frames": "20", "back": "/choose?night=x"}
    answer = send(app, "/desk", method="POST", data=sent)
    assert (answer.status_code, answer.headers["location"]) == (303, "/choose?night=x")
    assert (desk.state.target, desk.state.plan, desk.state.frames) == ("M15", ("M15",), 20)
    after = send(app, "/desk/revision").json()
    assert after["revision"] != before["revision"]
    assert f'data-revision="{after["revision"]}"' in send(app, "/kit").text
    told = send(app, "/desk", method="POST", data={"unpin": "M15", "frames": ""},
                headers={"accept": "application/json"}).json()  # fmt: skip
    assert told["revision"] == send(app, "/desk/revision").json()["revision"]
    assert (desk.state.plan, desk.state.frames) == ((), None)
    lights = str((tmp_path / "lights").resolve())
    send(app, "/desk", method="POST", data={"frames_folder": lights, "calibration_folders": lights})
    assert (desk.state.frames_folder, desk.state.calibration_folders) == (lights, (lights,))
    send(app, "/desk", method="POST", data={"leave_folder": lights, "frames_folder": ""})
    assert (desk.state.frames_folder, desk.state.calibration_folders) == ("", ())
    assert json.loads(desk.path.read_text())["revision"] == desk.state.revision


def test_forms_cannot_choose_other_folders_or_nonsense(workbench, tmp_path, send):
    app = create_app(workbench, folder=tmp_path)
    for sent in ({"frames_folder": "/etc"}, {"calibration_folders": "/etc"}, {"frames": "many"}):
        answer = send(app, "/desk", method="POST", data=sent)
        assert answer.status_code == 400
    assert app.state.book.desk.state == Evening()
    answer = send(app, "/desk", method="POST", data={"target": "M1", "back": "//evil.example"})
    assert answer.headers["location"] == "/"


def test_a_changed_kit_is_news_to_the_pages(workbench, tmp_path):
    book = create_app(workbench, folder=tmp_path).state.book
    before = book.revision()
    book.use(site=workbench.site.model_copy(update={"latitude_deg": 43.0}))
    assert book.revision() != before


def test_the_first_page_tells_the_evening_so_far(workbench, tmp_path, send):
    (tmp_path / "lights").mkdir()
    (tmp_path / "lights" / "a.fits").write_bytes(b"x")
    app = create_app(workbench, folder=tmp_path)
    page = send(app, "/").text
    for words in ("The evening so far", "Nothing is pinned yet", "Waits for an object"):
        assert words in page
    desk = app.state.book.desk
    desk.change(plan=("M15", "M2", "M27", "NGC 7662", "M76"), target="M2", exposure_s=30, frames=60)
    desk.change(frames_folder=str((tmp_path / "lights").resolve()))
    page = send(app, "/").text
    for words in ("M15, M2, M27, NGC 7662 and 1 more are on the plan.", "The way to M2.",
                  "60 × 30\u00a0s for M2.", "1 picture in lights.", "/find?name=M2"):  # fmt: skip
        assert words in page
    desk.change(frames_folder="/etc")
    assert "outside the folders" in send(app, "/").text
