"""The picture in full size in a real Chromium: sharp, true, moved by pointer, keys and touch."""

from __future__ import annotations

import base64
import io
import re
from urllib.parse import quote

import numpy as np
import pytest
from looks import faults_of
from PIL import Image
from view_scene import BRIGHT, HEIGHT, WIDTH, write_scene

from slowglass.frame.adjust import Adjustment, adjusted
from slowglass.frame.bayer import demosaic
from slowglass.frame.io import read_frame
from slowglass.frame.shelf import Shelf
from slowglass.frame.stretch import to_8bit
from slowglass.web.app import create_app

pytestmark = [pytest.mark.browser, pytest.mark.slow]
SHARP = ".big-plate[data-sharp=true]"


@pytest.fixture(scope="module")
def scene(sky, tmp_path_factory):
    folder = tmp_path_factory.mktemp("scene")
    write_scene(sky, folder)
    return folder


@pytest.fixture
def visit(strict_page, served, workbench, scene, tmp_path):
    """Open a frame in full size."""
    address = served(create_app(workbench, folder=tmp_path / "night", frames=[scene]))

    def go(name="mosaic.fits", *, touch=False, scripts=True, **options):
        page = strict_page(
            address, has_touch=touch, scripts=scripts, reduced_motion="reduce", **options
        )
        page.goto(f"{address}/view?of={quote(str(scene / name))}")
        if scripts:
            sharp(page)
        return page

    return go


def sharp(page):
    """Wait until every square in sight is there and the view has been put down."""
    page.wait_for_timeout(50)
    page.wait_for_selector(SHARP, timeout=20_000)
    page.wait_for_timeout(220)


def size(page):
    return float(page.locator(".size").inner_text().split()[0])


def view(page):
    """Middle and size as the address keeps them."""
    return [float(n) for n in page.evaluate("location.hash.slice(1)").split(",")]


def point(page, sx, sy):
    """The words under a place of the window."""
    page.evaluate("scrollTo(0, 0)")
    box = page.locator(".window").bounding_box()
    page.mouse.move(box["x"] + sx, box["y"] + sy)
    page.wait_for_timeout(250)
    return page.locator(".spot").inner_text()


def place(words):
    found = re.search(r"column (\d+), row (\d+)", words)
    assert found, words
    return int(found[1]), int(found[2])


def pixels(page, selector=".picture"):
    """What a canvas shows, (rows, columns, 4)."""
    told = page.evaluate("s => document.querySelector(s).toDataURL()", selector)
    data = base64.b64decode(told.partition(",")[2])
    return np.asarray(Image.open(io.BytesIO(data)).convert("RGBA"))


def shot(page):
    return np.asarray(Image.open(io.BytesIO(page.screenshot(full_page=True))).convert("RGB"))


def window(page):
    """(width, height) of the window in CSS pixels."""
    return page.evaluate(
        "(() => { const w = document.querySelector('.window');"
        " return [w.clientWidth, w.clientHeight] })()"
    )


def test_the_whole_picture_comes_first(visit):
    page = visit()
    width, height = window(page)
    x, y, scale = view(page)
    assert (x, y) == pytest.approx(((WIDTH - 1) / 2, (HEIGHT - 1) / 2), abs=0.1)
    assert scale == pytest.approx(min(width / WIDTH, height / HEIGHT), abs=1e-3)
    assert page.locator(".waiting").inner_text() == ""
    grey = pixels(page)[..., :3].astype(int).mean(axis=2)
    left = round(width / 2 - scale * WIDTH / 2)
    inside = grey[10:-10, left + 10 : -left - 10]
    assert inside.std() > 3 and inside.min() < 0.5 * np.median(inside)  # ink on paper


