"""The chart as a list of marks: what is where, and that painters write what they say."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from datetime import UTC, datetime

import astropy.units as u
import numpy as np
import pytest
from astropy.coordinates import SkyCoord

from slowglass.errors import UsageError
from slowglass.find.chart import (
    SKY_SIZE,
    ChartStars,
    Disc,
    Label,
    Line,
    Outline,
    Stop,
    hop_chart,
    star_radius,
    wrap,
)
from slowglass.find.picture import write_chart
from slowglass.find.service import chart_route, find_route, route_chart
from slowglass.find.svg import STYLES, svg_text
from slowglass.kit.io import load_kit, load_site

KIT, YARD = load_kit("long 102"), load_site("Fig Tree Yard")
AUTUMN = datetime(2026, 10, 10, 20, 30, tzinfo=UTC)


def small_chart(stars=((10.0, 40.0, 3.0),), outline=None, target=(10.0, 41.0), field_deg=0.96):
    ra, dec, mag = (np.array(c, float) for c in zip(*stars, strict=True))
    return hop_chart(
        title="A from B",
        subtitle="",
        stops=[Stop("B", "B", 10.0, 40.0), Stop("A", "A", *target)],
        lines=["Start at B.", "1. Turn."],
        stars=ChartStars(ra, dec, mag, ("",) * len(ra)),
        outline=outline,
        field_deg=field_deg,
        field_name="eyepiece field",
    )


def discs(chart):
    return [m for m in chart.sky_marks if isinstance(m, Disc)]


def test_north_is_up_and_east_is_left():
    chart = small_chart(stars=((10.0, 40.5, 5), (10.0, 40.9, 5), (10.4, 40.5, 5)))
    middle, north, east = discs(chart)
    assert north.y < middle.y and north.x == pytest.approx(middle.x, abs=0.5)
    assert east.x < middle.x and east.y == pytest.approx(middle.y, abs=1.5)


def test_distances_are_to_scale_with_the_field_circle():
    """Chart length over length of a field radius equals the angle ratio from astropy."""
    stars = ((10.0, 40.2, 5), (10.5, 40.7, 5))
    chart = small_chart(stars=stars)
    a, b = discs(chart)
    ring = next(m for m in chart.sky_marks if isinstance(m, Line) and m.role == "field")
    x = [p[0] for p in ring.points]
    per_deg = (max(x) - min(x)) / 0.96
    apart = SkyCoord(10.0 * u.deg, 40.2 * u.deg).separation(SkyCoord(10.5 * u.deg, 40.7 * u.deg))
    # gnomonic stretch within a degree of the middle stays under 0.1 %
    assert np.hypot(a.x - b.x, a.y - b.y) / per_deg == pytest.approx(apart.deg, rel=2e-3)


def test_the_outline_lies_at_its_position_angle():
    chart = small_chart(outline=Outline(60.0, 20.0, 35.0))
    shape = next(m for m in chart.sky_marks if m.role == "object")
    x, y = np.array(shape.points).T
    centre = x.mean(), y.mean()
    far = np.argmax(np.hypot(x - centre[0], y - centre[1]))
    # east is to the left: position angle 35° points up and to the left
    angle = np.degrees(np.arctan2(centre[0] - x[far], centre[1] - y[far])) % 180
    assert angle == pytest.approx(35.0, abs=2.0)


def test_a_tiny_object_still_has_a_mark():
    chart = small_chart(outline=Outline(0.3, 0.3, 0.0))
    shape = next(m for m in chart.sky_marks if m.role == "object")
    x = [p[0] for p in shape.points]
    assert max(x) - min(x) >= 8.0


def test_brighter_stars_are_larger():
    radius = star_radius(np.array([2.0, 5.0, 8.0, 10.0]), 10.0)
    assert np.all(np.diff(radius) < 0)


def test_stars_outside_the_box_are_left_out():
    assert len(discs(small_chart(stars=((10.0, 40.2, 5), (60.0, 10.0, 5))))) == 1


def test_wrapping_loses_no_word():
    text = "one two three four five six"
    parts = wrap(text, 9)
    assert " ".join(parts) == text
    assert max(map(len, parts)) <= 9
    assert wrap("", 10) == []


def test_route_labels_stay_inside_and_clear_of_each_other(sky):
    chart = route_chart(find_route(KIT, YARD, sky, "M15", when=AUTUMN), sky)
    labels = [m for m in chart.sky_marks if isinstance(m, Label) and m.role == "route"]
    assert {"Enif", "M15", "1"} <= {m.text for m in labels}
    boxes = [(m.x, m.y - m.size, m.x + 0.58 * m.size * len(m.text), m.y) for m in labels]
    for i, a in enumerate(boxes):
        assert a[0] >= chart.sky_box[0] and a[2] <= chart.sky_box[0] + SKY_SIZE
        for b in boxes[i + 1 :]:
            assert a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1]


@pytest.mark.parametrize("style", ["paper", "night"])
def test_svg_is_well_formed_and_carries_the_words(sky, style):
    route = find_route(KIT, YARD, sky, "NGC 457", when=AUTUMN)
    root = ET.fromstring(svg_text(route_chart(route, sky), style))
    text = " ".join(e.text or "" for e in root.iter("{http://www.w3.org/2000/svg}text"))
    assert route.anchor in text
    assert "Turn the" in text
    assert "OpenNGC" in text
    assert root.get("viewBox").startswith("0 0 800 ")


def test_names_are_escaped():
    chart = small_chart()
    assert "<title>A from B</title>" in svg_text(chart)
    odd = hop_chart(
        title="A & <B>",
        subtitle="",
        stops=[Stop("B", "B", 10, 40), Stop("A", "A", 10, 41)],
        lines=[],
        stars=ChartStars(np.zeros(0), np.zeros(0), np.zeros(0), ()),
        outline=None,
        field_deg=1.0,
        field_name="frame",
    )
    assert "A &amp; &lt;B&gt;" in svg_text(odd)


def luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.2."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("name", ["paper", "night"])
def test_text_reads_on_its_page(name):
    style = STYLES[name]
    page = luminance(style.page)
    for role in ("text", "note", "route", "star", "object"):
        ink = luminance(style.colours[role])
        contrast = (max(ink, page) + 0.05) / (min(ink, page) + 0.05)
        # 3:1 is WCAG's floor for graphics and large text; the night page trades white for dark
        # adaptation, the paper page meets 4.5:1
        assert contrast >= (4.5 if name == "paper" else 3.0), (role, contrast)


def test_the_night_page_is_red_alone():
    for colour in [STYLES["night"].page, *STYLES["night"].colours.values()]:
        red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
        assert green <= 0.5 * red and blue <= 0.5 * red


@pytest.mark.parametrize(
    ("ending", "magic"), [(".svg", b"<svg"), (".png", b"\x89PNG\r\n"), (".pdf", b"%PDF-")]
)
def test_files_are_what_their_names_say(sky, tmp_path, ending, magic):
    route = find_route(KIT, YARD, sky, "M57", when=AUTUMN)
    path = chart_route(route, KIT, YARD, sky, tmp_path / f"deep/M57{ending}")
    assert path.read_bytes().startswith(magic)
    assert [p.name for p in path.parent.iterdir()] == [path.name]


def test_an_unknown_ending_is_refused(tmp_path):
    with pytest.raises(UsageError, match=re.escape(".svg, .png or .pdf")):
        write_chart(small_chart(), tmp_path / "chart.bmp")
    assert not list(tmp_path.iterdir())
