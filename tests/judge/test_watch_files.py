"""New files noticed, half-written ones waited for, the journal safe against crashes."""

from __future__ import annotations

import json
import os
import threading
import time

import numpy as np
import pytest
from astropy.io import fits

from slowglass.errors import UsageError
from slowglass.frame.fingerprint import file_print
from slowglass.judge.watch_files import Bell, Mark, Settling, scan, taking_order
from slowglass.judge.watch_journal import Journal, journal_folder


@pytest.fixture
def whole(tmp_path):
    """A whole FITS file of a few blocks."""
    path = tmp_path / "a.fits"
    fits.PrimaryHDU(np.arange(6000, dtype=np.int16).reshape(60, 100)).writeto(path)
    return path


def look(settling, folder, now_s, clock_s=None):
    files = scan(folder)
    newest = max((m.mtime_ns for m in files.values()), default=0) / 1e9
    return settling.look(files, now_s=now_s, clock_s=newest if clock_s is None else clock_s)


def test_a_file_is_ready_once_it_rests(whole):
    settling = Settling(quiet_s=1.0)
    assert look(settling, whole.parent, 100.0) == ([], {whole: "it is being written"})
    assert look(settling, whole.parent, 100.5)[0] == []
    assert look(settling, whole.parent, 101.0) == ([whole], {})


def test_old_files_of_the_first_look_need_no_rest(whole):
    clock_s = whole.stat().st_mtime + 3600.0
    assert look(Settling(), whole.parent, 100.0, clock_s)[0] == [whole]


def test_a_stalled_copy_is_waited_for_and_then_read_as_it_is(whole):
    data = whole.read_bytes()
    whole.write_bytes(data[:4000])
    settling = Settling(quiet_s=1.0, patience_s=60.0)
    look(settling, whole.parent, 0.0)
    ready, waiting = look(settling, whole.parent, 30.0)
    assert ready == [] and "4000 of" in waiting[whole]
    whole.write_bytes(data)
    assert look(settling, whole.parent, 31.0)[0] == []  # it has just changed
    assert look(settling, whole.parent, 32.5)[0] == [whole]
    whole.write_bytes(data[:4000])
    look(settling, whole.parent, 40.0)
    assert look(settling, whole.parent, 100.0)[0] == [whole]


def test_sensor_data_comes_before_its_picture_and_older_before_newer(tmp_path):
    marks = {
        tmp_path / "a2.jpg": Mark(1, 2_000),
        tmp_path / "a2.dng": Mark(1, 2_500),
        tmp_path / "b1.dng": Mark(1, 1_000),
    }
    assert [p.name for p in taking_order(marks)] == ["b1.dng", "a2.dng", "a2.jpg"]


def test_hidden_and_partial_names_are_no_frames(tmp_path, whole):
    for name in (".a.fits.x8", "b.fits.part", "notes.txt", ".hidden.fits"):
        (tmp_path / name).write_bytes(b"x")
    assert list(scan(tmp_path)) == [whole]


def test_a_folder_that_went_away_is_told(tmp_path):
    with pytest.raises(FileNotFoundError):
        scan(tmp_path / "card")


def test_fingerprints_tell_content_not_name(whole):
    other = whole.with_name("b.fits")
    other.write_bytes(whole.read_bytes())
    assert file_print(other) == file_print(whole)
    data = bytearray(whole.read_bytes())
    data[-1] ^= 1
    other.write_bytes(bytes(data))
    assert file_print(other) != file_print(whole)


def test_the_bell_rings_at_a_new_file_and_when_time_is_up(tmp_path):
    bell = Bell(tmp_path)
    bell.wait(0.01)  # starts the notices
    writer = threading.Timer(0.5, (tmp_path / "a.fits").write_bytes, [b"x"])
    writer.start()
    began = time.monotonic()
    bell.wait(20.0)
    assert time.monotonic() - began < 15.0
    writer.join()
    began = time.monotonic()
    bell.wait(0.3)
    assert time.monotonic() - began >= 0.25
    bell.stop()
    bell.wait(20.0)


def test_without_notices_the_bell_is_a_clock(tmp_path):
    bell = Bell(tmp_path / "not-there")
    began = time.monotonic()
    bell.wait(0.2)
    bell.wait(0.2)
    assert 0.35 <= time.monotonic() - began < 10.0


def test_journal_lines_come_back_and_lie_away_from_the_frames(tmp_path, monkeypatch):
    monkeypatch.setenv("SLOWGLASS_WATCH", str(tmp_path / "data"))
    watched = tmp_path / "card"
    watched.mkdir()
    journal = Journal(watched)
    journal.add("frame", name="ä.dng", value=float("nan"))
    journal.add("renamed", old="ä.dng", name="b.dng")
    entries = list(Journal(watched).read())
    assert [e["what"] for e in entries] == ["frame", "renamed"]
    assert entries[0]["name"] == "ä.dng"
    assert journal.path.parent == journal_folder() == tmp_path / "data"
    assert list(watched.iterdir()) == []
    assert Journal(tmp_path).path != journal.path


def test_a_line_cut_by_a_crash_costs_itself_only(tmp_path):
    journal = Journal(tmp_path, folder=tmp_path / "data")
    journal.add("frame", name="a")
    with journal.path.open("ab") as stream:
        stream.write(b'{"format": 1, "what": "frame", "na')
    again = Journal(tmp_path, folder=tmp_path / "data")
    again.add("frame", name="b")
    assert [e["name"] for e in again.read()] == ["a", "b"]


def test_damaged_and_foreign_lines_are_left_out(tmp_path):
    journal = Journal(tmp_path, folder=tmp_path / "data")
    journal.add("frame", name="a")
    with journal.path.open("ab") as stream:
        stream.write(b"\xff\xfe\n[1, 2]\n" + json.dumps({"format": 99}).encode() + b"\n")
    journal.add("frame", name="b")
    assert [e["name"] for e in journal.read()] == ["a", "b"]


def test_a_fresh_start_forgets_but_keeps_what_was_written(tmp_path):
    journal = Journal(tmp_path, folder=tmp_path / "data")
    journal.add("frame", name="a")
    journal.start_fresh()
    journal.add("frame", name="b")
    assert [e["name"] for e in journal.read()] == ["b"]
    assert '"a"' in journal.path.read_text()


@pytest.mark.skipif(os.geteuid() == 0 if hasattr(os, "geteuid") else True, reason="root may write")
def test_a_journal_that_cannot_be_written_is_told(tmp_path):
    folder = tmp_path / "data"
    folder.mkdir(mode=0o500)
    with pytest.raises(UsageError, match="journal"):
        Journal(tmp_path, folder=folder / "deeper").add("frame")


def test_a_journal_in_the_place_of_a_file_is_told(tmp_path):
    (tmp_path / "data").write_text("x")
    with pytest.raises(UsageError, match="SLOWGLASS_WATCH"):
        Journal(tmp_path, folder=tmp_path / "data").add("frame")
