"""``slowglass learn`` as a person meets it."""

from __future__ import annotations

import json

import pytest

from slowglass.cli.main import run
from slowglass.expose.calibration import render_bias, render_dark, render_flat
from slowglass.frame.fits_io import write_fits
from slowglass.kit.io import load_kit


@pytest.fixture
def own_folder(tmp_path, monkeypatch):
    folder = tmp_path / "config"
    monkeypatch.setenv("SLOWGLASS_CONFIG", str(folder))
    return folder


def ask(capsys, *words):
    code = run(["learn", *words])
    out = capsys.readouterr()
    return code, out.out, out.err


def test_an_empty_logbook_says_how_to_fill_it(capsys, own_folder):
    code, out, _ = ask(capsys)
    assert code == 0 and "is empty" in out and "slowglass learn log" in out
    for words in (["review"], ["kit"], ["advice"], ["frames"], ["pictures"]):
        code, out, _ = ask(capsys, *words)
        assert code == 1 and out


def test_a_note_is_written_listed_removed_and_brought_back(capsys, own_folder):
    assert ask(capsys, "note", "first light", "--night", "2026-10-09", "--object", "M15")[0] == 0
    _, out, _ = ask(capsys, "notes", "--json")
    (found,) = json.loads(out)
    assert found["night"] == "2026-10-09" and found["note"]["object"] == "NGC7078"
    number = str(found["note"]["id"])
    assert ask(capsys, "remove", "note", number)[0] == 0
    assert json.loads(ask(capsys, "notes", "--json")[1]) == []
    assert ask(capsys, "remove", "note", number, "--undo")[0] == 0
    assert len(json.loads(ask(capsys, "notes", "--json")[1])) == 1


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["frames", "--night", "yesterday"], "yesterday is no date"),
        (["frames", "--object", "M999"], "M999"),
        (["frames", "--kind", "moon"], "moon"),
        (["remove", "star", "3"], "star"),
        (["remove", "note", "3"], "no note number 3"),
        (["write", "log.xlsx"], ".json, .csv or .ecsv"),
        (["read", "absent.json"], "absent.json"),
        (["camera", "nowhere"], "nowhere"),
        (["log", "nowhere"], "nowhere"),
        (["report", "-o", "night.html"], "no light frames"),
        (["kit", "--put-aside", "camera.gain_e_per_adu"], "no measured value is in use"),
    ],
)
def test_bad_input_is_told_in_a_line(capsys, own_folder, words, told, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    code, _, err = ask(capsys, *words)
    assert code in (1, 2)
    assert told in err and len(err.strip().splitlines()) == 1
    assert "unexpected fault" not in err


def test_the_camera_is_measured_adopted_and_put_aside(capsys, own_folder, tmp_path):
    kit = load_kit("long 102")
    camera = kit.camera.model_copy(update={"width_px": 640, "height_px": 480})
    truth = kit.model_copy(
        update={"camera": camera.model_copy(update={"read_noise_e": 5.0}), "name": "own"}
    )
    stated = kit.model_copy(update={"camera": camera, "name": "own"})
    from slowglass.kit.io import write_kit

    write_kit(stated, own_folder / "kit.toml")
    folder = tmp_path / "frames"
    frames = [render_bias(truth, seed=s) for s in (0, 1)]
    frames += [render_flat(truth, level=0.4, seed=s) for s in (2, 3)]
    frames += [render_dark(truth, exposure_s=60, seed=s) for s in (4, 5)]
    for number, frame in enumerate(frames):
        write_fits(folder / f"{number}.fits", frame.pixels, cards=frame.header.cards,
                   dtype="uint16")  # fmt: skip
    chart = tmp_path / "transfer.png"
    code, out, _ = ask(capsys, "camera", str(folder), "--adopt", "all", "-o", str(chart), "--json")
    assert code == 0
    values = {v["quantity"]: v for v in json.loads(out)["values"]}
    noise = values["camera.read_noise_e"]
    assert noise["value"] == pytest.approx(5.0, rel=0.05) and noise["stated"] == 3.0
    assert chart.read_bytes().startswith(b"\x89PNG")
    assert load_kit().camera.read_noise_e == pytest.approx(5.0, rel=0.05)
    # A value that agrees with the stated one is left alone.
    assert load_kit().camera.gain_e_per_adu == stated.camera.gain_e_per_adu
    assert ask(capsys, "kit", "--put-aside", "camera.read_noise_e")[0] == 0
    assert load_kit().camera == stated.camera
    code, _, err = ask(capsys, "camera", str(folder), "--adopt", "camera.colour")
    assert code == 2 and "camera.colour" in err


def test_the_logbook_goes_out_and_in(capsys, own_folder, tmp_path, monkeypatch):
    ask(capsys, "note", "clear and cold", "--night", "2026-10-09")
    out_file, copy = tmp_path / "log.json", tmp_path / "copy.sqlite"
    assert ask(capsys, "write", str(out_file))[0] == 0
    assert ask(capsys, "backup", str(copy))[0] == 0
    monkeypatch.setenv("SLOWGLASS_LOGBOOK", str(tmp_path / "other.sqlite"))
    code, out, _ = ask(capsys, "read", str(out_file))
    assert code == 0 and "2 new" in out
    assert "0 new" in ask(capsys, "read", str(out_file))[1]
    monkeypatch.setenv("SLOWGLASS_LOGBOOK", str(copy))
    assert "clear and cold" in ask(capsys, "notes")[1]
