"""The pages with sliders asked in-process: answers, pictures, jobs, downloads, what is refused."""

from __future__ import annotations

import io
import json
import shutil
import time
from pathlib import Path

import pytest
from PIL import Image

from slowglass.web.app import create_app

TRIAL = "/expose/answer?name=M57&when=2026-09-12T21:00:00Z&seconds=20&frames=45"


@pytest.fixture(scope="module")
def folder(night_folder, tmp_path_factory):
    """The example night once more, for jobs to write in."""
    copy = tmp_path_factory.mktemp("own") / "night"
    shutil.copytree(night_folder, copy)
    return copy


@pytest.fixture(scope="module")
def app(workbench, folder):
    return create_app(workbench, folder=folder)


@pytest.fixture(scope="module")
def ask(app, send):
    def asked(path, **options):
        return send(app, path, **options)

    return asked


def picture(answer):
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "image/jpeg"
    return Image.open(io.BytesIO(answer.content))


def ended(ask, kind, seconds=240.0):
    """The newest job of a kind, once it has ended."""
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        told = ask("/desk/revision").json()["current"]
        if told is None or told["kind"] != kind:
            return
        time.sleep(0.2)
    raise TimeoutError(kind)


def test_an_exposure_is_answered_in_numbers_and_pictures(ask, workbench):
    told = ask(TRIAL).json()
    from datetime import UTC, datetime

    when = datetime(2026, 9, 12, 21, tzinfo=UTC)
    plan = workbench.expose("M57", seconds=20, frames=45, when=when)
    assert told["out"]["snr"] == f"{plan.snr:.1f}"
    assert told["out"]["exposure"] == "45 × 20 s"
    assert told["out"]["total"] == "16\u00a0min"
    assert told["sets"]["seconds"] == f"{plan.suggested_s:g}"
    sizes = {picture(ask(address)).size for address in told["pictures"].values()}
    assert len(sizes) == 1
    assert told["pictures"]["one"] != told["pictures"]["one-other"]


def test_a_longer_exposure_gives_more_and_loses_frames(ask):
    short = ask(TRIAL).json()["out"]
    long = ask(TRIAL.replace("seconds=20", "seconds=120")).json()["out"]
    assert float(long["snr"]) > float(short["snr"])
    kept = [int(out["kept"].split(" ")[0]) for out in (short, long)]
    assert kept[1] < kept[0]


@pytest.mark.parametrize(
    ("query", "words"),
    [("seconds=0", "outside"), ("frames=many", "not a number"), ("sky=3", "outside"),
     ("seeing=99", "outside"), ("wind=gale", "not known"), ("name=nothing+of+the+kind", "othing")],
)  # fmt: skip
def test_trouble_with_an_exposure_is_told(ask, query, words):
    base = "" if query.startswith("name") else "name=M57&"
    answer = ask(f"/expose/answer?{base}{query}")
    assert answer.status_code == 400
    assert words in answer.json()["trouble"]


def test_an_exposure_is_kept_on_the_desk(ask, folder):
    form = {"name": "M57", "seconds": "25", "frames": "80", "when": "2026-09-12T21:00:00Z"}
    answer = ask("/expose/keep", method="POST", data=form)
    assert answer.status_code == 303
    kept = json.loads((folder / ".notes" / "desk.json").read_text())
    assert (kept["exposure_s"], kept["frames"]) == (25.0, 80)
    assert "Kept for the night: 80 × 25 s" in ask(answer.headers["location"]).text
    # from now on the page opens with it
    assert 'value="25"' in ask("/expose?name=M57").text


def test_a_picture_answers_to_sliders(ask):
    plain = ask("/finish/night/answer").json()
    moved = ask("/finish/night/answer?brightness=1.5&quiet=90").json()
    assert plain["out"]["size"] == moved["out"]["size"]
    dark, bright = (
        sum(picture(ask(told["pictures"]["picture"])).convert("L").histogram()[128:])
        for told in (plain, moved)
    )
    assert bright > 1.2 * dark
    for name in ("closely", "single", "every"):
        assert picture(ask(moved["pictures"][name])).size[0] > 100


