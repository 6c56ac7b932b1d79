"""A whole night in a real Chromium: from an empty folder and no kit to the exported picture.

One person, one browser, six steps in order; then another browser sees the same. The frames are
those of the example night, as if a camera had left them in a folder of its own.
"""

from __future__ import annotations

import json
import re

import pytest
from PIL import Image
from playwright.sync_api import Page, expect

from slowglass.web.app import create_app
from slowglass.workbench import Workbench

pytestmark = [pytest.mark.browser, pytest.mark.slow]

WORK_MS = 240_000
"""Far more than any piece of work here takes on a slow machine."""


@pytest.fixture
def index(night_folder):
    """The record of the night whose frames these are: kit, site and date are stated in it."""
    return json.loads((night_folder / "night.json").read_text(encoding="utf-8"))


@pytest.fixture
def address(sky, served, night_folder, tmp_path, monkeypatch):
    """A workbench of somebody new: no kit, no site, nothing in the night's folder."""
    monkeypatch.setenv("SLOWGLASS_CONFIG", str(tmp_path / "config"))
    app = create_app(Workbench.open(), folder=tmp_path / "night", frames=[night_folder / "frames"])
    yield served(app)
    app.state.book.jobs.close()


@pytest.fixture
def page(browser, address):
    """The person's window."""
    context = browser.new_context(viewport={"width": 1280, "height": 900})
    page = context.new_page()
    faults: list[str] = []
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.on("console", lambda said: faults.append(said.text) if said.type == "error" else None)
    page.goto(address)
    yield page
    context.close()
    assert faults == []


def test_a_whole_night(page, browser, address, index, tmp_path):
    answer_the_three_questions(page, index)
    choose(page, index["night"])
    find(page)
    expose(page)
    judge(page)
    finish(page)
    export(page, tmp_path)
    learn(page)
    everybody_sees_the_same(page, browser, address)


def to(page: Page, step: str) -> None:
    page.get_by_role("navigation", name="The night in order").get_by_role(
        "link", name=step, exact=True
    ).click()


def answer_the_three_questions(page: Page, index) -> None:
    kit, site = index["kit"], index["site"]
    page.get_by_role("link", name="Answer the three questions").click()

    def answer(label, value):
        page.get_by_label(label, exact=True).fill(f"{value:g}" if value != str(value) else value)

    answer("Latitude", site["latitude_deg"])
    answer("Longitude", site["longitude_deg"])
    answer("Height above the sea", site["height_m"])
    answer("What you call the place", "Behind the barn")
    page.get_by_label("a sky meter’s reading").check()
    answer("The number", site["sky_mag_arcsec2"])
    answer("What you call it", "my long one")
    answer("Aperture", kit["optics"]["aperture_mm"])
    answer("Focal length", kit["optics"]["focal_length_mm"])
    page.get_by_label("Size of the sensor").select_option("own")
    camera = kit["camera"]
    answer("Pixels across", camera["width_px"])
    answer("Pixels down", camera["height_px"])
    answer("Width, if another", camera["width_px"] * camera["pixel_um"] / 1000)
    answer("Height, if another", camera["height_px"] * camera["pixel_um"] / 1000)
    page.get_by_role("button", name="Save and use").click()
    expect(page.locator(".dateline")).to_have_text("Behind the barn, my long one")


def choose(page: Page, night: str) -> None:
    to(page, "Choose")
    page.get_by_label("Night of").fill(night)
    page.get_by_role("button", name="Show", exact=True).click()
    card = page.get_by_role("listitem").filter(has=page.get_by_role("heading", name="M15"))
    card.get_by_role("button", name="Put M15 on the plan").click(timeout=WORK_MS)
    expect(page.get_by_role("heading", name="The plan")).to_be_visible()


def find(page: Page) -> None:
    card = page.get_by_role("listitem").filter(has=page.get_by_role("heading", name="M15"))
    card.get_by_role("link", name="The way to it").click()
    expect(page.get_by_role("heading", name="Find M15")).to_be_visible()
    expect(page.get_by_role("heading", name=re.compile("Start at"))).to_be_visible()
    chart = page.get_by_role("img", name=re.compile("Star chart")).first
    assert chart.evaluate("image => image.complete && image.naturalWidth > 0")
    page.go_back()


