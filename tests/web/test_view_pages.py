"""Looking at pictures and judging folders, asked in-process: answers, limits, what is kept."""

from __future__ import annotations

import io
import re
import sys
import time
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from urllib.parse import quote

import numpy as np
import pytest
from PIL import Image
from view_scene import BRIGHT, HEIGHT, WCS, WIDTH, write_scene

from slowglass.frame.fits_io import write_fits
from slowglass.frame.shelf import stamp_of
from slowglass.judge.kept import Kept, KeptFrames
from slowglass.judge.verdict import Verdict
from slowglass.kit.io import load_site
from slowglass.learn.night import NOTES
from slowglass.web.app import create_app


@pytest.fixture(scope="module")
def scene(sky, tmp_path_factory):
    """The folder of two frames."""
    folder = tmp_path_factory.mktemp("scene")
    write_scene(sky, folder)
    return folder


@pytest.fixture
def app(workbench, scene, tmp_path):
    return create_app(workbench, folder=tmp_path / "night", frames=[scene])


@pytest.fixture
def ask(app, send):
    return lambda path, **options: send(app, path, **options)


def of(path):
    return f"of={quote(str(path))}"


def wait_for(ask, kind):
    """Until the newest job of the list has ended."""
    for _ in range(600):
        page = ask("/jobs").text
        if "data-follow" not in page:
            return page
        time.sleep(0.1)
    raise TimeoutError(kind)


def test_the_page_names_the_frame_its_place_and_its_neighbours(ask, scene):
    page = ask(f"/view?{of(scene / 'mosaic.fits')}")
    assert page.status_code == 200
    assert "<h1>mosaic.fits</h1>" in page.text and "2 of 2" in page.text
    assert "grey.fits" in page.text and 'rel="prev"' in page.text and 'rel="next"' not in page.text
    assert "/view/plain?" in page.text and "style=" not in page.text


def test_a_square_may_be_kept_for_good_and_is_asked_for_once(ask, scene):
    path = scene / "mosaic.fits"
    stamp = stamp_of(path)
    address = f"/view/square/0/1/0/2?{of(path)}&at={stamp}"
    answer = ask(address)
    assert answer.headers["content-type"] == "image/png"
    assert "immutable" in answer.headers["cache-control"]
    assert Image.open(io.BytesIO(answer.content)).size == (512, 512)
    again = ask(address, headers={"if-none-match": answer.headers["etag"]})
    assert again.status_code == 304 and again.content == b""
    coarse = ask(f"/view/square/1/0/0/2?{of(path)}&at={stamp}")
    assert coarse.headers["content-type"] == "image/jpeg"


def test_nothing_else_has_squares(ask, scene, tmp_path):
    path = scene / "mosaic.fits"
    stamp = stamp_of(path)
    (tmp_path / "secret.fits").write_bytes(path.read_bytes())
    (scene / "link.fits").unlink(missing_ok=True)
    (scene / "link.fits").symlink_to(tmp_path / "secret.fits")
    (scene / "words.txt").write_text("no picture")
    good = of(path) + f"&at={stamp}"
    for bad in (
        f"/view/square/9/0/0/0?{good}", f"/view/square/0/3/0/0?{good}",
        f"/view/square/0/0/2/0?{good}", f"/view/square/0/0/0/99?{good}",
        f"/view/square/-1/0/0/0?{good}", f"/view/square/0/x/0/0?{good}",
        f"/view/square/99999999999999999999/0/0/0?{good}",
        f"/view/square/0/0/0/0?{of(path)}&at=0123", f"/view/square/0/0/0/0?{of(path)}",
        f"/view/square/0/0/0/0?at={stamp}", "/view/square/0/0/0/0",
    ):  # fmt: skip
        assert ask(bad).status_code == 404, bad
    outside = [
        "/etc/passwd", tmp_path / "secret.fits", scene / ".." / "secret.fits", scene / "link.fits",
        scene, scene / "none.fits", scene / "words.txt", "mosaic.fits", "a\0b", "",
    ]  # fmt: skip
    for path in outside:
        for what in ("facts", "marks", "quick", "spot", "grid", "square/0/0/0/0"):
            query = f"{of(path)}&x=1&y=1&left=0&top=0&right=9&bottom=9&at={stamp}"
            assert ask(f"/view/{what}?{query}").status_code == 404, (what, path)
        assert (
            ask(f"/view?{of(path)}").status_code in (200, 400)
            and "root:" not in ask(f"/view?{of(path)}").text
        )
    told = ask(f"/view/facts?{of(scene / 'words.txt')}").json()
    assert "text, not a picture" in told["words"]  # what the page's script shows
    (scene / "link.fits").unlink()
    (scene / "words.txt").unlink()


