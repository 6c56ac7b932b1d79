"""A night dropped frame by frame into a folder, with everything that happens to files."""

from __future__ import annotations

import os
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from painted_sky import paint, save
from PIL import Image

from slowglass.errors import UsageError
from slowglass.frame.dng_io import write_dng
from slowglass.judge.watch import Watch
from slowglass.judge.watch_files import Settling
from slowglass.kit.io import load_site
from slowglass.sky.place import Place, resolve_place

SIZE = {"width_px": 900, "height_px": 600, "scale_arcsec_per_px": 4.1}


@pytest.fixture(scope="module")
def frames(sky, tmp_path_factory):
    """Six lights of the field of M15 a minute apart, the last trailed; a dark."""
    folder = tmp_path_factory.mktemp("shots")
    for k in range(6):
        painted = paint(
            sky, ra_deg=322.49 + 0.002 * k, dec_deg=12.17, seed=k,
            trail_px=9.0 if k == 5 else 0.0, **SIZE,
        )  # fmt: skip
        save(painted, folder / f"light{k}.fits", DATE_OBS=f"2026-09-12T21:{k:02d}:00")
    closed = np.random.default_rng(9).normal(400, 3, painted.pixels.shape).astype(np.uint16)
    dark = replace(painted, pixels=closed)
    save(dark, folder / "dark.fits", IMAGETYP="unknown", DATE_OBS="2026-09-12T22:00:00")
    return folder


@pytest.fixture
def card(tmp_path, monkeypatch):
    """The camera's folder, and a journal elsewhere."""
    monkeypatch.setenv("SLOWGLASS_WATCH", str(tmp_path / "data"))
    folder = tmp_path / "card"
    folder.mkdir()
    return folder


@pytest.fixture
def watch(sky, card):
    def make(**more):
        target = resolve_place("M15", sky)
        settling = Settling(quiet_s=0.05, patience_s=more.pop("patience_s", 30.0))
        return Watch(card, sky, settling=settling, **{"target": target, **more})

    return make


def drop(frames, card, name, to=None, age_s=100.0):
    """Copy a frame into the folder, as old as files of a card are."""
    path = card / (to or name)
    shutil.copy(frames / name, path)
    stamp = path.stat().st_mtime - age_s
    os.utime(path, (stamp, stamp))
    return path


def all_of(watching):
    return list(watching.run(once=True))


def roles(state):
    return {e.name: e.role for e in state.entries}


def seen_bytes(folder):
    return {p.name: (p.read_bytes(), p.stat().st_mtime_ns) for p in folder.iterdir()}


def test_a_night_is_judged_in_order_and_nothing_is_touched(frames, card, watch, sky):
    for k in range(5):
        drop(frames, card, f"light{k}.fits", age_s=1000.0 - 60.0 * k)
    before = seen_bytes(card)
    watching = watch()
    events = all_of(watching)
    judged = [e.entry.name for e in events if e.what == "frame"]
    assert judged == [f"light{k}.fits" for k in range(5)]
    assert [e.state.to_judge for e in events if e.what == "frame"] == [4, 3, 2, 1, 0]
    state = watching.state
    assert state.keepers == 5 and state.stacked == 5 and state.stack_s == 300.0
    assert state.newest.name == "light4.fits" and state.newest.overlay.arrow is None
    assert events[-1].what == "stopped"
    assert seen_bytes(card) == before
    assert [p.suffix for p in sorted((card.parent / "data").iterdir())] == [".jsonl", ".npz"]


def test_a_restart_picks_up_where_it_was(frames, card, watch):
    for k in range(3):
        drop(frames, card, f"light{k}.fits")
    all_of(first := watch())
    drop(frames, card, "light3.fits")
    second = watch()
    assert roles(second.state) == roles(first.state) and second.state.stacked == 3
    events = all_of(second)
    assert [e.entry.name for e in events if e.what == "frame"] == ["light3.fits"]
    assert second.state.stacked == 4
    anew = watch(fresh=True)
    assert len([e for e in all_of(anew) if e.what == "frame"]) == 4


