"""The pages in a real Chromium: they load, stay on this host, work by keyboard, fit the screen."""

from __future__ import annotations

import io
from urllib.parse import urlsplit

import numpy as np
import pytest
from PIL import Image

pytestmark = [pytest.mark.browser, pytest.mark.slow]

PAGES = [
    "/", "/choose", "/find", "/expose", "/judge", "/judge/light-04", "/finish", "/learn", "/kit",
    "/find?name=M57&when=2026-09-12T21:00:00Z",
    "/expose?name=M57&seconds=20&frames=45&when=2026-09-12T21:00:00Z",
]  # fmt: skip
WCAG = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]


@pytest.fixture
def visit(browser, server):
    """Open a page in a fresh context; complaints and foreign requests fail the test."""
    opened = []

    def go(path, *, width=1440, height=900, light="day", scripts=True, address=server):
        context = browser.new_context(
            viewport={"width": width, "height": height}, java_script_enabled=scripts
        )
        if light:
            context.add_cookies([{"name": "light", "value": light, "url": address}])
        page = context.new_page()
        page.complaints = []
        page.asked = []
        page.on("console", lambda m: page.complaints.append(m.text))
        page.on("pageerror", lambda e: page.complaints.append(str(e)))
        page.on("requestfailed", lambda r: page.complaints.append(f"failed: {r.url}"))
        page.on("request", lambda r: page.asked.append(r.url))
        page.goto(address + path, wait_until="networkidle")
        opened.append((context, page, urlsplit(address).netloc))
        return page

    yield go
    for context, page, own in opened:
        assert page.complaints == []
        assert {urlsplit(url).netloc for url in page.asked} == {own}
        context.close()


def pixels(page):
    shot = Image.open(io.BytesIO(page.screenshot(full_page=True)))
    return np.asarray(shot.convert("RGB"))


@pytest.mark.parametrize("path", PAGES)
def test_every_page_loads_whole_and_asks_only_this_host(visit, path):
    page = visit(path)
    assert page.locator("h1").count() == 1
    assert page.title().endswith("Slowglass")
    broken = page.evaluate(
        "[...document.images].filter(i => !(i.complete && i.naturalWidth)).map(i => i.src)"
    )
    hidden = page.evaluate("[...document.images].filter(i => !i.offsetParent).map(i => i.src)")
    assert set(broken) <= set(hidden)
    assert page.evaluate("document.fonts.check('16px Notebook')")


@pytest.mark.parametrize("width", [360, 768, 1440])
@pytest.mark.parametrize("path", PAGES)
def test_no_page_scrolls_sideways(visit, path, width):
    page = visit(path, width=width, height=740)
    assert page.evaluate("document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize("path", PAGES)
def test_red_light_lights_nothing_but_red(visit, path):
    shot = pixels(visit(path, light="night"))
    assert shot[..., 0].max() == 255
    assert shot[..., 1:].max() == 0


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


@pytest.mark.parametrize("light", ["day", "night"])
@pytest.mark.parametrize("path", PAGES)
def test_wcag_22_aa(visit, path, light):
    from axe_playwright_python.sync_playwright import Axe

    page = visit(path, light=light)
    found = Axe().run(page, options={"runOnly": {"type": "tag", "values": WCAG}})
    faults = [
        (rule["id"], [node["target"] for node in rule["nodes"]][:3])
        for rule in found.response["violations"]
    ]
    assert faults == []
    assert len(found.response["passes"]) > 10


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
    from axe_playwright_python.sync_playwright import Axe

    page = visit(path, address=empty_server, light="night", width=360)
    if path == "/nowhere":
        assert page.complaints
        page.complaints.clear()
    found = Axe().run(page, options={"runOnly": {"type": "tag", "values": WCAG}})
    assert [rule["id"] for rule in found.response["violations"]] == []
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    assert pixels(page)[..., 1:].max() == 0


def test_an_empty_folder_offers_the_example_and_nothing_else(visit, empty_server):
    page = visit("/judge", address=empty_server)
    assert page.url == empty_server + "/"
    button = page.get_by_role("button", name="Make the example night")
    assert button.count() == 1
    assert button.evaluate("b => getComputedStyle(b).backgroundColor") != "rgb(0, 0, 0)"
    assert page.evaluate("document.documentElement.scrollWidth") <= 1440
