"""Night sheets: what is on the page, page sizes, contents in the order of the night."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from slowglass.errors import UsageError
from slowglass.find.hour import site_night
from slowglass.find.sheet import PAPERS_MM
from slowglass.kit.io import load_kit, load_site
from slowglass.sheets.plan import SheetWish, joined_pixels, night_page
from slowglass.sheets.service import write_night
from slowglass.sheets.words import darks_wanted
from slowglass.sky.place import resolve_place

KIT, YARD, FLAT = load_kit("long 102"), load_site("Fig Tree Yard"), load_site("Karri Flat")
NIGHT = date(2026, 10, 10)


@pytest.fixture(autouse=True)
def _small_pictures(monkeypatch):
    """The forecast on a page of these tests is a stamp: rendering is tested elsewhere."""
    monkeypatch.setattr("slowglass.sheets.plan.PICTURE_PX", 300)


def written(sky, path, *names, site=YARD, **wish):
    return write_night(names, path, KIT, site, sky, night=NIGHT, wish=SheetWish(**wish))


def pages(path: Path) -> list[tuple[float, float]]:
    """Page sizes in millimetres, from the file's own boxes."""
    import re

    boxes = re.findall(rb"/MediaBox \[ ?0 0 ([\d.]+) ([\d.]+) ?\]", path.read_bytes())
    return [(float(w) / 72 * 25.4, float(h) / 72 * 25.4) for w, h in boxes]


def test_a_night_has_contents_and_a_page_an_object(sky, tmp_path):
    path, routes = written(sky, tmp_path / "night.pdf", "M76", "M57", paper="letter")
    assert len(pages(path)) == 3
    for size in pages(path):
        assert size == pytest.approx(PAPERS_MM["letter"], abs=0.2)
    # M57 sinks in the west in the evening, M76 culminates after midnight
    assert [route.target for route in routes] == ["M57", "M76"]
    assert [p.name for p in tmp_path.iterdir()] == ["night.pdf"]


def test_one_object_is_one_page_as_svg_with_its_words(sky, tmp_path):
    path, _ = written(sky, tmp_path / "m57.svg", "M57")
    text = path.read_text(encoding="utf-8")
    # matplotlib writes letters as shapes and keeps the words as comments
    for words in ("The way", "When", "Exposures", "Darks and flats", "Take care", "Notes", "M57"):
        assert f"<!-- {words}" in text, words


def test_several_pages_need_a_pdf(sky, tmp_path):
    with pytest.raises(UsageError, match=r"\.pdf"):
        written(sky, tmp_path / "two.png", "M57", "M76")
    with pytest.raises(UsageError, match=r"\.pdf"):
        written(sky, tmp_path / "one.txt", "M57")
    assert not list(tmp_path.iterdir())


def test_an_object_that_is_not_up_has_a_page_that_says_so(sky, tmp_path):
    night = site_night(YARD, NIGHT)
    page = night_page(resolve_place("NGC 104", sky), night, KIT, YARD, sky, SheetWish())
    assert page.when is None
    assert page.spans == ()
    path, _ = written(sky, tmp_path / "south.pdf", "NGC 104")
    (size,) = pages(path)
    assert size == pytest.approx(PAPERS_MM["a4"], abs=0.2)


def test_the_page_plans_for_the_best_hour_of_its_night(sky):
    night = site_night(FLAT, NIGHT)
    page = night_page(resolve_place("NGC 253", sky), night, KIT, FLAT, sky, SheetWish())
    ((begin, end),) = page.spans
    assert begin <= page.when <= end
    assert night.dark_from <= begin < end <= night.dark_to
    assert page.route.when == page.when
    # 27′ × 7′: the long side lies along it, or nearly
    assert page.fit.answer == "yes"
    assert page.picture.dtype == np.uint8
    rows, columns, colours = page.picture.shape
    assert colours == 3
    assert columns / rows == pytest.approx(1.5, abs=0.01)


def test_joined_pixels_see_the_same_sky():
    small = joined_pixels(KIT, 4)
    assert small.field_width_deg == pytest.approx(KIT.field_width_deg, rel=1e-9)
    # light gathered by a pixel over what fills it stays the same
    assert small.camera.full_well_e / small.camera.pixel_um**2 == pytest.approx(
        KIT.camera.full_well_e / KIT.camera.pixel_um**2
    )
    assert small.camera.read_noise_e == pytest.approx(4 * KIT.camera.read_noise_e)


@pytest.mark.parametrize(("lights", "darks"), [(5, 15), (48, 24), (400, 40)])
def test_darks_go_with_the_lights(lights, darks):
    assert darks_wanted(lights) == darks


def test_a_naked_eye_star_has_a_page_without_hop(sky, tmp_path):
    path, routes = written(sky, tmp_path / "vega.pdf", "Vega")
    assert routes[0].legs == ()
    assert len(pages(path)) == 1


def test_the_red_page_is_dark(sky, tmp_path):
    from PIL import Image

    path, _ = written(sky, tmp_path / "red.png", "M57", style="night")
    picture = np.asarray(Image.open(path).convert("RGB"), dtype=float)
    red, green, blue = picture.reshape(-1, 3).mean(axis=0)
    assert red < 60
    assert green < 0.6 * red and blue < 0.6 * red


def test_years_outside_ours_are_refused(sky, tmp_path):
    from slowglass.workbench import Workbench

    bench = Workbench(KIT, YARD)
    with pytest.raises(UsageError, match="2200"):
        bench.night_sheets(
            ["M57"], tmp_path / "x.pdf", wish=replace(SheetWish(), night=date(2200, 1, 1))
        )