def test_a_lost_stack_is_made_again_from_the_files(frames, card, watch):
    for k in range(3):
        drop(frames, card, f"light{k}.fits")
    all_of(watch())
    for store in (card.parent / "data").glob("*.npz"):
        store.write_bytes(b"half")
    again = watch()
    assert again.state.stacked == 0
    assert [e.what for e in all_of(again)].count("stack") == 3
    assert again.state.stacked == 3


def test_another_target_keeps_the_verdicts_but_not_the_way(frames, card, watch):
    drop(frames, card, "light0.fits")
    all_of(first := watch())
    assert first.state.entries[0].verdict.nudge is not None
    other = watch(target=Place("elsewhere", 300.0, 20.0))
    kept = other.state.entries[0].verdict
    assert kept.nudge is None and kept.solved and kept.keeper


def test_a_half_written_copy_is_waited_for(frames, card, watch):
    data = (frames / "light0.fits").read_bytes()
    (card / "light0.fits").write_bytes(data[: len(data) // 2])
    watching = watch()
    for event in watching.run():
        if event.what == "waiting":
            assert "light0.fits" in event.text and "bytes are there" in event.text
            assert "light0.fits" in event.state.waiting
            (card / "light0.fits").write_bytes(data)
        if event.what == "frame":
            assert event.entry.verdict.keeper
            assert event.state.waiting == {}
            watching.stop()
    assert watching.state.keepers == 1


def test_a_copy_that_never_ends_is_told_and_judged_again_when_it_does(frames, card, watch):
    data = (frames / "light0.fits").read_bytes()
    (card / "light0.fits").write_bytes(data[: len(data) // 2])
    watching = watch(patience_s=0.3)
    all_of(watching)
    assert roles(watching.state) == {"light0.fits": "unreadable"}
    assert watching.state.say.text == "Copy the last frame again: it is damaged"
    (card / "light0.fits").write_bytes(data)
    again = watch()
    all_of(again)
    assert roles(again.state) == {"light0.fits": "light"} and again.state.keepers == 1


def test_renamed_deleted_and_copied_files(frames, card, watch):
    for k in range(2):
        drop(frames, card, f"light{k}.fits")
    all_of(watch())
    (card / "light0.fits").rename(card / "M15 first.fits")
    (card / "light1.fits").unlink()
    shutil.copy2(card / "M15 first.fits", card / "again.fits")
    watching = watch()
    events = all_of(watching)
    assert [e.text for e in events if e.what == "renamed"] == ["light0.fits is now M15 first.fits"]
    assert [e.text for e in events if e.what == "gone"] == ["light1.fits was deleted"]
    there = {e.name for e in watching.state.entries if not e.gone}
    assert there == {"M15 first.fits", "again.fits"}
    assert sorted(roles(watching.state)[n] for n in there) == ["copy", "light"]
    assert all(Path(e.verdict.file).name == e.name for e in watching.state.entries)
    assert roles(watch().state) == roles(watching.state)


def test_a_days_mess_is_sorted_by_what_frames_are(frames, card, watch):
    for k in range(3):
        drop(frames, card, f"light{k}.fits", to=f"dark_{k}.fits")
    drop(frames, card, "dark.fits", to="light_best.fits")
    picture = (np.random.default_rng(1).random((600, 900, 3)) * 30).astype(np.uint8)
    Image.fromarray(picture).save(card / "dark_1.jpg")
    (card / "notes.txt").write_text("cold tonight")
    (card / "broken.fits").write_bytes(b"SIMPLE  = nonsense")
    watching = watch(patience_s=0.2)
    all_of(watching)
    assert roles(watching.state) == {
        "dark_0.fits": "light", "dark_1.fits": "light", "dark_2.fits": "light",
        "light_best.fits": "dark", "dark_1.jpg": "twin", "broken.fits": "unreadable",
    }  # fmt: skip
    assert watching.state.stacked == 3


def test_a_picture_judged_first_leaves_the_stack_when_its_raw_comes(sky, card, watch):
    painted = paint(sky, ra_deg=322.49, dec_deg=12.17, **SIZE)
    small = np.clip((painted.pixels.astype(float) - 300.0) / 40.0, 0, 255).astype(np.uint8)
    Image.fromarray(np.dstack([small] * 3)).save(card / "IMG_1.jpg", quality=95)
    all_of(first := watch())
    assert roles(first.state) == {"IMG_1.jpg": "light"}
    write_dng(
        card / "IMG_1.dng", painted.pixels, bayer="RGGB", black_adu=0, white_adu=65535,
        exposure_s=60.0,
    )  # fmt: skip
    second = watch()
    all_of(second)
    assert roles(second.state) == {"IMG_1.jpg": "twin", "IMG_1.dng": "light"}
    assert second.state.stacked <= 1 and "IMG_1.jpg" not in second._stack.names


def test_one_odd_file_does_not_end_the_watch(frames, card, watch, monkeypatch):
    from slowglass.judge import assess

    drop(frames, card, "light0.fits")
    drop(frames, card, "light1.fits")
    real = assess.assess_frame

    def sometimes(frame, *args, **more):
        if "light0" in str(frame.path):
            raise ZeroDivisionError("odd")
        return real(frame, *args, **more)

    monkeypatch.setattr(assess, "assess_frame", sometimes)
    all_of(watching := watch())
    assert roles(watching.state) == {"light0.fits": "unreadable", "light1.fits": "light"}
    assert "unexpected fault" in watching.state.entries[0].why
    monkeypatch.undo()
    monkeypatch.setenv("SLOWGLASS_WATCH", str(card.parent / "data"))
    all_of(again := watch())
    assert set(roles(again.state).values()) == {"light"}


def test_the_folder_may_go_away_and_come_back(frames, card, watch):
    drop(frames, card, "light0.fits")
    watching = watch()
    away = card.with_name("away")
    told = []
    for event in watching.run():
        told.append((event.what, event.state.say.text))
        if event.what == "frame":
            card.rename(away)
        if event.state.note:
            assert not event.state.entries[0].gone
            away.rename(card)
            drop(frames, card, "light1.fits")
        if event.what == "frame" and event.entry.name == "light1.fits":
            watching.stop()
    assert ("say", "The folder is gone: check cable and card") in told
    assert len(watching.state.entries) == 2


def test_a_trailed_frame_is_no_keeper_and_stays_out_of_the_stack(frames, card, watch):
    for k in (0, 1, 2, 5):
        drop(frames, card, f"light{k}.fits", age_s=500.0 - 60 * k)
    all_of(watching := watch())
    assert watching.state.stacked == 3 and watching.state.keepers == 3
    assert watching.state.say.text == "One frame lost: keep shooting"


def test_without_a_place_the_last_frame_is_the_place(frames, card, watch):
    for k in range(2):
        drop(frames, card, f"light{k}.fits", age_s=500.0 - 60 * k)
    all_of(watching := watch(target=None))
    assert all(e.verdict.solved for e in watching.state.entries)


def test_the_stream_is_plain_json(frames, card, watch):
    import json

    from slowglass.documents import to_line

    drop(frames, card, "light0.fits")
    for event in all_of(watch(site=load_site("Fig Tree Yard"))):
        told = json.loads(to_line(event))
        assert told["event"] == event.what
        assert len(told["night"]["say"]["text"].split()) <= 10
        if event.what == "frame":
            assert told["name"] == "light0.fits" and told["keeper"] is True
            assert told["night"]["files"] == {"light": 1}


def test_an_option_that_makes_no_sense_ends_the_watch_and_spoils_no_frame(frames, card, watch):
    drop(frames, card, "light0.fits")
    with pytest.raises(UsageError, match="radius"):
        all_of(watch(radius_deg=-3.0))
    all_of(again := watch())
    assert roles(again.state) == {"light0.fits": "light"}


def test_misuse_is_told(sky, tmp_path, card, watch):
    with pytest.raises(UsageError, match="not a folder"):
        Watch(tmp_path / "nowhere", sky)
    with pytest.raises(UsageError, match="your own kit and site"):
        watch(set_axis=True)
