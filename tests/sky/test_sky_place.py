"""Places people type, and star names."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from slowglass.errors import UsageError
from slowglass.sky.place import parse_coordinates, resolve_place
from slowglass.sky.star_names import name_table


@pytest.mark.parametrize(
    ("text", "ra", "dec"),
    [
        ("322.49 12.16", 322.49, 12.16),
        ("322.49, -12.16", 322.49, -12.16),
        ("322.49° +12.16°", 322.49, 12.16),
        ("360 0", 0.0, 0.0),
        ("0 -90", 0.0, -90.0),
        ("21 29 58.3 +12 10 01", 322.4929167, 12.1669444),
        ("21:29:58.3 -12:10:01", 322.4929167, -12.1669444),
        ("21h29m58.3s −12°10′01″", 322.4929167, -12.1669444),
        ("21h30m +12°", 322.5, 12.0),
        ("5h 35.3m −5° 23.4′", 83.825, -5.39),
        ("5h", None, None),
        ("21 30 +12 10", 322.5, 12.1666667),
        ("00 00 04 -00 30 00", 0.0166667, -0.5),
        ("M15", None, None),
        ("NGC 7078", None, None),
    ],
)
def test_coordinates_as_people_write_them(text, ra, dec):
    found = parse_coordinates(text)
    if ra is None:
        assert found is None
    else:
        assert found == pytest.approx((ra, dec), abs=1e-6)


@settings(deadline=None)  # the first call imports astropy
@given(st.floats(0, 359.99), st.floats(-90, 90))
def test_sexagesimal_text_agrees_with_astropy(ra, dec):
    from astropy.coordinates import Angle

    hours = Angle(ra, "deg").to_string(unit="hour", sep=":", precision=4, pad=True)
    degrees = Angle(dec, "deg").to_string(sep=":", precision=3, pad=True, alwayssign=True)
    if hours.startswith("24"):
        return
    back = parse_coordinates(f"{hours} {degrees}")
    assert back == pytest.approx((ra, dec), abs=2e-6)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("361 5", "right ascension 361° is out of range"),
        ("10 95", "declination 95° is out of range"),
        ("25 00 00 +10 00 00", "hours above 23"),
        ("10 61 00 +10 00 00", "minutes or seconds above 59"),
        ("", "no place given"),
        ("Dumbell Nebula", "Did you mean M27"),
        ("xyzzyplugh", "RA DEC"),
    ],
)
def test_places_that_cannot_be(sky, text, words):
    with pytest.raises(UsageError, match=words):
        resolve_place(text, sky)


def test_objects_stars_and_points(sky):
    assert resolve_place("m15", sky).object.id == "NGC7078"
    vega = resolve_place("vega", sky)
    assert (vega.name, vega.object) == ("Vega", None)
    assert resolve_place("10 20", sky).ra_deg == 10.0


def test_star_names_agree_with_skyfield(sky):
    from skyfield.named_stars import named_star_dict

    ours = {name: hip for name, _, hip in name_table()}
    # Where the other list keeps an older use of a name, the IAU's is ours.
    iau_moved = {"Algenib", "Gienah", "Markab"}
    shared = set(ours) & set(named_star_dict) - iau_moved
    assert len(shared) > 75
    assert {n: ours[n] for n in shared} == {n: named_star_dict[n] for n in shared}


def test_named_stars_lie_in_the_constellation_of_their_designation(sky):
    from astropy.coordinates import SkyCoord, get_constellation

    stars = sky.named_stars.all()
    assert len(stars) == len(name_table())
    places = SkyCoord([s.ra_deg for s in stars], [s.dec_deg for s in stars], unit="deg")
    theirs = get_constellation(places, short_name=True)
    assert [s.designation.split()[1] for s in stars] == theirs.tolist()


def test_named_stars_are_bright(sky):
    # Every name in the list belongs to a naked-eye star; Mira is the one that fades.
    assert [s.name for s in sky.named_stars.all() if s.mag > 5.2] == ["Mira"]
    assert sky.named_stars.all()[0].name == "Sirius"


def test_star_names_near_and_unknown(sky):
    near = sky.named_stars.near(279.23, 38.78, 10.0)
    assert near[0].name == "Vega"
    assert {"Sheliak", "Sulafat"} <= {s.name for s in near}
    with pytest.raises(UsageError, match="Did you mean Betelgeuse"):
        sky.named_stars.get("Betelgeuze")
    assert sky.named_stars.get("rigil kentaurus").hip == 71683


def test_star_names_at_another_epoch(sky):
    # Arcturus moves 2.28″ a year (Hipparcos).
    then, now = sky.named_stars.get("Arcturus"), sky.named_stars.at_epoch(2026.0).get("Arcturus")
    assert np.hypot(
        (now.ra_deg - then.ra_deg) * np.cos(np.radians(then.dec_deg)), now.dec_deg - then.dec_deg
    ) * 3600 == pytest.approx(22.8, abs=0.1)