@pytest.mark.parametrize(
    ("query", "words"),
    [("brightness=99", "outside"), ("quiet=much", "not a number"), ("quiet=150", "outside")],
)
def test_trouble_with_a_slider_is_told(ask, query, words):
    answer = ask(f"/finish/night/answer?{query}")
    assert answer.status_code == 400
    assert words in answer.json()["trouble"]
    page = ask(f"/finish?{query}")
    assert page.status_code == 200
    assert words in page.text


def test_an_export_can_be_fetched_and_replaces_nothing(ask, folder):
    form = {"brightness": "0.5", "kind": ["jpeg"], "stem": "M15 brighter"}
    for number in ("", "-2"):
        answer = ask("/finish/night/export", method="POST", data=form)
        assert answer.status_code == 303
        assert "brightness=0.5" in answer.headers["location"]
        ended(ask, "export")
        names = [f"M15-brighter{number}{suffix}" for suffix in (".jpg", ".recipe.toml")]
        page = ask("/finish/night").text
        for name in names:
            assert name in page
            got = ask(f"/finish/night/file/{name}")
            assert got.status_code == 200
            assert got.content == (folder / "pictures" / name).read_bytes()


def test_an_export_of_nothing_fails_with_words(ask):
    ask("/finish/night/export", method="POST", data={"stem": "none"})
    ended(ask, "export")
    assert "choose among png" in ask("/finish/night").text.lower()
    answer = ask("/finish/night/export", method="POST", data={"kind": "png", "stem": "///"})
    assert answer.status_code == 400


@pytest.mark.parametrize(
    "path",
    ["/finish/night/file/night.json", "/finish/night/file/..%2Fnight.json",
     "/finish/nothing", "/finish/nothing/answer", "/finish/night/other.jpg"],
)  # fmt: skip
def test_nothing_else_is_given_away(ask, path):
    assert ask(path).status_code in (404, 400)


def test_a_single_jpeg_is_finished_as_a_job(workbench, ask, folder, send, tmp_path):
    own = tmp_path / "night"
    frames = own / "frames"
    frames.mkdir(parents=True)
    with Image.open(folder / "finished" / "M15.jpg") as made:
        made.crop((0, 0, 700, 500)).save(frames / "IMG_1.JPG", quality=95)
    app = create_app(workbench, folder=own)
    empty = send(app, "/finish")
    assert "Your frames" in empty.text
    assert send(app, "/finish", method="POST", data={}).status_code == 400
    outside = send(app, "/desk", method="POST", data={"frames_folder": "/etc"})
    assert outside.status_code == 400
    chosen = send(app, "/desk", method="POST", data={"frames_folder": str(frames)})
    assert chosen.status_code == 303
    page = send(app, "/finish").text
    assert "<option>IMG_1.JPG</option>" in page
    for name in ("../../other.fits", "/etc/passwd", "none.jpg"):
        answer = send(app, "/finish", method="POST", data={"file": name})
        assert answer.status_code == 400
    form = {"file": "IMG_1.JPG", "target": "", "whole": "on"}
    assert send(app, "/finish", method="POST", data=form).status_code == 303
    ended(lambda path: send(app, path), "finish")
    page = send(app, "/finish").text
    assert "One frame by itself." in page
    assert "data-answer" in page
    made = sorted(path.name for path in (own / "pictures").iterdir())
    assert "IMG_1.fits" in made
    assert "IMG_1.recipe.toml" in made
    assert sorted(path.name for path in frames.iterdir()) == ["IMG_1.JPG"]
    address = page.partition('data-answer="')[2].partition('"')[0]
    assert send(app, f"{address}?brightness=1").status_code == 200


def test_a_linear_picture_of_another_make_has_no_sliders(workbench, send, folder, tmp_path):
    from slowglass.frame.fits_io import read_fits, write_fits

    own = tmp_path / "night"
    shutil.copytree(folder, own)
    linear = Path(own / "finished" / "M15.fits")
    write_fits(linear, read_fits(linear).pixels)
    page = send(create_app(workbench, folder=own), "/finish/night").text
    assert "There are no sliders for this picture" in page
    assert "/plate/finished" in page
    assert "data-answer" not in page
