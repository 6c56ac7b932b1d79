"""The logbook file: what is acknowledged stays, nothing is overwritten, strangers are refused."""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest
import sqlalchemy as sa

from slowglass.errors import UnreadableFile, UsageError
from slowglass.frame.fingerprint import fingerprint
from slowglass.learn.logbook import schema
from slowglass.learn.logbook.backup import back_up, integrity_faults
from slowglass.learn.logbook.records import (
    FrameQuery,
    LoggedFrame,
    LoggedMeasurement,
    LoggedNote,
    LoggedPicture,
    Night,
)
from slowglass.learn.logbook.store import EDITION, Logbook, open_logbook

NIGHT = Night("2026-10-12", "Fig Tree Yard", "long 102")
TRIES = 200


@pytest.fixture
def logbook(tmp_path):
    with open_logbook(tmp_path / "log.sqlite") as made:
        yield made


def frame(number: int, **changes) -> LoggedFrame:
    return LoggedFrame(f"print-{number}", f"frame-{number}.fits", **changes)


def test_what_was_written_is_read_back_by_another_process_view(logbook):
    night = logbook.night(NIGHT)
    kept = frame(1, object="NGC7078", keeper=True, fwhm_arcsec=2.6, verdict={"stars": 31})
    assert logbook.log_frames(night, [kept]) == 1
    with open_logbook(logbook.path) as other:
        (found,) = other.frames()
    assert (found.file, found.object, found.verdict) == (kept.file, "NGC7078", {"stars": 31})
    assert found.night_id == night and found.made_utc.endswith("Z")


def test_a_frame_judged_again_is_one_entry_with_the_later_verdict(logbook):
    night = logbook.night(NIGHT)
    logbook.log_frames(night, [frame(1, fwhm_arcsec=4.0), frame(2)])
    moved = LoggedFrame("print-1", "elsewhere/renamed.fits", fwhm_arcsec=3.0)
    assert logbook.log_frames(night, [moved, frame(3)]) == 1
    assert [f.fwhm_arcsec for f in logbook.frames()] == [3.0, None, None]
    assert logbook.frames()[0].file == "elsewhere/renamed.fits"


def test_the_same_night_is_one_entry_that_gathers_conditions(logbook):
    first = logbook.night(NIGHT)
    again = logbook.night(Night(*(NIGHT.evening, NIGHT.site, NIGHT.kit), {"sky": 20.3}))
    logbook.night(Night(*(NIGHT.evening, NIGHT.site, NIGHT.kit), {"seeing": 3.1}))
    assert first == again
    assert logbook.all(Night)[0].conditions == {"sky": 20.3, "seeing": 3.1}


def test_removing_marks_and_undo_brings_back(logbook):
    note = logbook.add(LoggedNote("dew by two o'clock"))
    logbook.remove(LoggedNote, note)
    assert logbook.all(LoggedNote) == []
    assert [n.text for n in logbook.all(LoggedNote, removed=True)] == ["dew by two o'clock"]
    logbook.remove(LoggedNote, note, undo=True)
    assert len(logbook.all(LoggedNote)) == 1
    with pytest.raises(UsageError, match="no note number 99"):
        logbook.remove(LoggedNote, 99)


def test_adopting_a_value_takes_the_place_of_the_one_before(logbook):
    ids = [
        logbook.add(LoggedMeasurement("long 102", "camera.read_noise_e", "e", value))
        for value in (3.0, 3.2)
    ]
    for number in ids:
        logbook.adopt(number)
    adopted = [m.adopted_utc is not None for m in logbook.all(LoggedMeasurement)]
    assert adopted == [False, True]
    logbook.adopt(ids[1], undo=True)
    assert not any(m.adopted_utc for m in logbook.all(LoggedMeasurement))