def test_a_spot_has_value_and_sky(ask, scene):
    path = scene / "mosaic.fits"
    spot = ask(f"/view/spot?{of(path)}&x={BRIGHT[0]}&y={BRIGHT[1]}").json()
    assert spot["values"] == [15000.0] and spot["names"] == ["red"] and spot["inside"]
    ra, dec = WCS.pixel_to_sky(*BRIGHT)
    assert (spot["ra_deg"], spot["dec_deg"]) == pytest.approx((ra, dec), abs=1e-9)
    for bad in ("x=1", "x=a&y=1", "x=nan&y=1", "x=1e300&y=1", "x=inf&y=1"):
        assert ask(f"/view/spot?{of(path)}&{bad}").status_code == 404


def test_lines_and_marks_are_those_of_the_part_in_sight(ask, scene):
    path = scene / "mosaic.fits"
    lines = ask(f"/view/grid?{of(path)}&left=0&top=0&right=200&bottom=150").json()["lines"]
    assert {line["kind"] for line in lines} == {"ra", "dec"}
    assert ask(f"/view/grid?{of(path)}&left=9&top=0&right=2&bottom=150").status_code == 404
    marks = ask(f"/view/marks?{of(path)}").json()
    assert marks["placed"] == "placed by its file’s header" and not marks["judged"]
    assert marks["known"] and marks["found"] == []
    unplaced = ask(f"/view/marks?{of(scene / 'grey.fits')}").json()
    assert unplaced["placed"] == "its place on the sky is not known" and unplaced["known"] == []
    grid = f"/view/grid?{of(scene / 'grey.fits')}&left=0&top=0&right=9&bottom=9"
    assert ask(grid).json() == {"lines": []}


def test_in_words_it_says_the_same(ask, scene):
    page = ask(f"/view/plain?{of(scene / 'mosaic.fits')}").text
    for words in (f"{WIDTH} × {HEIGHT} px, colour mosaic", "60", "Sky level", "star of magn",
                  "Placed by its file’s header.", "2.475″", "21 h 29 m", "Middle"):  # fmt: skip
        assert words in page
    assert "None" not in page and "style=" not in page
    picture = ask(f"/view/quick?{of(scene / 'mosaic.fits')}&grey=1&brightness=20")
    assert picture.headers["content-type"] == "image/jpeg"
    for bad in ("brightness=101", "black=x", "contrast=1.5"):
        assert ask(f"/view/quick?{of(scene / 'mosaic.fits')}&{bad}").status_code == 404


def test_a_frame_is_judged_where_it_is_looked_at(ask, scene, tmp_path):
    path = scene / "mosaic.fits"
    sent = ask("/view/judge", method="POST", data={"of": str(path)})
    assert sent.status_code == 303
    wait_for(ask, "judge-frame")
    marks = ask(f"/view/marks?{of(path)}").json()
    assert marks["judged"] and len(marks["found"]) > 20
    assert marks["placed"] == "placed by its own stars"
    for kept in (tmp_path / "night" / NOTES / "judged").glob("*.stars.json"):
        kept.write_text("{")  # damaged: it is offered to be judged again, not shown as empty
    assert not ask(f"/view/marks?{of(path)}").json()["judged"]
    foreign = {"origin": "http://evil.example"}
    assert (
        ask("/view/judge", method="POST", data={"of": str(path)}, headers=foreign).status_code
        == 403
    )
    assert ask("/view/judge", method="POST", data={"of": "/etc/passwd"}).status_code == 400


def test_pictures_of_the_night_and_the_watch_have_their_way_in(workbench, night_folder, send):
    app = create_app(workbench, folder=night_folder)
    away = send(app, "/view/finished")
    assert away.status_code == 303 and ".png" in away.headers["location"]
    page = send(app, away.headers["location"])
    assert page.status_code == 200
    spot = send(app, away.headers["location"].replace("/view?", "/view/spot?") + "&x=9&y=9").json()
    assert spot["ra"]  # by the linear picture and the recipe's cut
    assert send(app, "/view/newest").status_code == 404
    judge = send(app, "/judge/light-01").text
    assert "/view?of=" in judge and "light-01.fits" in judge


