"""Sliders on a finished picture: the proxy against the export, the loupe, bit for bit repeats."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image
from starfield import Field, Sensor, write

from slowglass.errors import UnreadableFile, UsageError
from slowglass.finish.geometry import Box
from slowglass.finish.kept import read_facts, read_light
from slowglass.finish.proof import Proof
from slowglass.finish.recipe import load_recipe
from slowglass.finish.sliders import SLIDERS, Moves
from slowglass.frame.preview import shrink
from slowglass.workbench import Workbench

WIDTH, HEIGHT, FRAMES = 760, 540, 3
PROXY_PX = 500
BUSY = Moves(
    darkness=0.4, brightness=0.5, faint=-0.5, saturation=1.6, quiet=0.5, sharpen=0.4,
    smaller_stars=0.3, local_contrast=0.5,
)  # fmt: skip


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Three frames with a glow in the middle, wider than the proxy."""
    folder = tmp_path_factory.mktemp("series") / "frames"
    rng = np.random.default_rng(11)
    field = Field.random(rng, width=WIDTH, height=HEIGHT, stars=120, margin=40)
    sensor = Sensor.make(rng, WIDTH, HEIGHT, hot=0.0)
    y, x = np.mgrid[:HEIGHT, :WIDTH]
    glow = 500.0 * np.exp(-np.hypot(x - 380, y - 270) / 45.0)
    for k in range(FRAMES):
        light = field.image(shift=(2.3 * k, -1.4 * k))
        light += np.roll(glow, (round(-1.4 * k), round(2.3 * k)), (0, 1))[..., None]
        write(folder / f"l{k}.fits", sensor.expose(rng, light, 60.0), kind="Light Frame",
              exposure_s=60.0, pattern="RGGB")  # fmt: skip
    return folder


@pytest.fixture(scope="module")
def finished(folder, sky, tmp_path_factory):
    """Finished as the command does it: what is read off the lights is kept for the next run."""
    bench = Workbench.open()
    vars(bench)["sky"] = sky
    return bench.finish(folder, tmp_path_factory.mktemp("out") / "glow")


@pytest.fixture(scope="module")
def proof(finished):
    return Proof(Path(finished.outputs[0]), longest_px=PROXY_PX)


@pytest.fixture(scope="module")
def exported(proof, tmp_path_factory):
    """The files of some moves at full resolution, each made once."""
    made = {}

    def files(moves):
        if moves not in made:
            folder = tmp_path_factory.mktemp("exported")
            made[moves] = proof.export(moves, folder, kinds=["png", "tiff"])
        return made[moves]

    return files


@pytest.fixture(scope="module")
def full(exported):
    def picture(moves):
        return tifffile.imread(exported(moves)[0]).astype(np.float32) / 65535.0

    return picture


def opened(jpeg):
    with Image.open(io.BytesIO(jpeg)) as picture:
        return np.asarray(picture).astype(float)


def test_the_file_keeps_all_it_takes(finished, proof):
    facts = proof.facts
    assert facts.shape == read_light(proof.path).shape[:2]
    assert facts.recipe == load_recipe(finished.recipe)
    assert len(facts.scene.stars.sound) <= len(facts.scene.stars.every)
    assert len(facts.scene.stars.every) > 50
    assert facts.record["reference"].endswith(".fits")
    assert proof.has_pair
    assert not proof.can_turn
    again = read_facts(proof.path)
    assert again.story == facts.story
    np.testing.assert_array_equal(again.scene.stars.every.x_px, facts.scene.stars.every.x_px)


def test_unmoved_it_is_the_finished_picture(proof, finished, tmp_path):
    written = proof.export(Moves(), tmp_path, kinds=["png", "jpeg", "tiff", "fits"])
    names = [path.name for path in written]
    assert names == ["glow.tiff", "glow.png", "glow.jpg", "glow.fits", "glow.recipe.toml"]
    first = {Path(p).suffix: Path(p) for p in finished.outputs if "-" not in Path(p).name}
    for path in written[:4]:
        assert path.read_bytes() == first[path.suffix].read_bytes()


@pytest.mark.parametrize("moves", [Moves(), BUSY], ids=["unmoved", "busy"])
def test_the_proxy_is_the_export_made_smaller(proof, full, moves):
    small = opened(proof.shown(moves).jpeg) / 255.0
    assert max(small.shape[:2]) == PROXY_PX
    wanted = shrink(full(moves), PROXY_PX)
    assert wanted.shape == small.shape
    error = small - wanted
    # the curve bends: the mean of stretched light is not the stretched mean, by some hundredths
    # at stars and by thousandths in the grain of the sky; a JPEG of quality 90 adds 0.01
    assert abs(float(np.median(error))) < 0.006
    assert float(np.quantile(np.abs(error), 0.9)) < 0.03
    assert float(np.quantile(np.abs(error), 0.99)) < 0.09


@pytest.mark.parametrize("corner", [(0, 0), (270, 170), (560, 330)])
def test_the_loupe_shows_the_exports_pixels(proof, full, corner):
    moves = Moves(brightness=0.7, quiet=0.6, sharpen=0.5, smaller_stars=0.2)
    wanted = full(moves)
    x, y = corner
    box = Box(x, y, min(x + 200, wanted.shape[1]), min(y + 200, wanted.shape[0]))
    part = proof.true_pixels(moves, box)
    error = np.abs(part - wanted[box.y0 : box.y1, box.x0 : box.x1])
    # sharpening starts from the darkest pixel in sight, stars are lifted off what lies around
    # them as the part has it; all else is the same to sixteen bits
    assert float(np.median(error)) < 1e-4
    assert float(np.quantile(error, 0.99)) < 0.02


