"""The live page: it follows the watch without being loaded again, by day and in red light."""

from __future__ import annotations

import io
import os
import shutil

import anyio
import httpx
import numpy as np
import pytest
from looks import faults_of, is_red_alone
from PIL import Image

from slowglass.frame.fits_io import write_fits
from slowglass.judge.watch import Watch
from slowglass.judge.watch_files import Settling
from slowglass.kit.io import load_site
from slowglass.sky.place import resolve_place
from slowglass.sky.wcs import TanWcs
from slowglass.web.app import create_app


def field(sky, *, dec_deg=12.17, ra_deg=322.49, seed=1):
    """Catalogue stars near M15 on 600 × 400 px of 6″, as a camera writes them."""
    wcs = TanWcs.from_simple(
        ra_deg=ra_deg, dec_deg=dec_deg, width_px=600, height_px=400, scale_arcsec_per_px=6.0,
        rotation_deg=20.0, parity=1,
    )  # fmt: skip
    stars = sky.stars.cone(ra_deg, dec_deg, 0.8, epoch_year=2026.7)
    x, y = wcs.sky_to_pixel(stars.ra_deg, stars.dec_deg)
    picture = np.random.default_rng(seed).normal(400.0, 6.0, (400, 600))
    rows, columns = np.mgrid[:400, :600]
    for cx, cy, mag in zip(x, y, stars.mag, strict=True):
        spot = np.exp(-((columns - cx) ** 2 + (rows - cy) ** 2) / (2 * 1.4**2))
        picture += 900.0 * 10 ** (-0.4 * (mag - 9.5)) * spot
    return np.clip(picture, 0, 65000)


@pytest.fixture(scope="module")
def shots(sky, tmp_path_factory):
    """Four lights of the field of M15 and a dark."""
    folder = tmp_path_factory.mktemp("shots")
    for k in range(4):
        cards = {"EXPTIME": 60.0, "DATE-OBS": f"2026-09-12T21:{k:02d}:00", "IMAGETYP": "Light"}
        picture = field(sky, ra_deg=322.49 + 0.003 * k, seed=k)
        write_fits(folder / f"light{k}.fits", picture, cards=cards, dtype="uint16")
    dark = np.random.default_rng(7).normal(400.0, 3.0, (400, 600))
    cards = {"EXPTIME": 60.0, "DATE-OBS": "2026-09-12T22:00:00", "IMAGETYP": "Dark"}
    write_fits(folder / "dark.fits", dark, cards=cards, dtype="uint16")
    return folder


@pytest.fixture
def watching(sky, shots, tmp_path, monkeypatch):
    """A watch over three lights, judged; more frames can be dropped."""
    monkeypatch.setenv("SLOWGLASS_WATCH", str(tmp_path / "data"))
    card = tmp_path / "card"
    card.mkdir()
    for k in range(3):
        shutil.copy(shots / f"light{k}.fits", card)
        os.utime(card / f"light{k}.fits", (1e9 + k, 1e9 + k))
    watch = Watch(
        card, sky, target=resolve_place("M15", sky), site=load_site("Fig Tree Yard"),
        settling=Settling(quiet_s=0.2),
    )  # fmt: skip
    for _ in watch.run(once=True):
        pass
    return watch


@pytest.fixture
def ask(workbench, watching, tmp_path):
    app = create_app(workbench, folder=tmp_path / "none", watching=watching)

    def send(path, method="GET", **options):
        async def go():
            transport = httpx.ASGITransport(app=app)
            async with httpx.AsyncClient(
                transport=transport, base_url="http://127.0.0.1:8180"
            ) as client:
                return await client.request(method, path, **options)

        from concurrent.futures import ThreadPoolExecutor

        with ThreadPoolExecutor(1) as pool:
            return pool.submit(anyio.run, go).result()

    return send


def test_the_page_says_what_the_watch_says(ask, watching):
    page = ask("/judge/live").text
    assert watching.state.say.text in page
    for word in ("light2.fits", "The newest frame", "The picture so far", "Focus", "Drift"):
        assert word in page
    assert "3 of 3 lights kept" in page and "None" not in page


def test_only_what_changed_is_sent(ask, watching, shots):
    version = watching.state.version
    assert ask(f"/judge/live/changed?seen={version}").json().keys() == {"version", "cue"}
    told = ask("/judge/live/changed?seen=0").json()
    assert set(told["parts"]) == {"say", "now", "stack", "plots", "axis", "frames"}
    for parts in told["parts"].values():
        assert "style=" not in parts and "<script" not in parts  # the content policy forbids both


def test_pictures_are_jpeg_and_nothing_else_is_given_away(ask):
    for which in ("newest", "stack"):
        answer = ask(f"/judge/live/{which}.jpg")
        assert answer.headers["content-type"] == "image/jpeg"
        assert max(Image.open(io.BytesIO(answer.content)).size) == 600
    assert ask("/judge/live/..%2f..%2fetc.jpg").status_code == 404


def test_names_of_files_cannot_carry_markup(ask, watching, shots):
    shutil.copy(shots / "light3.fits", watching.folder / "<img src=x onerror=alert(1)>.fits")
    for _ in watching.run(once=True):
        pass
    assert "<img src=x" not in ask("/judge/live").text