def test_pixel_for_pixel_in_colours_is_the_workbenchs_own_curve(visit, scene):
    """The screen against the server's stretch of the demosaiced frame, pixel by pixel."""
    page = visit()
    page.click(".light-hands summary")
    page.check("[name=colours]")
    frame = read_frame(scene / "mosaic.fits")
    pyramid = Shelf().open(scene / "mosaic.fits").pyramid
    colour = demosaic(frame.pixels, "RGGB")
    for by in (Adjustment(), Adjustment(black=12, brightness=-25, contrast=30)):
        for name in ("black", "brightness", "contrast"):
            page.locator(f"[name={name}]").fill(str(getattr(by, name)))
        page.click("[data-act=pixels]")
        sharp(page)
        x, y, _ = view(page)
        width, height = window(page)
        left, top = round(x - width / 2 + 0.5), round(y - height / 2 + 0.5)
        got = pixels(page)[..., :3].astype(int)
        stretch = adjusted(pyramid.stretch, pyramid.sky, by)
        wanted = to_8bit(colour, stretch)[top : top + height, left : left + width]
        off = np.abs(got[: wanted.shape[0], : wanted.shape[1]] - wanted)
        # 8-bit codes on the way: a step of the code is some steps of the screen at most
        assert np.median(off) <= 2 and np.quantile(off, 0.99) <= 8


def test_the_wheel_enlarges_about_the_pointer(visit):
    page = visit()
    before = point(page, 800, 300)
    page.mouse.wheel(0, -400)
    sharp(page)
    assert size(page) > 90
    column, row = place(point(page, 800, 300))
    assert (column, row) == pytest.approx(place(before), abs=2)
    page.mouse.wheel(0, 4000)
    sharp(page)
    assert view(page)[2] == pytest.approx(
        min(window(page)[0] / WIDTH, window(page)[1] / HEIGHT), abs=1e-3
    )


def test_dragging_moves_and_two_taps_go_closer(visit):
    page = visit()
    page.click("[data-act=pixels]")
    sharp(page)
    box = page.locator(".window").bounding_box()
    x, y, _ = view(page)
    page.mouse.move(box["x"] + 500, box["y"] + 300)
    page.mouse.down()
    page.mouse.move(box["x"] + 460, box["y"] + 275, steps=4)
    page.mouse.up()
    sharp(page)
    assert view(page)[0] == pytest.approx(x + 40, abs=0.6)
    assert view(page)[1] == pytest.approx(y + 25, abs=0.6)
    page.mouse.dblclick(box["x"] + 500, box["y"] + 300)
    sharp(page)
    assert size(page) == 250


def test_far_in_every_pixel_is_a_square_of_its_own(visit):
    page = visit("grey.fits")
    for _ in range(12):
        page.click("[data-act=larger]")
    sharp(page)
    assert size(page) == 3200
    picture = pixels(page)[..., 0]
    edge = np.flatnonzero(np.diff(picture[5].astype(int)))
    steps = np.diff(edge)
    assert len(edge) > 10 and (steps % 32 <= 1).mean() + (steps % 32 == 31).mean() > 0.95


def test_value_and_sky_under_the_pointer(visit):
    page = visit()
    page.click("[data-act=pixels]")
    sharp(page)
    x, y, _ = view(page)
    width, height = window(page)
    sx, sy = BRIGHT[0] - x + width / 2, BRIGHT[1] - y + height / 2
    words = point(page, sx + 0.5, sy + 0.5)
    assert place(words) == BRIGHT and "red 15000 ADU" in words
    assert re.search(r"RA \d\d h \d\d m \d\d\.\d\d s, Dec [+−]\d\d° \d\d′ \d\d\.\d″", words)


