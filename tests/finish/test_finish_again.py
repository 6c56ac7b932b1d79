"""A run that was broken off goes on where it stopped, and a second one need not look again."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from starfield import Field, Sensor, write, write_calibration
from test_finish_folder import load_record

from slowglass.errors import Cancelled
from slowglass.finish import glance as glance_module
from slowglass.finish import intake
from slowglass.finish.service import finish_path

LIGHTS = 7
WIDTH, HEIGHT = 420, 320


@pytest.fixture
def night(tmp_path):
    """Seven lights of a mosaic with their darks, flats and bias."""
    rng = np.random.default_rng(17)
    field = Field.random(rng, width=WIDTH, height=HEIGHT, stars=90, margin=20)
    sensor = Sensor.make(rng, WIDTH, HEIGHT)
    for k in range(LIGHTS):
        light = field.image(shift=(2.3 * k, -1.4 * k))
        write(
            tmp_path / f"in/l{k}.fits", sensor.expose(rng, light, 60.0), kind="LIGHT",
            exposure_s=60.0, pattern="RGGB",
        )  # fmt: skip
    write_calibration(tmp_path / "in", sensor, rng, count=3)
    return tmp_path


@pytest.fixture
def looks(monkeypatch):
    """The lights that were searched for stars, in full or at known places."""
    seen = []
    true_look = intake._look_at

    def counted(light, *rest):
        seen.append(light.path.name)
        return true_look(light, *rest)

    monkeypatch.setattr(intake, "_look_at", counted)
    return seen


def stop_at(stage, after=0):
    def report(now, done, total):
        if now == stage and done >= after:
            raise Cancelled

    return report


def visible(folder: Path):
    return sorted(p.name for p in folder.iterdir() if not p.name.startswith("."))


def picture(result):
    return fits.getdata(result.outputs[0])


def test_a_stopped_run_writes_nothing_and_goes_on(night, looks):
    fresh = finish_path(night / "in", night / "fresh/o")
    assert sorted(looks) == [f"l{k}.fits" for k in range(LIGHTS)]
    looks.clear()
    with pytest.raises(Cancelled):
        finish_path(night / "in", night / "out/o", report=stop_at("calibrating", 4))
    assert visible(night / "out") == []
    before = set(looks)
    assert 4 <= len(before) < LIGHTS
    looks.clear()
    # stopped once more, later on: nothing is looked at twice
    with pytest.raises(Cancelled):
        finish_path(night / "in", night / "out/o", report=stop_at("combining"))
    assert visible(night / "out") == []
    assert not before & set(looks)
    assert before | set(looks) == {f"l{k}.fits" for k in range(LIGHTS)}
    looks.clear()
    result = finish_path(night / "in", night / "out/o")
    assert looks == []
    assert any(f"{LIGHTS} of {LIGHTS} lights were known" in note for note in result.notes)
    np.testing.assert_array_equal(picture(result), picture(fresh))
    # the working frames are gone, as after any run that came to its end
    assert [p for p in (night / "out").iterdir() if p.name.startswith(".")] == []


def test_what_was_read_off_is_kept_for_later_runs(night, looks):
    first = finish_path(night / "in", night / "a", keep=night / "kept")
    looks.clear()
    again = finish_path(night / "in", night / "b", keep=night / "kept")
    assert looks == []
    np.testing.assert_array_equal(picture(again), picture(first))
    # a light that has changed, and one that is new, are looked at; a renamed one is known
    (night / "in/l5.fits").rename(night / "in/l9.fits")
    with fits.open(night / "in/l2.fits", mode="update") as hdus:
        hdus[0].data[10, 10] += 1
    other = finish_path(night / "in", night / "c", keep=night / "kept")
    assert looks == ["l2.fits"]
    assert other.frames_used == LIGHTS


def test_other_masters_have_the_lights_looked_at_anew(night, looks):
    finish_path(night / "in", night / "a", keep=night / "kept")
    looks.clear()
    next((night / "in/flat").iterdir()).unlink()
    finish_path(night / "in", night / "b", keep=night / "kept")
    assert len(looks) == LIGHTS


def test_damaged_readings_count_as_absent(night, looks):
    first = finish_path(night / "in", night / "a", keep=night / "kept")
    for k, path in enumerate(sorted((night / "kept").iterdir())):
        path.write_bytes(path.read_bytes()[: 100 * k] if k % 2 else b"")
    looks.clear()
    again = finish_path(night / "in", night / "b", keep=night / "kept")
    assert len(looks) == LIGHTS
    np.testing.assert_array_equal(picture(again), picture(first))


def test_two_runs_at_once_keep_out_of_each_others_way(night):
    # the second begins while the first is combining, into the same folder
    inner = []

    def report(stage, done, total):
        if stage == "combining" and not inner:
            inner.append(None)
            inner[0] = finish_path(night / "in", night / "out/second")

    first = finish_path(night / "in", night / "out/first", report=report)
    np.testing.assert_array_equal(picture(first), picture(inner[0]))
    assert [p.name for p in (night / "out").iterdir() if p.name.startswith(".")] == []


def test_quick_looks_agree_with_full_searches(night, monkeypatch):
    """The later lights, measured at the first one's stars, end up where a full search puts them."""
    quick = finish_path(night / "in", night / "quick")
    used = []
    monkeypatch.setattr(intake, "glance", lambda *a: used.append(1))
    full = finish_path(night / "in", night / "full")
    assert len(used) == LIGHTS - intake.FULL_LOOKS
    assert glance_module.FEWEST <= 90
    assert quick.frames_used == full.frames_used == LIGHTS
    assert quick.snr_gain == pytest.approx(full.snr_gain, rel=0.02)
    assert quick.fwhm_px == pytest.approx(full.fwhm_px, rel=0.02)
    # one star's place is known to 0.02 px here, that of a frame by dozens of them much better
    np.testing.assert_allclose(moves(quick), moves(full), atol=0.02)


def moves(result):
    """Shifts of all lights against the first."""
    frames = {f["file"]: f for f in load_record(result)["frames"]}
    own = np.array([[frames[f"l{k}.fits"][f"shift_{c}_px"] for c in "xy"] for k in range(LIGHTS)])
    return own - own[0]