def test_the_polar_axis_is_set_from_the_page(ask, watching):
    assert ask("/judge/live/axis", "POST", data={"set": "on"}).status_code == 303
    assert "Shoot a first frame" in ask("/judge/live").text
    assert ask("/judge/live/axis", "POST", data={"set": "off"}).status_code == 303
    assert watching.state.axis is None
    foreign = {"origin": "http://evil.example"}
    assert ask("/judge/live/axis", "POST", data={"set": "on"}, headers=foreign).status_code == 403


def test_without_a_watch_the_page_says_how_to_begin(workbench, tmp_path):
    app = create_app(workbench, folder=tmp_path / "none")

    async def go():
        transport = httpx.ASGITransport(app=app)
        async with httpx.AsyncClient(transport=transport, base_url="http://localhost") as client:
            return [await client.get(p) for p in ("/judge/live", "/judge/live/changed")]

    from concurrent.futures import ThreadPoolExecutor

    with ThreadPoolExecutor(1) as pool:
        page, changed = pool.submit(anyio.run, go).result()
    assert page.status_code == 404 and "slowglass watch FOLDER" in page.text
    assert changed.status_code == 404


@pytest.fixture
def live(strict_page, served, workbench, watching, tmp_path):
    """Open the live page of a running server."""
    address = served(create_app(workbench, folder=tmp_path / "none", watching=watching))

    def go(**options):
        page = strict_page(address, **options)
        page.goto(address + "/judge/live", wait_until="load")
        return page

    return go


@pytest.mark.browser
def test_a_new_frame_appears_without_loading_the_page_again(live, watching, shots):
    page = live()
    page.evaluate("window.untouched = true")
    page.get_by_text("Why").click()
    shutil.copy(shots / "dark.fits", watching.folder)
    with watching.in_background():
        page.get_by_text("1 of 16 darks: keep going").wait_for(timeout=30_000)
    assert page.evaluate("window.untouched") is True
    assert page.locator("tbody tr").first.get_by_text("dark.fits").count() == 1
    assert page.locator("#evidence").get_attribute("open") is not None
    broken = "[...document.images].filter(i => !(i.complete && i.naturalWidth)).length"
    assert page.evaluate(broken) == 0


@pytest.mark.browser
@pytest.mark.parametrize(("width", "light"), [(360, "night"), (1440, "day")])
def test_it_fits_reads_and_keeps_the_light(live, width, light):
    page = live(width=width, light=light)
    page.wait_for_timeout(2500)  # the script has asked once
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert faults_of(page) == []
    if light == "night":
        assert is_red_alone(page)
    size = page.locator(".live-instruction").evaluate(
        "e => parseFloat(getComputedStyle(e).fontSize)"
    )
    assert size >= 36.0


@pytest.mark.browser
def test_the_overlay_lies_on_the_newest_picture(live):
    page = live()
    picture = page.locator("#live-now .plate > img").bounding_box()
    drawing = page.locator("#live-now .plate > svg").bounding_box()
    assert drawing == pytest.approx(picture, abs=1.0)


@pytest.mark.browser
def test_without_scripts_it_is_whole_and_loads_itself_again(live):
    page = live(scripts=False)
    assert page.get_by_text("The picture so far").count() == 1
    assert page.locator("noscript").count() == 1


@pytest.mark.browser
def test_sound_is_a_switch_for_the_keyboard_too(live):
    page = live()
    button = page.get_by_role("button", name="Sound")
    assert button.get_attribute("aria-pressed") == "false"
    button.press("Enter")
    assert button.get_attribute("aria-pressed") == "true"
    button.press("Enter")
    assert button.get_attribute("aria-pressed") == "false"


def test_the_newest_frame_opens_in_full_size(ask, watching):
    away = ask("/view/newest")
    assert away.status_code == 303 and away.headers["location"].endswith("light2.fits")
    page = ask(away.headers["location"]).text
    assert "Follow new frames" in page and "In full size" in ask("/judge/live").text
    marks = ask(away.headers["location"].replace("/view?", "/view/marks?")).json()
    # from the verdict of the watch: no need to judge it again
    assert marks["placed"] == "placed by its verdict, without the lens’s distortion"
    assert marks["target_name"] == "M15" and marks["known"]


@pytest.mark.browser
def test_the_full_size_follows_new_frames(live, watching, shots):
    page = live()
    page.get_by_role("link", name="In full size").click()
    page.wait_for_selector(".big-plate[data-sharp=true]", timeout=20_000)
    page.get_by_label("Follow new frames").check()
    page.locator(".window").press("+")
    page.wait_for_timeout(600)
    part = page.evaluate("location.hash")
    shutil.copy(shots / "light3.fits", watching.folder)
    with watching.in_background():
        page.wait_for_url("**light3.fits*", timeout=30_000)
    page.wait_for_selector(".big-plate[data-sharp=true]", timeout=20_000)
    assert page.evaluate("location.hash") == part
    assert page.get_by_label("Follow new frames").is_checked()