def expose(page: Page) -> None:
    card = page.get_by_role("listitem").filter(has=page.get_by_role("heading", name="M15"))
    card.get_by_role("link", name="What an exposure holds").click()
    expect(page.get_by_role("heading", name="Expose M15")).to_be_visible()
    seconds = page.get_by_role("slider", name="One exposure")
    picture = page.get_by_role("img", name="Forecast of one frame")
    gives = page.get_by_role("row", name=re.compile("Signal to noise")).first
    before, seen = gives.inner_text(), picture.get_attribute("src")
    seconds.focus()
    for _ in range(4):
        seconds.press("ArrowLeft")
    expect(gives).not_to_have_text(before)
    expect(picture).not_to_have_attribute("src", seen)
    page.get_by_label("One exposure", exact=True).first.fill("25")
    page.get_by_label("Frames", exact=True).first.fill("8")
    page.get_by_role("button", name="Keep for the night").click()
    expect(page.get_by_text("Kept for the night: 8 × 25")).to_be_visible()


def judge(page: Page) -> None:
    to(page, "Judge")
    page.get_by_role("link", name="Choose a folder").click()
    page.get_by_role("link", name="frames", exact=True).click()
    page.get_by_role("link", name="lights", exact=True).click()
    page.get_by_role("button", name="Use this folder").click()
    page.get_by_role("button", name="Judge the 8 frames").click()
    row = page.get_by_role("row", name=re.compile("light-04")).first
    expect(row).to_contain_text("leave out", timeout=WORK_MS)
    page.get_by_role("link", name="In full size").click()
    expect(page.get_by_role("application")).to_be_visible()


def finish(page: Page) -> None:
    to(page, "Finish")
    page.get_by_role("link", name="Another folder").click()
    page.get_by_role("link", name="frames", exact=True).click()
    page.get_by_role("button", name="Use this folder").click()
    page.get_by_label("What they show").fill("M15")
    page.get_by_role("button", name="Finish", exact=True).click()
    expect(page.get_by_role("heading", name="Finish M15")).to_be_visible(timeout=WORK_MS)
    expect(page.get_by_role("img", name="M15, the finished picture")).to_be_visible()


def export(page: Page, tmp_path) -> None:
    page.get_by_role("button", name="Export at full resolution").click()
    for kind, form in (("png", "PNG"), ("jpg", "JPEG")):
        link = page.locator("#exports").get_by_role("link", name=re.compile(rf"\.{kind}$"))
        with page.expect_download(timeout=WORK_MS) as coming:
            link.click(timeout=WORK_MS)
        path = tmp_path / f"exported.{kind}"
        coming.value.save_as(path)
        with Image.open(path) as picture:
            picture.load()
            assert picture.format == form
            assert min(picture.size) > 300


def learn(page: Page) -> None:
    to(page, "Learn")
    expect(page.get_by_role("heading", name="The logbook")).to_be_visible()
    row = page.get_by_role("row", name=re.compile("2026-10-09"))
    expect(row).to_contain_text(re.compile("M15|NGC7078"))
    expect(row.get_by_role("cell", name="8", exact=True)).to_be_visible()
    page.get_by_role("link", name="Finished pictures and their map").click()
    expect(page.get_by_role("main")).to_contain_text(re.compile("M15|NGC7078"))


def everybody_sees_the_same(page: Page, browser, address: str) -> None:
    other = browser.new_context(viewport={"width": 360, "height": 740}).new_page()
    for window in (page, other):
        window.goto(address)
        window.reload()
        told = window.get_by_role("main").inner_text()
        for words in ("is on the plan", "8 × 25 s", "17 pictures in frames", "Finishing M15: done"):
            assert words in told.replace("\u00a0", " ")
        window.goto(address + "/finish")
        expect(window.get_by_role("heading", name="Finish M15")).to_be_visible()
    other.context.close()
