"""The three questions in the browser: saved when sound, else told beside the field, never lost."""

from __future__ import annotations

import io
import json
import re
import time

import pytest

from slowglass.kit.io import load_kit, load_site
from slowglass.web.app import create_app
from slowglass.web.hand_in import keep_picture
from slowglass.workbench import Workbench

YARD = {"latitude": "44 12 N", "longitude": "0,62", "sky_way": "eye", "sky_value": "5.5"}
TUBE = {
    "aperture_mm": "80", "focal_ratio": "f/6", "design": "lens", "sensor": "36x24",
    "width_px": "6000", "height_px": "4000", "kit_name": "short 80",
}  # fmt: skip


@pytest.fixture
def config(tmp_path, monkeypatch):
    """The folder of a newcomer's own files, empty."""
    monkeypatch.setenv("SLOWGLASS_CONFIG", str(tmp_path / "config"))
    return tmp_path / "config"


@pytest.fixture
def app(sky, tmp_path, config):
    return create_app(Workbench.open(), folder=tmp_path / "night")


@pytest.fixture
def ask(app, send):
    return lambda *args, **options: send(app, *args, **options)


def followed(page, seconds=60.0):
    """The page once the frame is read, or has failed to be."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        text = page()
        if "Take the ticked" in text or "was not read" in text:
            return text
        time.sleep(0.1)
    raise TimeoutError


def post(ask, **fields):
    return ask("/setup", method="POST", data=fields)


def test_a_newcomer_is_offered_the_questions_and_the_example_kit(ask):
    assert 'href="/setup"' in ask("/").text
    page = ask("/setup").text
    assert "Go on tonight with the example kit" in page


def test_answers_make_a_kit_and_a_site_that_are_used_at_once(ask, config):
    assert post(ask, do="save", **YARD, **TUBE).headers["location"] == "/setup?saved"
    kit, site = load_kit(), load_site()
    assert (kit.name, kit.optics.focal_length_mm) == ("short 80", 480.0)
    assert site.latitude_deg == pytest.approx(44.2)
    page = ask("/setup?saved").text
    assert "short 80 at My site is in use now" in page
    assert "Taken as typical" in page
    assert "short 80" in ask("/kit").text
    assert "Go on tonight with the example kit" not in page
    assert sorted(p.name for p in config.iterdir()) == ["kit.toml", "site.toml"]


@pytest.mark.parametrize(
    ("field", "text", "words"),
    [
        ("latitude", "91", "run from −90 to 90"),
        ("latitude", "<b>up</b>", "is no latitude"),
        ("aperture_mm", "0", "20 to 2000 mm"),
        ("width_px", "six thousand", "not a number"),
    ],
)
def test_a_bad_answer_is_told_beside_its_field_and_all_typed_stays(ask, config, field, text, words):
    answer = post(ask, do="save", **{**YARD, **TUBE, field: text})
    assert answer.status_code == 400
    beside = re.search(rf'id="wrong-{field}">([^<]*)<', answer.text)
    assert words in beside.group(1)
    assert "<b>up" not in answer.text
    for typed in ("44 12 N", "short 80", "f/6"):
        if field != "latitude" or typed != "44 12 N":
            assert f'value="{typed}"' in answer.text
    assert not config.exists()
    # what was typed is still there when the page is loaded anew
    assert 'value="short 80"' in ask("/setup").text


def test_one_question_alone_leaves_the_others_as_they_are(ask, config):
    assert post(ask, do="save", **YARD).status_code == 303
    assert [p.name for p in config.iterdir()] == ["site.toml"]
    assert "long 102" in ask("/kit").text


def test_an_earlier_kit_of_ones_own_is_set_aside(ask, config):
    post(ask, do="save", **TUBE)
    post(ask, do="save", **{**TUBE, "kit_name": "long 150", "aperture_mm": "150"})
    assert load_kit().name == "long 150"
    assert load_kit(config / "kit-short-80.toml").optics.aperture_mm == 80.0


def test_a_town_fills_in_place_height_and_clock(ask):
    several = post(ask, do="town", town="perth")
    assert "Perth, Western Australia, AU" in several.text
    assert post(ask, pick="1", town="perth").headers["location"] == "/setup#q-where"
    assert 'value="Australia/Perth"' in ask("/setup").text
    nowhere = post(ask, do="town", town="xqzzy")
    assert nowhere.status_code == 400
    assert "offline list" in nowhere.text


def test_a_frame_says_what_it_can(night_folder, tmp_path, send, sky, config):
    app = create_app(Workbench.open(), folder=tmp_path / "other", frames=[night_folder])
    frame = next(night_folder.rglob("light-01.fits"))
    index = json.loads((night_folder / "night.json").read_text(encoding="utf-8"))
    fields = {"do": "frame", "frame": str(frame), "near": index["target"]["id"]}
    answer = send(app, "/setup", method="POST", data=fields)
    assert answer.headers["location"] == "/setup#q-frame"
    page = followed(lambda: send(app, "/setup").text)
    assert "light-01.fits says" in page
    assert "The stars say so" in page
    numbers = re.findall(r'name="take" value="(\d+)"', page)
    taken = send(app, "/setup", method="POST", data={"do": "take", "take": numbers})
    assert taken.status_code == 303
    page = send(app, "/setup").text
    assert f'value="{index["kit"]["camera"]["width_px"]}"' in page
    focal = re.search(r'id="focal_length_mm"[^>]*value="([\d.]+)"', page).group(1)
    assert float(focal) == pytest.approx(index["kit"]["optics"]["focal_length_mm"], rel=2e-3)


@pytest.mark.parametrize("path", ["/etc/passwd", "../../secret.fits", "", "no-such.fits"])
def test_only_frames_in_the_chosen_folders_are_read(ask, path):
    answer = post(ask, do="frame", frame=path)
    assert answer.status_code == 400
    assert 'id="wrong-frame"' in answer.text


def test_what_is_no_picture_is_refused_in_words(ask, tmp_path):
    for name, words in (("notes.txt", "no name of a picture"), ("../../x.fits", None)):
        files = {"file": (name, b"hello", "application/octet-stream")}
        answer = ask("/setup", method="POST", data={"do": "frame", **TUBE}, files=files)
        if words:
            assert words in answer.text
            assert 'value="short 80"' in answer.text
        else:
            assert answer.status_code == 303
    kept = [p.name for p in (tmp_path / "night").rglob("*.fits")]
    assert kept == ["x.fits"]
    assert "was not read" in followed(lambda: ask("/setup").text)


def test_a_file_too_large_is_refused_and_the_answers_stay(ask, tmp_path, monkeypatch):
    monkeypatch.setattr("slowglass.web.pages.setup.LARGEST_FRAME_BYTES", 1_000_000)
    files = {"file": ("big.fits", io.BytesIO(b"0" * 2_000_000), "image/fits")}
    answer = ask("/setup", method="POST", data={"do": "frame", **TUBE}, files=files)
    assert answer.status_code == 400
    assert "larger than 1 MB" in answer.text
    assert 'value="short 80"' in answer.text
    assert not list((tmp_path / "night").rglob("big*"))


def test_names_of_pictures_are_made_harmless(tmp_path):
    from starlette.datastructures import UploadFile

    for name in ("..\\..\\evil.fits", ".hidden.fits", "a b/ü(1).FIT"):
        path = keep_picture(UploadFile(io.BytesIO(b"x"), filename=name), tmp_path)
        assert path.parent == tmp_path
        assert not path.name.startswith(".")


def test_forms_from_elsewhere_are_refused(ask, config):
    headers = {"origin": "http://evil.example"}
    answer = ask("/setup", method="POST", headers=headers, data={"do": "save", **TUBE})
    assert answer.status_code == 403
    assert not config.exists()


@pytest.mark.browser
@pytest.mark.slow
def test_the_questions_are_answered_in_a_browser(browser, served, app, config):
    page = browser.new_page()
    page.goto(served(app) + "/setup", wait_until="networkidle")
    page.get_by_label("A town nearby").fill("toulouse")
    page.get_by_role("button", name="Look the town up").click()
    page.get_by_role("button", name="Occitanie").first.click()
    page.wait_for_url("**/setup#q-where")
    assert page.get_by_label("Time zone").input_value() == "Europe/Paris"
    page.get_by_label("The number").fill("4")
    page.get_by_label("Aperture").fill("0")
    page.get_by_label("Focal length", exact=True).fill("1000")
    page.get_by_label("Pixels across").fill("6000")
    page.get_by_label("Pixels down").fill("4000")
    page.get_by_label("Pixels down").press("Enter")
    page.get_by_role("link", name="0 is out of range").click()
    assert page.evaluate("document.activeElement.id") == "aperture_mm"
    page.get_by_label("Aperture").fill("100")
    page.get_by_role("button", name="Save and use").click()
    page.wait_for_url("**/setup?saved")
    assert load_kit().optics.aperture_mm == 100.0
    assert load_site().timezone == "Europe/Paris"
    page.close()
