"""Sliders in a real Chromium: numbers and pictures follow, moves are taken back, files come out."""

from __future__ import annotations

import io
import shutil

import numpy as np
import pytest
from looks import faults_of
from PIL import Image

from slowglass.web.app import serving

pytestmark = [pytest.mark.browser, pytest.mark.slow]

EXPOSE = "/expose?name=M57&seconds=20&frames=45&when=2026-09-12T21:00:00Z"


@pytest.fixture(scope="module")
def address(workbench, night_folder, tmp_path_factory):
    copy = tmp_path_factory.mktemp("own") / "night"
    shutil.copytree(night_folder, copy)
    with serving(workbench, folder=copy, port=0) as (address, _):
        yield address.rstrip("/")


@pytest.fixture
def visit(strict_page, address):
    """Open a page in a fresh context."""

    def go(path, *, touch=False, **options):
        page = strict_page(address, has_touch=touch, **options)
        page.goto(address + path, wait_until="networkidle")
        return page

    return go


def move(page, name, value):
    """Put a slider somewhere as a hand would, and wait for the answer."""
    before = answered(page)
    page.locator(f'[data-slider="{name}"]').evaluate(
        "(range, value) => { range.value = value; range.dispatchEvent(new Event('input',"
        " {bubbles: true})); range.dispatchEvent(new Event('change', {bubbles: true})); }",
        value,
    )
    settled(page, before)


def answered(page):
    return int(page.locator("form[data-answer]").get_attribute("data-answered") or 0)


def settled(page, before):
    page.wait_for_function(
        "before => { const form = document.querySelector('form[data-answer]');"
        " return Number(form.dataset.answered || 0) > before && !form.hasAttribute('aria-busy'); }",
        arg=before,
    )


def told(page, key):
    return page.locator(f'[data-out="{key}"]').inner_text()


def seen(page, name):
    """The bytes of what an image of the page shows, as pixels."""
    shot = page.locator(f'img[data-picture="{name}"]').screenshot()
    return np.asarray(Image.open(io.BytesIO(shot)).convert("RGB")).astype(float)


def test_exposures_follow_the_slider(visit):
    page = visit(EXPOSE)
    snr, total = told(page, "snr"), told(page, "total")
    before = seen(page, "every")
    move(page, "seconds", 21)
    assert told(page, "exposure") == "45 × 120 s"
    assert float(told(page, "snr")) > float(snr)
    assert told(page, "total") != total
    assert np.abs(seen(page, "every") - before).mean() > 1
    assert "seconds=120" in page.url
    page.reload(wait_until="networkidle")  # a reload loses nothing
    assert told(page, "exposure") == "45 × 120 s"


def test_the_keyboard_moves_an_exposure_and_it_is_said(visit):
    page = visit(EXPOSE)
    slider = page.locator('[data-slider="frames"]')
    slider.focus()
    before = answered(page)
    page.keyboard.press("ArrowRight")
    settled(page, before)
    assert page.locator("[name=frames]").input_value() == "60"  # 50 is nearest to 45
    assert slider.get_attribute("aria-valuetext") == "60"
    page.wait_for_function("() => document.querySelector('[data-spoken]').textContent.length > 20")
    assert "60 × 20 s" in page.locator("[data-spoken]").inner_text()


def test_a_number_typed_is_taken_and_nonsense_waits(visit):
    page = visit(EXPOSE)
    field = page.locator("[name=seconds]")
    before = answered(page)
    field.fill("37")
    field.press("Enter")
    settled(page, before)
    assert told(page, "exposure") == "45 × 37 s"
    field.fill("long")
    field.press("Tab")
    assert field.get_attribute("aria-invalid") is not None
    assert told(page, "exposure") == "45 × 37 s"


def test_the_suggestion_is_looked_at_and_taken(visit):
    page = visit(EXPOSE)
    move(page, "seconds", 5)
    mine = seen(page, "every")
    page.get_by_role("button", name="Look at the suggestion").click()
    page.wait_for_timeout(600)
    assert np.abs(seen(page, "every") - mine).mean() > 1
    page.get_by_role("button", name="Look at the suggestion").click()
    before = answered(page)
    page.get_by_role("link", name="Take the suggestion").click()
    settled(page, before)
    assert told(page, "exposure") == told(page, "exposure-other")
    before = answered(page)
    page.get_by_role("button", name="Undo").click()
    settled(page, before)
    assert told(page, "exposure") != told(page, "exposure-other")
    page.get_by_role("button", name="Keep for the night").click()
    page.wait_for_load_state("networkidle")
    assert page.get_by_text("Kept for the night").count() == 1