def test_photographed_counts_kept_lights_and_pictures(logbook):
    night = logbook.night(NIGHT)
    logbook.log_frames(
        night,
        [
            frame(1, object="NGC7078", keeper=True),
            frame(2, object="NGC0457", keeper=False),
            frame(3, object="NGC6705", keeper=True, kind="dark"),
        ],
    )
    logbook.add(LoggedPicture("m82.png", object="NGC3034"))
    gone = logbook.add(LoggedPicture("m76.png", object="NGC0650"))
    logbook.remove(LoggedPicture, gone)
    assert logbook.photographed() == {"NGC7078", "NGC3034"}


def test_a_frame_is_found_by_its_content_also_when_removed(logbook):
    night = logbook.night(NIGHT)
    logbook.log_frames(night, [frame(1), frame(2)])
    found = logbook.frame("print-2")
    assert found.file == "frame-2.fits"
    logbook.remove(LoggedFrame, found.id)
    assert logbook.frame("print-2").removed_utc is not None
    assert logbook.frame("print-9") is None


def test_a_failed_batch_leaves_nothing_of_it(logbook):
    night = logbook.night(NIGHT)
    bad = LoggedFrame("print-2", None)  # type: ignore[arg-type]
    with pytest.raises(sa.exc.IntegrityError):
        logbook.log_frames(night, [frame(1), bad])
    assert logbook.frames() == []


def test_strangers_and_later_editions_are_refused_unharmed(tmp_path):
    text = tmp_path / "text.sqlite"
    text.write_text("these are the notes of a year, not a database" * 100)
    other = tmp_path / "other.sqlite"
    with closing(sqlite3.connect(other)) as connection:
        connection.execute("CREATE TABLE stamps (id INTEGER)")
        connection.commit()
    later = tmp_path / "later.sqlite"
    open_logbook(later).close()
    with closing(sqlite3.connect(later)) as connection:
        connection.execute("UPDATE alembic_version SET version_num = '999'")
        connection.commit()
    for path, words in ((text, "not a readable"), (other, "something else"), (later, "newer")):
        before = path.read_bytes()
        with pytest.raises(UnreadableFile, match=words):
            open_logbook(path)
        assert path.read_bytes() == before


def test_a_logbook_of_the_first_edition_is_brought_up_and_a_copy_kept(tmp_path):
    from alembic import command
    from alembic.config import Config

    path = tmp_path / "log.sqlite"
    engine = sa.create_engine(sa.URL.create("sqlite", database=str(path)))
    config = Config()
    config.set_main_option("script_location", "slowglass.learn.logbook:migrations")
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, "1")
        connection.execute(
            sa.text(
                "INSERT INTO nights (id, evening, site, kit, conditions, made_utc) "
                "VALUES (1, '2026-10-12', 'yard', 'kit', '{}', '2026-10-12T20:00:00Z')"
            )
        )
        connection.execute(sa.text(
            "INSERT INTO frames (night_id, fingerprint, file, kind, solved, keeper, verdict, "
            "made_utc, zero_point_mag) VALUES (1, 'a', 'a.fits', 'light', 1, 1, '{}', "
            "'2026-10-12T20:00:00Z', 17.5)"))  # fmt: skip
    engine.dispose()
    with open_logbook(path) as logbook:
        (old,) = logbook.frames()
        assert (old.zero_point_mag, old.zero_point_red_mag, old.faintest_mag) == (17.5, None, None)
        night = logbook.night(NIGHT)
        logbook.log_frames(night, [frame(1, zero_point_red_mag=17.1, faintest_mag=15.2)])
        (found,) = logbook.frames(FrameQuery(reaching_mag=15.0))
        assert found.zero_point_red_mag == 17.1
        assert logbook.frames(FrameQuery(reaching_mag=15.5)) == []
    assert (tmp_path / "log-edition-1.sqlite").is_file()


