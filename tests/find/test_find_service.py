"""Routes on the real sky from both example sites, checked against astropy."""

from __future__ import annotations

from datetime import UTC, datetime
from itertools import pairwise

import astropy.units as u
import pytest
from astropy.coordinates import AltAz, EarthLocation, SkyCoord
from astropy.time import Time
from astropy.utils import iers

from slowglass.documents import document
from slowglass.errors import UsageError
from slowglass.find.anchors import anchor_limit_mag
from slowglass.find.moves import usable_move
from slowglass.find.service import find_route
from slowglass.kit.io import load_kit, load_site
from slowglass.kit.model import Finder

KIT = load_kit("long 102")
YARD, FLAT = load_site("Fig Tree Yard"), load_site("Karri Flat")
AUTUMN = datetime(2026, 10, 10, 20, 30, tzinfo=UTC)
WINTER_SOUTH = datetime(2026, 6, 15, 14, 0, tzinfo=UTC)
FROM_YARD = (
    "M2 M11 M13 M15 M27 M31 M33 M34 M39 M52 M57 M71 M76 M77 M81 M82 M92 M103 M110 M45 "
    "NGC7662 NGC6543 NGC457 NGC253"
)
FROM_FLAT = (
    "M4 M5 M6 M7 M8 M10 M12 M16 M17 M20 M22 M28 M54 M55 M62 M68 M69 M80 M83 M104 NGC104 NGC5139"
)


def place(ra, dec):
    return SkyCoord(ra * u.deg, dec * u.deg)


@pytest.mark.parametrize(
    ("site", "when", "name"),
    [(YARD, AUTUMN, n) for n in FROM_YARD.split()]
    + [(FLAT, WINTER_SOUTH, n) for n in FROM_FLAT.split()],
    ids=lambda v: getattr(v, "name", str(v))[:16],
)
def test_every_route_can_be_walked(sky, site, when, name):
    route = find_route(KIT, site, sky, name, when=when)
    assert route.legs, route.reason
    assert route.anchor_mag <= anchor_limit_mag(site, route.limits)
    limit = 0.9 * 57.692 / 60  # of the 57.69′ eyepiece field
    here = place(route.anchor_ra_deg, route.anchor_dec_deg)
    label = route.anchor
    for leg in route.legs:
        there = place(leg.to_ra_deg, leg.to_dec_deg)
        assert leg.from_name == label
        assert leg.distance_deg == pytest.approx(here.separation(there).deg, abs=1e-6)
        assert leg.distance_deg <= limit + 1e-9
        assert leg.direction_deg == pytest.approx(here.position_angle(there).deg, abs=1e-4)
        landed = place(here.ra.deg + leg.ra_move_deg, here.dec.deg + leg.dec_move_deg)
        assert landed.separation(there).arcsec < 1
        assert leg.text.count("Turn the") == 1
        here, label = there, leg.to_name
    target = sky.objects.get(name)
    assert label == target.name
    assert here.separation(place(target.ra_deg, target.dec_deg)).arcsec < 0.1


def test_the_anchor_stands_above_the_skyline(sky):
    route = find_route(KIT, YARD, sky, "M15", when=AUTUMN)
    location = EarthLocation(lat=44.2 * u.deg, lon=0.62 * u.deg, height=90 * u.m)
    with iers.conf.set_temp("auto_download", False), iers.conf.set_temp("auto_max_age", None):
        star = place(route.anchor_ra_deg, route.anchor_dec_deg).transform_to(
            AltAz(obstime=Time(AUTUMN), location=location)
        )
    assert star.alt.deg > YARD.horizon_alt_deg(star.az.deg)
    assert f"{star.alt.deg:.0f}° high" in route.anchor_text


def test_m15_starts_at_the_bright_star_beside_it(sky):
    # ε Pegasi, 2.4 mag, 4.2° from M15: the start every observing guide gives
    assert find_route(KIT, YARD, sky, "M15", when=AUTUMN).anchor == "Enif"


def test_a_start_without_a_name_is_told_from_one_that_has(sky):
    route = find_route(KIT, YARD, sky, "M11", when=AUTUMN)
    if route.anchor.startswith("HIP"):
        assert " of " in route.anchor_title
        assert f"magnitude {route.anchor_mag:.1f}" in route.anchor_title
    assert find_route(KIT, YARD, sky, "M15", when=AUTUMN).anchor_title == "Enif"