def test_local_contrast_in_the_loupe_follows_the_whole(proof, full):
    part = proof.true_pixels(BUSY, Box(270, 170, 470, 370))
    error = np.abs(part - full(BUSY)[170:370, 270:470])
    assert float(np.quantile(error, 0.95)) < 0.02


def test_the_command_line_repeats_the_export_to_the_bit(exported, folder, tmp_path):
    from typer.testing import CliRunner

    from slowglass.cli.main import app

    written = exported(BUSY)
    recipe = written[-1]
    answer = CliRunner().invoke(
        app, ["finish", str(folder), "-o", str(tmp_path / "again"), "--recipe", str(recipe),
              "--no-log", "--json"],
    )  # fmt: skip
    assert answer.exit_code == 0, answer.output
    for path in written[:2]:
        again = tmp_path / f"again{path.suffix}"
        np.testing.assert_array_equal(_pixels(again), _pixels(path))


def _pixels(path):
    if path.suffix == ".tiff":
        return tifffile.imread(path)
    with Image.open(path) as picture:
        return np.asarray(picture)


def test_each_slider_changes_the_picture_its_own_way(proof):
    plain = opened(proof.shown(Moves()).jpeg)
    sky = np.median(plain)
    rows, columns = plain.shape[:2]
    y, x = np.ogrid[:rows, :columns]
    core = np.hypot(y - rows / 2, x - columns / 2) < 30
    assert np.median(opened(proof.shown(Moves(darkness=1.0)).jpeg)) < sky - 8
    brighter = opened(proof.shown(Moves(brightness=1.0)).jpeg)
    assert np.median(brighter) == pytest.approx(sky, abs=3)  # the sky keeps its shade
    assert brighter[core].mean() > plain[core].mean() + 5
    grey = opened(proof.shown(Moves(saturation=0.0)).jpeg)
    assert np.ptp(grey, axis=2).mean() < 0.3 * np.ptp(plain, axis=2).mean()
    calm = opened(proof.shown(Moves(quiet=1.0, sharpen=0.0)).jpeg)
    rough = opened(proof.shown(Moves(quiet=0.0, sharpen=0.0)).jpeg)
    assert (
        np.abs(np.diff(calm[:80, :80], axis=1)).mean()
        < np.abs(np.diff(rough[:80, :80], axis=1)).mean()
    )
    small = opened(proof.shown(Moves(smaller_stars=1.0)).jpeg)
    assert (small > 200).sum() < (plain > 200).sum()


def test_levels_stay_levels_anywhere_on_the_sliders(proof):
    for darkness in (-2.0, 0.0, 3.0):
        for brightness in (-3.0, 3.0):
            for faint in (-4.0, 4.0):
                moves = Moves(darkness=darkness, brightness=brightness, faint=faint)
                step = proof.recipe(moves).stretch
                assert step.black_adu < step.white_adu
                assert step.softening_adu > 0
                assert np.isfinite([step.black_adu, step.white_adu, step.softening_adu]).all()


def test_the_whole_picture_on_request(proof):
    moves = Moves(around_subject=False)
    rows, columns = proof.facts.shape
    assert proof.size(moves) == (columns, rows)
    width, height = proof.size(Moves())
    assert width * height <= rows * columns


def test_one_frame_and_all_of_them(proof):
    one, every = (opened(jpeg) for jpeg in proof.pair(Moves()))
    assert one.shape == every.shape == (one.shape[0], one.shape[0], 3)
    dark = np.s_[10:130, 10:130]
    assert (
        np.abs(np.diff(every[dark], axis=1)).mean()
        < 0.75 * np.abs(np.diff(one[dark], axis=1)).mean()
    )
    lit = [opened(jpeg).mean() for jpeg in proof.pair(Moves(brightness=2.0))]
    assert lit[1] > every.mean() + 1


def test_an_export_replaces_nothing(proof, tmp_path):
    first = proof.export(Moves(), tmp_path, kinds=["jpeg"])
    before = first[0].read_bytes()
    second = proof.export(Moves(brightness=1.0), tmp_path, kinds=["jpeg"])
    assert second[0].name == "glow-2.jpg"
    assert second[-1].name == "glow-2.recipe.toml"
    assert first[0].read_bytes() == before


def test_moves_are_read_and_bounded():
    moves = Moves.read({"brightness": "0.5", "quiet": "", "around_subject": "no", "other": "1"})
    assert moves == Moves(brightness=0.5, around_subject=False)
    assert Moves.read(moves.told()) == moves
    for values in ({"brightness": "9"}, {"quiet": "nan"}, {"faint": "much"}):
        with pytest.raises(UsageError):
            Moves.read(values)
    assert {slider.name for slider in SLIDERS} <= set(Moves.__dataclass_fields__)


def test_other_files_are_refused(tmp_path, folder):
    other = tmp_path / "other.fits"
    other.write_bytes(b"SIMPLE")
    for path in (other, folder / "l0.fits", tmp_path / "nothing.fits"):
        with pytest.raises(UnreadableFile, match="no picture finished here"):
            Proof(path)
    with pytest.raises(UsageError, match="Choose among"):
        Proof.export(None, Moves(), tmp_path, kinds=["gif"])
