"""The watch command: words and JSON, exit codes, the bell, the page's address."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import urllib.request

import numpy as np
import pytest
from astropy.io import fits

from slowglass.frame.fits_io import write_fits

WHERE = ["--near", "M15", "--radius", "1", "--scale", "2.5"]
"""No such stars are there: a frame without a place, found so at once."""


@pytest.fixture(autouse=True)
def own_data(tmp_path, monkeypatch):
    monkeypatch.setenv("SLOWGLASS_WATCH", str(tmp_path / "data"))


@pytest.fixture
def card(tmp_path):
    """A camera's folder with one frame of stars somewhere and one dark, written a while ago."""
    folder = tmp_path / "card"
    folder.mkdir()
    rng = np.random.default_rng(3)
    picture = rng.normal(500.0, 5.0, (480, 640))
    y, x = np.mgrid[:480, :640]
    for cx, cy in rng.uniform((40, 40), (600, 440), (25, 2)):
        picture += rng.uniform(600, 4000) * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / 8.0)
    cards = {"EXPTIME": 30.0, "DATE-OBS": "2026-09-12T21:00:00"}
    write_fits(folder / "a.fits", picture, cards=cards, dtype="uint16")
    dark = rng.normal(500.0, 5.0, (480, 640))
    write_fits(folder / "b.fits", dark, cards={**cards, "IMAGETYP": "Dark"}, dtype="uint16")
    for path in folder.iterdir():
        os.utime(path, (path.stat().st_mtime - 60,) * 2)
    return folder


def test_words_a_line_a_frame_and_one_instruction(slowglass, card):
    done = slowglass("watch", card, *WHERE, "--once")
    assert done.code == 0
    lines = done.out.splitlines()
    assert lines[0].startswith(f"Watching {card}")
    assert any(line.startswith("keep  a.fits") for line in lines)
    assert any(line.startswith("dark  b.fits") for line in lines)
    assert [line for line in lines if line.startswith("→")][-1] == "→ 1 of 16 darks: keep going"
    assert "1 light, 1 to keep; 1 frame stacked" in lines[-1]
    again = slowglass("watch", card, *WHERE, "--once").out
    assert "2 frames known from before" in again and "keep  a.fits" not in again
    assert "keep  a.fits" in slowglass("watch", card, *WHERE, "--once", "--fresh").out


def test_json_is_a_stream_of_objects(slowglass, card):
    done = slowglass("watch", card, *WHERE, "--once", "--json")
    events = [line["event"] for line in done.lines]
    assert events[0] == "watching" and events[-1] == "stopped" and events.count("frame") == 2
    frame = next(line for line in done.lines if line["event"] == "frame")
    assert frame["name"] == "a.fits" and frame["role"] == "light"
    assert frame["night"]["say"]["text"] and done.err == ""


def test_the_bell_rings_when_something_is_to_be_done(slowglass, card):
    (card / "b.fits").unlink()
    picture = np.random.default_rng(4).normal(500.0, 5.0, (240, 320))
    write_fits(card / "c.fits", picture, cards={"IMAGETYP": "Light"}, dtype="uint16")
    done = slowglass("watch", card, *WHERE, "--once", "--sound")
    assert "→ Check cap, cloud and focus, then expose longer" in done.out
    assert done.err.count("\a") == 1
    assert "\a" not in slowglass("watch", card, *WHERE, "--once", "--fresh").err


def test_nothing_and_nowhere(slowglass, card, tmp_path):
    empty = tmp_path / "empty"
    empty.mkdir()
    done = slowglass("watch", empty, "--once")
    assert done.code == 1 and "holds no pictures" in done.err
    done = slowglass("watch", tmp_path / "nowhere", "--once")
    assert done.code == 2 and "is not a folder" in done.err
    done = slowglass("watch", card, *WHERE, "--once", "--axis")
    assert done.code == 2 and "your own kit and site" in done.err
    done = slowglass("watch", card, *WHERE, "--once", "--target", "Xyzzy 7")
    assert done.code == 2


@pytest.mark.skipif(sys.platform == "win32", reason="SIGINT cannot be sent to a process there")
def test_one_command_gives_words_and_a_page_and_ends_on_interrupt(card, tmp_path):
    environment = {**os.environ, "SLOWGLASS_CONFIG": str(tmp_path / "no-config")}
    words = [sys.executable, "-m", "slowglass", "watch", str(card), *WHERE]
    with subprocess.Popen(
        words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment
    ) as program:
        try:
            told = program.stderr.readline()
            address = told.split(" at ")[1].split()[0]
            assert address.endswith("/judge/live")
            for line in program.stdout:
                if line.startswith("→ 1 of 16 darks"):
                    break
            with urllib.request.urlopen(address, timeout=30) as answer:
                page = answer.read().decode()
            assert "1 of 16 darks: keep going" in page and "a.fits" in page
            program.send_signal(signal.SIGINT)
            rest, _ = program.communicate(timeout=60)
            assert program.returncode == 0
            assert "1 light, 1 to keep" in rest
        finally:
            program.kill()


@pytest.mark.skipif(sys.platform == "win32", reason="SIGINT cannot be sent to a process there")
def test_a_new_frame_is_noticed_while_it_runs(card, tmp_path):
    environment = {**os.environ, "SLOWGLASS_CONFIG": str(tmp_path / "no-config")}
    words = [sys.executable, "-m", "slowglass", "watch", str(card), *WHERE, "--json"]
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True, env=environment) as program:
        try:
            seen = []
            for line in program.stdout:
                event = json.loads(line)
                if event["event"] == "frame":
                    seen.append(event["name"])
                    if seen == ["a.fits", "b.fits"]:
                        shutil.copy(card / "a.fits", tmp_path / "c.fits")
                        with fits.open(tmp_path / "c.fits", mode="update") as file:
                            file[0].header["DATE-OBS"] = "2026-09-12T21:01:00"
                        shutil.copy(tmp_path / "c.fits", card / "c.fits")
                if len(seen) == 3:
                    break
            assert seen == ["a.fits", "b.fits", "c.fits"]
            program.send_signal(signal.SIGINT)
            program.communicate(timeout=60)
            assert program.returncode == 0
        finally:
            program.kill()