def test_it_is_worked_by_keys_alone_and_speaks(visit):
    page = visit()
    page.locator(".window").focus()
    page.keyboard.press("1")
    sharp(page)
    assert size(page) == 100
    page.keyboard.press("+")
    sharp(page)
    assert size(page) == 160
    x, y, _ = view(page)
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowDown")
    sharp(page)
    assert view(page)[0] > x + 20 and view(page)[1] > y + 20
    page.keyboard.press("Shift+ArrowLeft")
    page.wait_for_timeout(700)
    first = place(page.locator(".spoken").text_content())
    for _ in range(3):
        page.keyboard.press("Shift+ArrowRight")
    page.keyboard.press("Shift+ArrowUp")
    page.wait_for_timeout(700)
    assert place(page.locator(".spoken").text_content()) == (first[0] + 3, first[1] - 1)
    page.keyboard.press("0")
    sharp(page)
    assert size(page) < 70
    page.keyboard.press("p")
    page.wait_for_url("**grey.fits*")
    sharp(page)
    page.keyboard.press("Tab")  # nothing is trapped
    assert page.evaluate("document.activeElement.className") != "window"


def test_a_reload_and_the_next_frame_show_the_same_part(visit):
    page = visit("grey.fits")
    page.mouse.move(900, 400)
    page.mouse.wheel(0, -500)
    sharp(page)
    kept = view(page)
    page.reload()
    sharp(page)
    assert view(page) == pytest.approx(kept, abs=0.2)
    page.click(".mark-hands summary")
    page.check("[name=found]")
    page.click(".turn-on")
    page.wait_for_url("**mosaic.fits*")
    sharp(page)
    assert view(page) == pytest.approx(kept, abs=0.2)
    assert page.locator("[name=found]").is_checked()


def test_each_kind_of_mark_can_be_put_on_and_off(visit):
    page = visit()
    page.click(".mark-hands summary")
    kinds = ("found", "known", "objects", "grid", "target")

    def drawn():
        page.wait_for_timeout(350)
        return (pixels(page, ".over")[..., 3] > 0).sum()

    for kind in kinds:
        page.locator(f"[name={kind}]").set_checked(False)
    assert drawn() == 0
    for kind in ("known", "grid"):  # what this field has without a target and unjudged
        page.check(f"[name={kind}]")
        assert 500 < drawn() < 150_000
        page.uncheck(f"[name={kind}]")
        assert drawn() == 0


def test_finding_the_stars_from_the_page_marks_them(visit):
    page = visit()
    page.click(".mark-hands summary")
    page.get_by_role("button", name="Find its stars and place").click()
    page.get_by_text("Placed by its own stars.").wait_for(timeout=30_000)
    sharp(page)
    assert page.locator("[name=found]").is_checked()
    assert page.get_by_role("button", name="Find its stars and place").count() == 0
    assert (pixels(page, ".over")[..., 3] > 0).sum() > 1000
    marks = page.evaluate("fetch('/view/marks?' + location.search.slice(1)).then(r => r.json())")
    x, y, _ = view(page)
    scale, (width, height) = view(page)[2], window(page)
    star = next(
        (sx, sy, mag)
        for sx, sy, mag in marks["known"]
        if any(np.hypot(fx - sx, fy - sy) < 2 and r > 0 for fx, fy, r in marks["found"])
    )
    words = point(page, (star[0] - x) * scale + width / 2, (star[1] - y) * scale + height / 2)
    assert f"magnitude {star[2]:.1f}" in words and "half-flux diameter" in words


def test_brightness_shows_at_once_and_automatic_brings_it_back(visit):
    page = visit("grey.fits")
    page.click(".light-hands summary")
    page.uncheck("[name=negative]")
    sharp(page)
    calm = pixels(page)
    page.locator("[name=brightness]").fill("45")
    sharp(page)
    brighter = pixels(page)
    assert brighter.mean() > calm.mean() + 3
    page.locator("[name=black]").fill("30")
    sharp(page)
    assert pixels(page).mean() < brighter.mean()
    page.get_by_role("button", name="Automatic").click()
    sharp(page)
    assert page.locator("[name=black]").input_value() == "0"
    # the wider coding travels as JPEG again: the same but for its grain
    assert np.abs(pixels(page).astype(int) - calm).mean() < 1.0


