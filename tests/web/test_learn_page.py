"""The logbook in the page: read without a night's record, notes written, bad ones kept."""

from __future__ import annotations

from dataclasses import replace

import pytest

from slowglass.learn.logbook.records import LoggedFrame, LoggedNote, LoggedPicture, Night
from slowglass.learn.logbook.store import open_logbook
from slowglass.web.app import create_app


@pytest.fixture
def bench(workbench, tmp_path, monkeypatch):
    monkeypatch.setenv("SLOWGLASS_CONFIG", str(tmp_path / "config"))
    fresh = replace(workbench)
    vars(fresh).update(sky=workbench.sky, logbook=open_logbook(tmp_path / "logbook.sqlite"))
    yield fresh
    fresh.logbook.close()


@pytest.fixture
def ask(bench, tmp_path, send):
    app = create_app(bench, folder=tmp_path / "none")
    return lambda *args, **options: send(app, *args, **options)


def test_an_empty_logbook_says_so(ask):
    assert "No night is logged yet" in ask("/learn").text


def test_nights_and_pictures_are_listed(ask, bench):
    night = bench.logbook.night(Night("2026-10-09", bench.site.name, bench.kit.name))
    frames = [LoggedFrame("a", "a.fits", exposure_s=30.0, keeper=True, object="NGC 7078")]
    bench.logbook.log_frames(night, frames)
    bench.logbook.add(LoggedPicture("m15.tif", object="NGC 7078", frames_used=7))
    page = ask("/learn")
    assert page.status_code == 200
    for words in ("2026-10-09", "NGC 7078", "One light frame, 1 kept", "7 frames", "m15.tif"):
        assert words in page.text


def test_a_note_is_written_and_a_bad_one_stays_in_the_form(ask, bench):
    data = {"night": "2026-10-09", "text": "Dew <at> midnight"}
    assert ask("/learn/note", method="POST", data=data).status_code == 303
    assert "Dew &lt;at&gt; midnight" in ask("/learn").text
    answer = ask("/learn/note", method="POST", data={"night": "soon", "text": "keep me"})
    assert answer.status_code == 400
    assert "is not a date" in answer.text
    assert "keep me" in answer.text
    assert len(bench.logbook.all(LoggedNote)) == 1


def test_corrections_that_were_not_measured_are_refused(ask):
    for to in ("adopt", "put aside"):
        data = {"quantity": "camera.gain", "to": to}
        assert ask("/learn/correction", method="POST", data=data).status_code == 400
    headers = {"origin": "http://evil.example"}
    assert ask("/learn/correction", method="POST", headers=headers).status_code == 403