def test_the_steps_make_the_tables_the_code_expects(logbook):
    found = sa.MetaData()
    found.reflect(logbook.engine)
    for name, table in schema.metadata.tables.items():
        there = found.tables[name]
        assert {c.name: (c.nullable, str(c.type)) for c in table.c} == {
            c.name: (c.nullable, str(c.type)) for c in there.c
        }
        assert {i.name for i in table.indexes} == {i.name for i in there.indexes}
    with logbook.engine.connect() as connection:
        version = connection.execute(sa.text("SELECT version_num FROM alembic_version")).scalar()
    assert version == EDITION


def test_a_backup_is_a_whole_sound_logbook_in_one_file(logbook, tmp_path):
    night = logbook.night(NIGHT)
    logbook.log_frames(night, [frame(n) for n in range(200)])
    path = back_up(logbook.engine, tmp_path / "copies" / "log.sqlite")
    assert [p.name for p in path.parent.iterdir()] == ["log.sqlite"]
    with open_logbook(path) as copy:
        assert copy.frames() == logbook.frames()


def test_a_full_folder_or_one_that_cannot_be_is_told(tmp_path):
    blocked = tmp_path / "file"
    blocked.write_text("in the way")
    with pytest.raises(UsageError, match="cannot be made"):
        open_logbook(blocked / "log.sqlite")


def test_a_frame_is_known_by_content_not_by_name(tmp_path):
    one, copy, other = (tmp_path / name for name in ("a.fits", "b.fits", "c.fits"))
    one.write_bytes(bytes(range(256)) * 2000)
    shutil.copy(one, copy)
    changed = bytearray(one.read_bytes())
    changed[256_100] ^= 1
    other.write_bytes(changed)
    assert fingerprint(one) == fingerprint(copy) != fingerprint(other)
    with pytest.raises(UnreadableFile):
        fingerprint(tmp_path / "absent.fits")


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs a system that can fork")
def test_nothing_acknowledged_is_lost_to_kill_9(tmp_path):
    path = tmp_path / "log.sqlite"
    script = Path(__file__).with_name("interrupted_writer.py")
    done = subprocess.run(
        [sys.executable, str(script), str(path), str(TRIES), "7"],
        capture_output=True, text=True, check=True, timeout=300,
    )  # fmt: skip
    lines = done.stdout.splitlines()
    assert len(lines) == TRIES
    told = [number for line in lines for number in line.split()]
    assert len(told) > TRIES // 4, "the writers were killed too early to test anything"
    with open_logbook(path) as logbook:
        notes = {note.text for note in logbook.all(LoggedNote)}
        prints = {f.fingerprint for f in logbook.frames(FrameQuery())}
    assert [n for n in told if n not in notes] == []
    assert [n for n in told if not {f"{n}-0", f"{n}-1", f"{n}-2"} <= prints] == []
    # A batch is whole or absent, also those that were cut off.
    groups = {p.split("-")[0] for p in prints}
    assert prints == {f"{g}-{part}" for g in groups for part in range(3)}
    with closing(sqlite3.connect(path)) as connection:
        assert integrity_faults(connection) == []


def test_two_processes_may_write_at_once(tmp_path):
    path = tmp_path / "log.sqlite"
    code = (
        "import sys; from pathlib import Path\n"
        "from slowglass.learn.logbook.store import open_logbook\n"
        "from slowglass.learn.logbook.records import LoggedNote, Night\n"
        "with open_logbook(Path(sys.argv[1])) as book:\n"
        "    for n in range(60):\n"
        "        night = book.night(Night('2026-01-01', 'a', sys.argv[2], {'n': n}))\n"
        "        book.add(LoggedNote(f'{sys.argv[2]} {n}', night_id=night))\n"
    )
    writers = [
        subprocess.Popen([sys.executable, "-c", code, str(path), name]) for name in ("x", "y")
    ]
    assert [w.wait(timeout=120) for w in writers] == [0, 0]
    with open_logbook(path) as logbook:
        assert len(logbook.all(LoggedNote)) == 120
        assert len(logbook.all(Night)) == 2


def test_logbook_is_what_opening_gives(logbook):
    assert isinstance(logbook, Logbook)