def test_exposures_can_be_asked_without_scripts(visit):
    page = visit(EXPOSE, scripts=False)
    assert page.locator("[data-slider]").first.is_hidden()
    page.locator("[name=seconds]").fill("90")
    page.get_by_role("button", name="Show these").click()
    assert told(page, "exposure") == "45 × 90 s"


def test_the_finished_picture_follows_and_moves_are_taken_back(visit):
    page = visit("/finish/night")
    plain = seen(page, "picture")
    move(page, "brightness", 1.5)
    bright = seen(page, "picture")
    assert bright.mean() > plain.mean() + 1
    move(page, "saturation", 0)
    grey = seen(page, "picture")
    assert np.ptp(grey, axis=2).mean() < np.ptp(bright, axis=2).mean()
    for name, wanted in (("Undo", bright), ("Undo", plain), ("Redo", bright)):
        before = answered(page)
        page.get_by_role("button", name=name).click()
        settled(page, before)
        assert np.abs(seen(page, "picture") - wanted).mean() < 0.5
    before = answered(page)
    page.get_by_role("button", name="All automatic").click()
    settled(page, before)
    assert np.abs(seen(page, "picture") - plain).mean() < 0.5
    before = answered(page)
    page.keyboard.press("Control+z")
    settled(page, before)
    assert np.abs(seen(page, "picture") - bright).mean() < 0.5


def test_a_click_looks_closely(visit):
    page = visit("/finish/night")
    closely = seen(page, "closely")
    before = answered(page)
    box = page.locator("[data-closely]").bounding_box()
    page.locator("[data-closely]").click(position={"x": 0.2 * box["width"], "y": 60})
    settled(page, before)
    assert page.locator("[name=x]").input_value() == "20"
    page.wait_for_timeout(1500)  # the place follows a little after
    assert np.abs(seen(page, "closely") - closely).mean() > 1


def test_the_handle_moves_by_hand_key_and_touch(visit):
    page = visit("/finish/night", touch=True)
    handle = page.get_by_role("slider", name="Where one frame ends and all begin")
    handle.scroll_into_view_if_needed()
    box = page.locator(".compare").bounding_box()
    shot = page.locator(".compare").screenshot()
    y = box["y"] + 40
    page.mouse.move(box["x"] + box["width"] / 2, y)
    page.mouse.down()
    page.mouse.move(box["x"] + 0.8 * box["width"], y, steps=4)
    page.mouse.up()
    assert handle.get_attribute("aria-valuenow") == "80"
    assert page.locator(".compare").screenshot() != shot
    page.keyboard.press("Home")
    page.keyboard.press("ArrowRight")
    assert handle.get_attribute("aria-valuenow") == "2"
    assert handle.get_attribute("aria-valuetext") == "2 % one frame, 98 % all frames"
    page.touchscreen.tap(box["x"] + 0.3 * box["width"], y)
    assert handle.get_attribute("aria-valuenow") == "30"


def test_an_export_gives_a_file(visit):
    page = visit("/finish/night")
    move(page, "brightness", 0.5)
    page.locator("[name=kind][value=png]").uncheck()
    page.locator("[name=stem]").fill("mine")
    page.get_by_role("button", name="Export at full resolution").click()
    link = page.get_by_role("link", name="mine.jpg")
    link.wait_for(timeout=60_000)
    with page.expect_download() as waiting:
        link.click()
    with Image.open(waiting.value.path()) as picture:
        assert max(picture.size) > 900
    assert page.locator("[name=brightness]").input_value() == "0.5"


@pytest.mark.parametrize("path", [EXPOSE, "/finish/night"])
def test_red_light_and_a_phone(visit, path):
    page = visit(path, light="night", width=360, touch=True)
    shot = np.asarray(Image.open(io.BytesIO(page.screenshot(full_page=True))).convert("RGB"))
    assert shot[..., 0].max() == 255
    assert shot[..., 1:].max() == 0
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    for slider in page.locator("[data-slider]").all():
        assert slider.bounding_box()["height"] >= 44


@pytest.mark.parametrize("light", ["day", "night"])
@pytest.mark.parametrize("path", [EXPOSE, "/finish/night"])
def test_sliders_are_within_wcag_22_aa(visit, path, light):
    assert faults_of(visit(path, light=light)) == []