def test_red_light_is_red_only_and_comes_without_a_flash(visit):
    page = visit(light="night")
    page.click(".mark-hands summary")
    page.click(".light-hands summary")
    for name in ("known", "grid", "objects"):
        page.check(f"[name={name}]")
    sharp(page)
    night = shot(page)
    assert night[..., 0].max() == 255 and night[..., 1:].max() == 0
    page.get_by_role("button", name="Day paper").click()
    sharp(page)
    assert shot(page)[..., 1].max() > 200
    # In one frame the light turns: nothing green or blue is left on either sheet.
    sheets = page.evaluate(
        """() => { document.documentElement.dataset.light = 'night';
        return new Promise(done => requestAnimationFrame(() => done(
          [...document.querySelectorAll('.window canvas')].map(c => c.toDataURL())))) }"""
    )
    for told in sheets:
        data = base64.b64decode(told.partition(",")[2])
        sheet = np.asarray(Image.open(io.BytesIO(data)).convert("RGBA"))
        assert sheet[sheet[..., 3] > 0][:, 1:3].max(initial=0) == 0


@pytest.mark.parametrize(("width", "light"), [(360, "night"), (360, "day"), (1440, "day")])
def test_it_is_sound_at_both_widths(visit, width, light):
    page = visit(width=width, height=740, light=light)
    page.click(".mark-hands summary")
    page.click(".light-hands summary")
    sharp(page)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert faults_of(page) == []
    if width == 360:
        small = page.evaluate(
            """[...document.querySelectorAll('.handles button, .handles summary, .handles label')]
            .filter(e => e.offsetParent && e.getBoundingClientRect().height < 44)
            .map(e => e.textContent)"""
        )
        assert small == []


def test_two_fingers_enlarge_and_a_tap_points(visit):
    page = visit(width=360, height=740, touch=True)
    box = page.locator(".window").bounding_box()
    middle = (box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    before = size(page)
    wire = page.context.new_cdp_session(page)

    def touch(kind, *spots):
        points = [{"x": x, "y": y, "id": k} for k, (x, y) in enumerate(spots)]
        wire.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

    x, y = middle
    touch("touchStart", (x - 20, y), (x + 20, y))
    for reach in (30, 45, 60, 80):
        touch("touchMove", (x - reach, y), (x + reach, y))
    touch("touchEnd")
    sharp(page)
    assert size(page) == pytest.approx(4 * before, rel=0.35)
    assert view(page)[0] == pytest.approx((WIDTH - 1) / 2, abs=25)
    page.touchscreen.tap(x, y)
    page.wait_for_timeout(500)
    assert place(page.locator(".spot").inner_text())[0] == pytest.approx(WIDTH / 2, abs=60)
    assert page.evaluate("visualViewport.scale") == 1  # the page itself stays as it is


def test_without_scripts_the_page_gives_way_to_its_words(visit):
    page = visit(scripts=False)
    page.wait_for_url("**/view/plain?**")
    assert page.get_by_text("colour mosaic").count() == 1
    assert page.locator(".plate img").evaluate("i => i.naturalWidth") > 300


def test_another_picture_under_the_same_name_is_shown_anew(visit, scene, tmp_path):
    page = visit("grey.fits")
    stamp = page.evaluate("fetch('/view/facts?' + location.search.slice(1)).then(r => r.json())")
    path = scene / "grey.fits"
    whole = path.read_bytes()
    path.write_bytes(whole + bytes(2880))
    try:
        page.complaints.clear()
        page.click("[data-act=pixels]")
        page.wait_for_timeout(2500)
        sharp(page)
        assert page.locator(".waiting").inner_text() == ""
        now = page.evaluate("fetch('/view/facts?' + location.search.slice(1)).then(r => r.json())")
        assert now["stamp"] != stamp["stamp"]
        page.complaints.clear()  # the browser tells of squares of the old file, which are gone
    finally:
        path.write_bytes(whole)