def test_a_folder_without_frames_and_none_at_all(ask, scene, tmp_path, workbench, send):
    page = ask("/judge/folder")
    assert page.status_code == 200 and "Choose a folder" in page.text
    empty = tmp_path / "empty"
    empty.mkdir()
    app = create_app(workbench, folder=tmp_path / "night", frames=[empty])
    page = send(app, f"/judge/folder?{of(empty)}")
    assert "holds no pictures" in page.text
    assert ask(f"/judge/folder?{of('/etc')}").status_code == 400
    assert ask(f"/judge/folder?{of(scene)}&frame=../x.fits").status_code == 404


def test_a_judged_folder_survives_another_start(workbench, sky, send, tmp_path):
    folder = tmp_path / "lights"
    folder.mkdir()
    write_scene(sky, folder)
    write_fits(folder / "odd.fits", np.ones((3, 3)), cards={}, dtype="uint16")
    app = create_app(workbench, folder=tmp_path / "night", frames=[folder])
    before = send(app, f"/judge/folder?{of(folder)}").text
    assert "Judge the 3 frames" in before and "Judge these frames" in before
    sent = send(app, "/judge/folder", method="POST", data={"of": str(folder)})
    assert sent.status_code == 303 and sent.headers["location"].startswith("/judge/folder?of=")
    wait_for(lambda path: send(app, path), "judge-folder")
    again = create_app(workbench, folder=tmp_path / "night", frames=[folder])
    page = send(again, sent.headers["location"]).text
    for words in ("mosaic.fits", "grey.fits", "odd.fits", "live-instruction", "Focus", "Drift",
                  "Polar axis", "In full size", "Drawn over the frame"):  # fmt: skip
        assert words in page, words
    assert "Judge the" not in page and "None" not in page
    one = send(again, f"/judge/folder?{of(folder)}&frame=grey.fits").text
    assert "grey.fits: " in one


def axis_folder(folder, kept_folder, *, altitude=34.0, azimuth=-52.0):
    """Three frames turned in RA about an axis that is off by so many arcminutes, judged."""
    sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))
    from judge_mount import Mounted

    site = load_site("Fig Tree Yard")
    mount = Mounted(site.latitude_deg, site.longitude_deg, altitude, azimuth, 40.0)
    kept = KeptFrames(kept_folder)
    folder.mkdir()
    for k, hour in enumerate((-45.0, -20.0, 0.0)):
        start_s = 1.79e9 + 120.0 * k
        ra, dec, rotation = mount.place(hour, start_s + 15.0)
        path = folder / f"turned-{k}.fits"
        write_fits(path, np.full((8, 8), float(k)), cards={}, dtype="uint16")
        verdict = Verdict(
            str(path), 6000, 4000, exposure_s=30.0, stars=60, solved=True, ra_deg=ra, dec_deg=dec,
            scale_arcsec_per_px=0.619, rotation_deg=rotation, parity=1, matched=20,
            rms_arcsec=1.0, fwhm_px=3.0, keeper=True, kind="light",
            start_utc=datetime.fromtimestamp(start_s, UTC).isoformat(),
            instruction="Good frame: keep shooting",
        )  # fmt: skip
        kept.put(path, Kept(verdict))


def test_the_axis_has_a_target_and_turns_of_the_bolts(workbench, send, tmp_path):
    night = tmp_path / "night"
    axis_folder(tmp_path / "axis", night / NOTES / "judged")
    mount = workbench.kit.mount.model_copy(
        update={"altitude_turn_arcmin": 60.0, "azimuth_turn_arcmin": None}
    )
    bench = replace(workbench, kit=workbench.kit.model_copy(update={"mount": mount}))
    app = create_app(bench, folder=night, frames=[tmp_path / "axis"])
    page = send(app, f"/judge/folder?{of(tmp_path / 'axis')}").text
    altitude = re.search(r"Lower the axis by (\d+\.\d)′: ([^<]*) of the bolt", page)
    azimuth = re.search(r"Turn it (\d+\.\d)′ east \(right as you face the pole\)\.", page)
    assert altitude and azimuth
    # known truth of the mount, to the goal of half an arcminute
    assert float(altitude[1]) == pytest.approx(34.0, abs=0.5) and altitude[2] == "⅝ turn"
    assert float(azimuth[1]) == pytest.approx(52.0, abs=0.5)
    assert page.count('class="c-way"') == 2 and "bolt-tip" in page
    assert "/judge/live/axis" not in page  # the setting goes on only with a watch
