"""The chart as a list of marks: what is where, and that painters write what they say."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from datetime import UTC, datetime

import astropy.units as u
import numpy as np
import pytest
from astropy.coordinates import AltAz, EarthLocation, SkyCoord
from astropy.time import Time
from astropy.utils import iers
from hypothesis import given
from hypothesis import strategies as st

from slowglass.errors import UsageError
from slowglass.find.chart import (
    SKY_SIZE,
    ChartStars,
    Disc,
    Label,
    Line,
    Outline,
    Projection,
    View,
    camera_view,
    star_radius,
    wrap,
)
from slowglass.find.drawing import ChartStop, FieldCircle, Scene, draw, middle_of
from slowglass.find.picture import write_chart
from slowglass.find.plates import (
    PLATES,
    ChartWish,
    chart_route,
    frame_around,
    nudge_chart,
    plate,
    route_chart,
)
from slowglass.find.service import find_route
from slowglass.find.svg import STYLES, svg_text
from slowglass.kit.io import load_kit, load_site
from slowglass.sky.deep import DeepStars, tiles_in_cone
from slowglass.sky.deep_store import DeepStore
from slowglass.sky.wcs import TanWcs

KIT, YARD = load_kit("long 102"), load_site("Fig Tree Yard")
AUTUMN = datetime(2026, 10, 10, 20, 30, tzinfo=UTC)


def small_chart(
    stars=((10.0, 40.0, 3.0),), outline=None, target=(10.0, 41.0), field_deg=0.96, **more
):
    ra, dec, mag = (np.array(c, float) for c in zip(*stars, strict=True))
    stops = [ChartStop("B", 10.0, 40.0), ChartStop("A", *target)]
    ra0, dec0, half = middle_of(stops, field_deg)
    return draw(
        Scene(
            title="A & <B>",
            ra_deg=ra0,
            dec_deg=dec0,
            half_deg=half,
            stars=ChartStars(ra, dec, mag, ("",) * len(ra)),
            stops=stops,
            join_stops=True,
            target=target,
            outline=outline,
            circles=[FieldCircle(10.0, 40.0, field_deg)],
            words=("Start at B.", "1. Turn."),
            **more,
        )
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
    chart = route_chart(find_route(KIT, YARD, sky, "M15", when=AUTUMN), KIT, YARD, sky)
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
    root = ET.fromstring(svg_text(route_chart(route, KIT, YARD, sky), style))
    text = " ".join(e.text or "" for e in root.iter("{http://www.w3.org/2000/svg}text"))
    assert route.anchor in text
    assert "Turn the" in text
    assert "OpenNGC" in text
    assert root.get("viewBox").startswith("0 0 800 ")


def test_names_are_escaped():
    assert "<title>A &amp; &lt;B&gt;</title>" in svg_text(small_chart())


ANGLE = st.floats(0, 359.9)


@given(ANGLE, st.floats(-80, 80), ANGLE, st.booleans(), ANGLE, st.floats(0.05, 2.0))
def test_the_view_stands_as_first_principles_say(ra, dec, up, mirrored, angle, distance):
    """Seen by eye, position angles grow counter-clockwise from north; a mirror reverses that.

    The star's place comes from astropy, its place on the chart from ours.
    """
    middle = SkyCoord(ra * u.deg, dec * u.deg)
    star = middle.directional_offset_by(angle * u.deg, distance * u.deg)
    sky = Projection(ra, dec, View(up, mirrored), 100.0, 200.0, 50.0)
    x, y = sky.place(star.ra.deg, star.dec.deg)
    counter = np.degrees(np.arctan2(100.0 - x, 200.0 - y))
    expected = up - angle if mirrored else angle - up
    assert (counter - expected + 180) % 360 - 180 == pytest.approx(0, abs=1e-6)
    # gnomonic: the tangent of the distance
    length = 50.0 * np.degrees(np.tan(np.radians(distance)))
    assert np.hypot(x - 100, y - 200) == pytest.approx(length, rel=1e-9)


def test_inverted_is_half_a_turn_and_mirrored_swaps_left_and_right():
    erect = Projection(10, 20, View(), 0, 0, 1)
    for name, sign_x, sign_y in (("erect", 1, 1), ("inverted", -1, -1), ("mirrored", -1, 1)):
        seen = Projection(10, 20, View().seen(name), 0, 0, 1)
        x0, y0 = erect.place(10.3, 20.4)
        assert seen.place(10.3, 20.4) == pytest.approx((sign_x * x0, sign_y * y0))


@given(ANGLE, st.floats(-80, 80), ANGLE, st.sampled_from([-1, 1]), ANGLE)
def test_the_camera_view_is_the_picture(ra, dec, rotation, parity, angle):
    """A star right of and above the middle of the picture is so on the chart."""
    wcs = TanWcs.from_simple(
        ra_deg=ra, dec_deg=dec, width_px=6000, height_px=4000, scale_arcsec_per_px=0.6188,
        rotation_deg=rotation, parity=parity,
    )  # fmt: skip
    star = SkyCoord(ra * u.deg, dec * u.deg).directional_offset_by(angle * u.deg, 0.2 * u.deg)
    px, py = wcs.sky_to_pixel(star.ra.deg, star.dec.deg)
    sky = Projection(ra, dec, camera_view(rotation, parity), 0.0, 0.0, 3600 / 0.6188)
    assert sky.place(star.ra.deg, star.dec.deg) == pytest.approx(
        (float(px) - 2999.5, float(py) - 1999.5), abs=1e-3
    )


@given(st.floats(0, 179.9), st.floats(-80, 80))
def test_the_frame_lies_at_the_angle_asked_for_with_north_up(angle, dec):
    wcs = frame_around(KIT, 50.0, dec, angle)
    ra, dec_ends = wcs.pixel_to_sky([0.0, 5999.0], [1999.5, 1999.5])
    left, right = (SkyCoord(r * u.deg, d * u.deg) for r, d in zip(ra, dec_ends, strict=True))
    middle = SkyCoord(50.0 * u.deg, dec * u.deg)
    # either half of the long side, seen from the middle, where the meridian is ours
    for end in (left, right):
        off = (middle.position_angle(end).deg - angle + 90) % 180 - 90
        assert off == pytest.approx(0, abs=1e-3)
    up_ra, up_dec = wcs.pixel_to_sky(2999.5, 0.0)
    up = middle.position_angle(SkyCoord(float(up_ra) * u.deg, float(up_dec) * u.deg)).deg
    assert np.cos(np.radians(up)) >= -1e-6


@pytest.mark.parametrize("name", PLATES)
@pytest.mark.parametrize("seen", ["erect", "mirrored"])
def test_every_plate_can_be_had_alone(sky, name, seen):
    route = find_route(KIT, YARD, sky, "M57", when=AUTUMN)
    chart = plate(name, route, KIT, YARD, sky, wish=ChartWish(seen, 30.0))
    root = ET.fromstring(svg_text(chart))
    assert float(root.get("data-units-per-deg")) == pytest.approx(chart.projection.scale, abs=1e-3)
    texts = [m.text for rose in chart.roses for m in rose.marks if isinstance(m, Label)]
    assert {"N", "E"} <= set(texts)
    # a page a phone can show: the sky, its heading and its key, no columns of words
    assert chart.height < 920


def test_the_eye_chart_stands_as_the_sky_does(sky):
    """Zenith up: of two stars the one astropy puts higher is higher on the page."""
    route = find_route(KIT, YARD, sky, "M15", when=AUTUMN)
    chart = plate("eye", route, KIT, YARD, sky)
    place = EarthLocation(lat=44.2 * u.deg, lon=0.62 * u.deg, height=90 * u.m)
    names = ("Enif", "Sadalsuud", "Scheat", "Markab", "Altair")
    with iers.conf.set_temp("auto_download", False), iers.conf.set_temp("auto_max_age", None):
        frame = AltAz(obstime=Time(AUTUMN), location=place)
        stars = [sky.named_stars.get(name) for name in names]
        there = SkyCoord([s.ra_deg for s in stars], [s.dec_deg for s in stars], unit="deg")
        seen = there.transform_to(frame)
        # flat on the page: gnomonic about the chart's middle in altitude and azimuth
        middle = SkyCoord(
            chart.projection.ra0_deg, chart.projection.dec0_deg, unit="deg"
        ).transform_to(frame)
        away, angle = middle.separation(seen).rad, middle.position_angle(seen).rad
    up = np.degrees(np.tan(away) * np.cos(angle)) * chart.projection.scale
    right = np.degrees(np.tan(away) * np.sin(angle)) * chart.projection.scale
    for star, dy, dx in zip(stars, up, right, strict=True):
        x, y = chart.projection.place(star.ra_deg, star.dec_deg)
        # refraction differs by under 0.1° over the chart, precession turns it by 0.2°
        assert chart.projection.middle_x - x == pytest.approx(-dx, abs=4.0)
        assert chart.projection.middle_y - y == pytest.approx(dy, abs=4.0)


def test_drift_runs_west(sky):
    route = find_route(KIT, YARD, sky, "M57", when=AUTUMN)
    for seen, sign in (("erect", 1), ("mirrored", -1), ("inverted", -1)):
        chart = plate("field", route, KIT, YARD, sky, wish=ChartWish(seen))
        rose = next(
            r for r in chart.roses if any(getattr(m, "text", "") == "drift" for m in r.marks)
        )
        # west is to the right as seen by eye
        assert sign * (rose.marks[0].points[1][0] - rose.x) > 10


def test_the_nudge_arrow_points_from_the_frame_to_the_target(sky):
    wcs = TanWcs.from_simple(
        ra_deg=322.9, dec_deg=11.6, width_px=6000, height_px=4000, scale_arcsec_per_px=0.6188,
        rotation_deg=200.0,
    )  # fmt: skip
    chart = nudge_chart(wcs, (6000, 4000), ("M15", 322.493, 12.167), sky)
    line = next(m for m in chart.sky_marks if isinstance(m, Line) and m.role == "route")
    (x1, y1), (x2, y2) = line.points
    px, py = wcs.sky_to_pixel(322.493, 12.167)
    wanted = np.arctan2(float(py) - 1999.5, float(px) - 2999.5)
    assert np.arctan2(y2 - y1, x2 - x1) == pytest.approx(wanted, abs=0.02)


def test_names_stay_upright_when_the_sky_is_turned(sky):
    chart = route_chart(find_route(KIT, YARD, sky, "M57", when=AUTUMN), KIT, YARD, sky)
    root = ET.fromstring(svg_text(chart))
    turning = [e for e in root.iter() if e.get("class") == "turns"]
    assert len(turning) == 1 + len(chart.roses)
    assert float(turning[0].get("data-x")) == pytest.approx(chart.projection.middle_x)
    upright = [e for e in root.iter() if e.get("class") == "upright"]
    assert {"1", "M57"} & {e.text for e in upright}
    assert all(e.get("data-x") and e.get("data-y") for e in upright)


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


def test_deeper_stars_stored_there_are_drawn_in_the_eyepiece(sky):
    """One twelfth-magnitude star beside M57, none of the base catalogue's twice."""
    route = find_route(KIT, YARD, sky, "M57", when=AUTUMN)
    before = plate("field", route, KIT, YARD, sky)
    (tile,) = tiles_in_cone(route.target_ra_deg, route.target_dec_deg, 0.01)
    base = sky.stars.cone(route.target_ra_deg, route.target_dec_deg, 0.4)
    ra = np.append(base.ra_deg, route.target_ra_deg + 0.1)
    dec = np.append(base.dec_deg, route.target_dec_deg)
    n = len(ra)
    deep = DeepStars(
        ra, dec, np.zeros(n, "f4"), np.zeros(n, "f4"),
        np.append(base.mag, 12.0).astype("f4"), np.full(n, np.nan, "f4"), np.arange(n),
    )  # fmt: skip
    DeepStore().save(tile, 13.0, deep)
    after = plate("field", route, KIT, YARD, sky)
    assert len(discs(after)) == len(discs(before)) + 1
