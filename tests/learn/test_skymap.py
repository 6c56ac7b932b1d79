"""The map of the whole sky: against astropy's frames and the projection's own properties."""

from __future__ import annotations

import math
import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import BarycentricTrueEcliptic, SkyCoord
from hypothesis import given
from hypothesis import strategies as st

from slowglass.learn.skymap import (
    HEIGHT,
    WIDTH,
    Spot,
    circle,
    ecliptic,
    galactic_circle,
    map_svg,
    pieces,
    project,
)

RA, DEC = st.floats(0, 360), st.floats(-90, 90)


@pytest.mark.parametrize("latitude", [0.0, 10.0, -35.0])
def test_circles_of_galactic_latitude_are_astropys(latitude):
    ra, dec = galactic_circle(latitude)
    found = SkyCoord(ra * u.deg, dec * u.deg).galactic.b.deg
    # Pole and node are given to 0.00001°.
    assert np.allclose(found, latitude, atol=1e-4)


def test_the_ecliptic_is_astropys():
    ra, dec = ecliptic()
    frame = BarycentricTrueEcliptic(equinox="J2000")
    found = SkyCoord(ra * u.deg, dec * u.deg).transform_to(frame).lat.deg
    # The true ecliptic nods by 9″ about the mean one.
    assert np.max(np.abs(found)) < 0.005


@given(RA, st.floats(-89, 89), st.floats(0.1, 60))
def test_every_point_of_a_circle_is_as_far_from_its_middle(ra, dec, radius):
    middle = SkyCoord(ra * u.deg, dec * u.deg)
    found = middle.separation(SkyCoord(*(v * u.deg for v in circle(ra, dec, radius)))).deg
    assert np.allclose(found, radius, atol=1e-5)


@given(RA, DEC)
def test_every_place_lies_in_the_ellipse_with_east_on_the_left(ra, dec):
    x, y = (float(v) for v in project(ra, dec))
    assert (x / (2 * math.sqrt(2))) ** 2 + (y / math.sqrt(2)) ** 2 <= 1.0 + 1e-9
    if 1.0 < ra < 179.0 and abs(dec) < 89.0:
        assert x > 0.0 and float(project(360.0 - ra, dec)[0]) == pytest.approx(-x)


@given(st.floats(5, 350), st.floats(-80, 80))
def test_areas_are_equal_everywhere(ra, dec):
    # Determinant of the projection over that of the sphere, by differences of 10″.
    step = 1e-3
    x1, y1 = project(np.array([ra - step, ra + step]), np.array([dec, dec]))
    x2, y2 = project(np.array([ra, ra]), np.array([dec - step, dec + step]))
    area = abs((x1[1] - x1[0]) * (y2[1] - y2[0]) - (y1[1] - y1[0]) * (x2[1] - x2[0]))
    assert area == pytest.approx(
        math.radians(2 * step) ** 2 * math.cos(math.radians(dec)), rel=1e-4
    )


def test_lines_are_cut_at_the_edge():
    for line in (galactic_circle(), ecliptic(), circle(1.0, 40.0, 20.0)):
        for x, y in pieces(*line):
            assert np.max(np.hypot(np.diff(x), np.diff(y))) < 0.3


def test_names_and_addresses_are_escaped_and_names_cover_nothing():
    spots = [Spot(180.0 + n, 0.0, f"Thing <{n}> & “x”", told='a "quoted" & <b>', href=f"#p&{n}")
             for n in range(12)]  # fmt: skip
    text = map_svg(spots, around=(200.0, 20.0, 10.0), alone=True)
    root = ET.fromstring(text)
    space = "{http://www.w3.org/2000/svg}"
    links = root.findall(f".//{space}a")
    assert [link.get("href") for link in links] == [f"#p&{n}" for n in range(12)]
    rows = []
    for words in root.findall(f".//{space}text"):
        if words.get("class") != "sky-name":
            continue
        wide = 5.6 * len(words.text)
        left = (
            float(words.get("x"))
            - {"start": 0, "middle": wide / 2, "end": wide}[words.get("text-anchor")]
        )
        rows.append((left, left + wide, float(words.get("y"))))
    assert rows
    for n, (a, b, row) in enumerate(rows):
        assert a >= 0 and b <= WIDTH and 0 <= row <= HEIGHT
        for c, d, other in rows[:n]:
            assert abs(row - other) >= 12 or a >= d or b <= c
    assert re.search(r"style=|on\w+=", re.sub(r"<style>.*?</style>", "", text, flags=re.S)) is None


def test_an_empty_map_says_so():
    assert "without pictures" in map_svg([])
    assert map_svg([Spot(10, 10, "a")]).count("<title>") == 1
