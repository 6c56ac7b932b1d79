"""The pages in a real Chromium: they load, stay on this host, work by keyboard, fit the screen."""

from __future__ import annotations

import time
from urllib.parse import quote

import numpy as np
import pytest
from looks import faults_of, is_red_alone, pixels

pytestmark = [pytest.mark.browser, pytest.mark.slow]

PAGES = [
    "/", "/choose", "/find", "/expose", "/judge", "/judge/light-04", "/finish", "/learn", "/kit",
    "/find?name=M57&when=2026-09-12T21:00:00Z",
    "/expose?name=M57&seconds=20&frames=45&when=2026-09-12T21:00:00Z",
    "/setup", "/kit/edit", "/choose/M57?night=2026-10-10",
    "/find/steps?name=M57&when=2026-09-12T21:00:00Z&step=1", "/weigh", "/jobs", "/lan",
    "/learn/frames?object=M15", "/learn/pictures?near=M15",
    "/folders", "/folders?at={night}",
    "/judge/folder?of={night}/frames/lights", "/view?of={night}/frames/lights/light-01.fits",
    "/view/plain?of={night}/frames/lights/light-01.fits",
]  # fmt: skip
"""Every page; {night} stands for the folder of the night."""
WIDTHS = [1440, 768, 360]


# What is drawn only once it is scrolled to would be measured where it is not.
DRAW_ALL = """async () => {
  for (const part of document.querySelectorAll("main *")) {
    const late = getComputedStyle(part).contentVisibility === "auto";
    if (late) part.style.contentVisibility = "visible";
  }
  for (const image of document.images) image.loading = "eager";
  // resolves when a picture is there, is refused when it is broken
  await Promise.allSettled([...document.images].map((image) => image.decode()));
}"""


# A page left alone loads itself again when there is something new; one in use does not.
IN_USE = "setInterval(() => dispatchEvent(new Event('input')), 1000)"


@pytest.fixture
def visit(strict_page, server, night_folder):
    """Open a page in a fresh context, once what it waits for is worked out, and drawn whole."""

    def go(path, *, address=server, **options):
        page = strict_page(address, **options)
        page.add_init_script(IN_USE)
        path = path.replace("{night}", quote(str(night_folder.resolve())))
        worked_out(page.request, address, path)
        page.goto(address + path, wait_until="networkidle")
        page.evaluate(DRAW_ALL)
        return page

    return go


def worked_out(request, address, path):
    """Ask for a page and wait until its work is done: it would load itself again in between."""
    request.get(address + path)
    patience = time.monotonic() + 120.0
    while request.get(f"{address}/desk/revision").json()["current"]:
        assert time.monotonic() < patience, "work takes longer than two minutes"
        time.sleep(0.2)


def too_wide(page):
    """Widths at which the page would scroll sideways."""
    wide = []
    for width in WIDTHS:
        page.set_viewport_size({"width": width, "height": 800})
        if page.evaluate("document.documentElement.scrollWidth") > width:
            wide.append(width)
    return wide


@pytest.mark.parametrize("path", PAGES)
def test_by_day_every_page_is_whole_fits_and_can_be_read_by_all(visit, path):
    page = visit(path)
    assert page.locator("h1").count() == 1
    assert page.title().endswith("Slowglass")
    # a picture far down a long list is fetched when one comes near it
    broken = page.evaluate(
        "[...document.images].filter(i => i.complete ? !i.naturalWidth : i.loading !== 'lazy')"
        ".map(i => i.src)"
    )
    hidden = page.evaluate("[...document.images].filter(i => !i.offsetParent).map(i => i.src)")
    assert set(broken) <= set(hidden)
    assert page.evaluate("document.fonts.check('16px Notebook')")
    assert faults_of(page) == []
    assert too_wide(page) == []


@pytest.mark.parametrize("path", PAGES)
def test_by_night_every_page_is_red_alone_and_can_be_read_by_all(visit, path):
    page = visit(path, light="night")
    for width in (1440, 360):
        page.set_viewport_size({"width": width, "height": 740})
        assert is_red_alone(page)
    assert faults_of(page) == []


def test_red_light_flips_in_place_and_is_remembered(visit):
    page = visit("/judge", light=None)
    assert pixels(page)[..., 2].max() > 200
    page.get_by_role("button", name="Red light").click()
    assert page.evaluate("document.documentElement.dataset.light") == "night"
    assert page.url.endswith("/judge")
    page.goto(page.url.replace("/judge", "/choose"), wait_until="networkidle")
    assert page.evaluate("document.documentElement.dataset.light") == "night"
    page.get_by_role("button", name="Day paper").click()
    page.reload()
    assert page.evaluate("document.documentElement.dataset.light") == "day"


def test_red_light_works_without_scripts(visit):
    page = visit("/find", light=None, scripts=False)
    page.get_by_role("button", name="Red light").click()
    assert page.url.endswith("/find")
    assert page.locator("html").get_attribute("data-light") == "night"


def test_the_keyboard_reaches_everything_in_order(visit):
    page = visit("/choose")
    names = []
    for _ in range(10):
        page.keyboard.press("Tab")
        names.append(page.evaluate("document.activeElement.textContent.trim()"))
    assert names == [
        "Skip to the page", "Slowglass", "Red light", "Choose", "Find", "Expose", "Judge",
        "Finish", "Learn", "Kit and site",
    ]  # fmt: skip
    outline = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
    assert outline != "none"
    page.keyboard.press("Enter")
    page.wait_for_url("**/kit")
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "main"


def test_the_overlay_lies_on_the_picture(visit):
    page = visit("/judge/light-01")
    picture = page.locator(".matter > .plate > img").bounding_box()
    drawing = page.locator(".matter > .plate > svg").bounding_box()
    assert drawing == pytest.approx(picture, abs=1.0)
    # The dashed outline of the target surrounds the darkest patch of the printed plate.
    ring = page.locator("polygon.m-target").bounding_box()
    shot = pixels(page).astype(float).mean(axis=2)
    scroll = page.evaluate("window.scrollY")
    x, y = ring["x"] + ring["width"] / 2, ring["y"] + scroll + ring["height"] / 2
    core = shot[round(y) - 4 : round(y) + 5, round(x) - 4 : round(x) + 5].mean()
    beside = shot[
        round(y) - 4 : round(y) + 5, round(x + ring["width"]) : round(x + ring["width"]) + 40
    ]
    assert core < 0.6 * np.median(beside)


@pytest.mark.parametrize("path", ["/", "/find", "/expose", "/nowhere"])
def test_pages_without_a_night_are_sound_too(visit, empty_server, path):
    page = visit(path, address=empty_server, light="night", width=360)
    if path == "/nowhere":
        assert page.complaints
        page.complaints.clear()
    assert faults_of(page) == []
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    assert is_red_alone(page)


def test_an_empty_folder_offers_the_example_and_nothing_else(visit, empty_server):
    page = visit("/", address=empty_server)
    assert page.url == empty_server + "/"
    button = page.get_by_role("button", name="Make the example night")
    assert button.count() == 1
    assert button.evaluate("b => getComputedStyle(b).backgroundColor") != "rgb(0, 0, 0)"
    assert page.evaluate("document.documentElement.scrollWidth") <= 1440