def test_labels_count_the_stars_between(sky):
    route = find_route(KIT, YARD, sky, "M15", when=AUTUMN)
    between = [leg.to_name for leg in route.legs[:-1]]
    for i, (name, leg) in enumerate(zip(between, route.legs, strict=False), 1):
        assert name == f"{leg.kind} {i}"
    for a, b in pairwise(route.legs):
        assert a.to_name == b.from_name


def test_a_chosen_start_is_kept(sky):
    route = find_route(KIT, YARD, sky, "M57", from_star="vega", when=AUTUMN)
    assert route.anchor == "Vega"
    assert len(route.legs) > 1


def test_a_start_too_far_away_is_refused(sky):
    with pytest.raises(UsageError, match="too far to hop"):
        find_route(KIT, YARD, sky, "M15", from_star="Vega", when=AUTUMN)


def test_an_unknown_start_is_refused_with_suggestions(sky):
    with pytest.raises(UsageError, match="Vega"):
        find_route(KIT, YARD, sky, "M57", from_star="Vegga", when=AUTUMN)


def test_a_naked_eye_star_needs_no_hop(sky):
    route = find_route(KIT, YARD, sky, "Vega", when=AUTUMN)
    assert route.anchor == "Vega"
    assert route.legs == ()
    assert "naked eye" in route.reason


def test_coordinates_are_a_target_too(sky):
    route = find_route(KIT, YARD, sky, "322.49 12.17", when=AUTUMN)
    assert route.anchor == "Enif"
    assert route.legs[-1].to_ra_deg == pytest.approx(322.49)


def test_an_optical_finder_takes_longer_and_fewer_legs(sky):
    finder = KIT.model_copy(update={"finder": Finder(kind="optical", field_deg=6.0)})
    by_finder = find_route(finder, YARD, sky, "M15", when=AUTUMN)
    by_eyepiece = find_route(KIT, YARD, sky, "M15", when=AUTUMN)
    assert len(by_finder.legs) < len(by_eyepiece.legs)
    assert max(leg.distance_deg for leg in by_finder.legs) <= 6.0
    assert "finder field" in by_finder.legs[0].text


def test_without_an_eyepiece_the_frame_is_the_field():
    bare = KIT.model_copy(update={"eyepieces": ()})
    move = usable_move(bare)
    assert move.field_name == "frame"
    assert move.field_deg == pytest.approx(41.252 / 60, abs=1e-4)


def test_the_eyepiece_field_is_apparent_field_over_magnification():
    # 50° at 1300 / 25 = 52×: 57.7′
    assert usable_move(KIT).field_deg * 60 == pytest.approx(57.69, abs=0.01)


def test_a_target_below_the_skyline_gets_a_note_and_still_a_route(sky):
    route = find_route(KIT, YARD, sky, "M83", when=AUTUMN)
    assert "below the skyline" in route.note
    assert route.legs


def test_no_chain_of_stars_is_a_reason_not_a_failure(sky):
    # A field so small that no star follows another
    tiny = KIT.eyepieces[0].model_copy(update={"focal_length_mm": 2.0, "apparent_field_deg": 20.0})
    narrow = KIT.model_copy(update={"eyepieces": (tiny,)})
    route = find_route(narrow, YARD, sky, "M77", when=AUTUMN)
    assert route.legs == ()
    assert route.anchor is None
    assert "no chain of stars" in route.reason


def test_the_document_has_the_agreed_fields(sky):
    found = document(find_route(KIT, YARD, sky, "NGC 7662", when=AUTUMN))
    assert {"target", "anchor", "legs"} <= found.keys()
    agreed = {
        "from", "to", "distance_deg", "direction_deg", "ra_move_deg", "dec_move_deg", "text"
    }  # fmt: skip
    for leg in found["legs"]:
        assert agreed <= leg.keys()
    assert found["when"] == "2026-10-10T20:30:00Z"


def test_without_a_moment_a_dark_hour_is_chosen(sky):
    route = find_route(KIT, YARD, sky, "NGC 457")
    assert route.legs
    assert route.when is None or route.when.tzinfo is not None


def test_a_double_star_is_one_anchor(sky):
    """Porrima's two stars, 3″ apart, are one to the eye, and have one name."""
    spring = datetime(2026, 4, 10, 23, 20, tzinfo=UTC)
    route = find_route(KIT, YARD, sky, "M104", when=spring)
    titles = [route.anchor_title, *(other.anchor_title for other in route.alternatives)]
    assert not [title for title in titles if "0.0°" in title]


def test_by_day_there_is_no_hop(sky):
    noon = datetime(2026, 10, 10, 11, 0, tzinfo=UTC)
    route = find_route(KIT, YARD, sky, "M15", when=noon)
    assert route.legs == ()
    assert "Sun is up" in route.reason
