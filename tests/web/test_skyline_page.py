"""The skyline drawn in the page: kept in the site's own file, brought back, never lost."""

from __future__ import annotations

import pytest

from slowglass.kit.io import load_site
from slowglass.web.app import create_app


@pytest.fixture
def own(tmp_path, monkeypatch):
    """The file of the user's own site, not there yet."""
    monkeypatch.setenv("SLOWGLASS_CONFIG", str(tmp_path / "config"))
    return tmp_path / "config" / "site.toml"


@pytest.fixture
def app(workbench, tmp_path, own):
    return create_app(workbench, folder=tmp_path / "none")


@pytest.fixture
def ask(app, send):
    return lambda *args, **options: send(app, *args, **options)


def test_a_skyline_is_kept_and_brought_back(ask, own, workbench):
    before = workbench.site.horizon
    answer = ask("/kit/skyline", method="POST", data={"pairs": "0, 5\r\n90 20\r\nSW 31\r\n"})
    assert answer.status_code == 303
    site = load_site(own)
    assert site.horizon == ((0.0, 5.0), (90.0, 20.0), (225.0, 31.0))
    assert site.model_copy(update={"horizon": before}) == workbench.site
    page = ask("/kit").text
    assert "225, 31" in page
    assert "Bring the earlier skyline back" in page
    assert ask("/kit/skyline/back", method="POST").status_code == 303
    assert load_site(own).horizon == before
    assert ask("/kit/skyline/back", method="POST").status_code == 303
    assert load_site(own).horizon == site.horizon


def test_bad_pairs_stay_in_the_form_and_out_of_the_file(ask, own):
    ask("/kit/skyline", method="POST", data={"pairs": "10 10"})
    kept = own.read_bytes()
    answer = ask("/kit/skyline", method="POST", data={"pairs": "10 10\n20 95\nhello\n"})
    assert answer.status_code == 400
    assert "line 2 (“20 95”) has altitude 95" in answer.text.replace("Line", "line")
    assert "hello\n</textarea>" in answer.text
    assert own.read_bytes() == kept


def test_a_file_is_looked_at_before_it_is_saved(ask, own):
    files = {"file": ("view.csv", b"azimuth;altitude\n0;1,5\n180;40\n", "text/csv")}
    answer = ask("/kit/skyline/file", method="POST", files=files)
    assert "180, 40" in answer.text
    assert "not saved yet" in answer.text
    assert not own.exists()
    files = {"file": ("view.csv", b"\xff\xfe", "text/csv")}
    answer = ask("/kit/skyline/file", method="POST", files=files)
    assert answer.status_code == 400
    assert "is not UTF-8" in answer.text


def test_the_file_of_another_site_is_not_overwritten(ask, own):
    from slowglass.kit.io import write_site

    own.parent.mkdir()
    write_site(load_site("Karri Flat"), own)
    kept = own.read_bytes()
    answer = ask("/kit/skyline", method="POST", data={"pairs": "10 10"})
    assert answer.status_code == 400
    assert "is of Karri Flat" in answer.text
    assert own.read_bytes() == kept
    assert ask("/kit/skyline/back", method="POST").status_code == 400


def test_forms_from_elsewhere_are_refused(ask, own):
    for path in ("/kit/skyline", "/kit/skyline/file", "/kit/skyline/back"):
        headers = {"origin": "http://evil.example"}
        assert ask(path, method="POST", headers=headers, data={"pairs": "0 9"}).status_code == 403
    assert not own.exists()


@pytest.mark.browser
@pytest.mark.slow
def test_points_are_drawn_with_pointer_and_keyboard(browser, served, app, own):
    page = browser.new_page()
    page.goto(served(app) + "/kit", wait_until="networkidle")
    page.fill("#pairs", "10, 10\n")
    svg = page.locator("#skyline")
    svg.scroll_into_view_if_needed()
    box = svg.bounding_box()
    scale = box["width"] / 400.0
    page.mouse.click(box["x"] + (180 + 6) * scale, box["y"] + (96 - 40) * scale)
    assert page.input_value("#pairs") == "10, 10\n180, 40\n"
    page.keyboard.press("ArrowUp")
    page.keyboard.press("Shift+ArrowRight")
    assert page.input_value("#pairs") == "10, 10\n185, 41\n"
    page.mouse.move(box["x"] + (185 + 6) * scale, box["y"] + (96 - 41) * scale)
    page.mouse.down()
    page.mouse.move(box["x"] + (200 + 6) * scale, box["y"] + (96 - 20) * scale)
    page.mouse.up()
    assert page.input_value("#pairs") == "10, 10\n200, 20\n"
    page.get_by_role("button", name="Add a point").click()
    page.keyboard.press("Delete")
    page.get_by_role("button", name="Save the skyline").click()
    page.wait_for_url("**/kit?saved*")
    assert load_site(own).horizon == ((10.0, 10.0), (200.0, 20.0))
    page.fill("#pairs", "10, 10\nhello\n")
    assert page.locator("#skyline .grip").count() == 0
    page.close()
