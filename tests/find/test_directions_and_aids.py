"""Clock directions, the drift and the setting circles against astropy."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import astropy.units as u
import numpy as np
import pytest
from astropy.coordinates import CIRS, AltAz, EarthLocation, SkyCoord
from astropy.time import Time
from astropy.utils import iers
from hypothesis import given, settings
from hypothesis import strategies as st

from slowglass.find.direction import clock_hour, clock_words, guide_star, zenith_angle_deg
from slowglass.find.hour import clear_spans
from slowglass.find.labels import names_by_hip
from slowglass.find.service import find_route
from slowglass.kit.io import load_kit, load_site

KIT = load_kit("long 102")
YARD, FLAT = load_site("Fig Tree Yard"), load_site("Karri Flat")
AUTUMN = datetime(2026, 10, 10, 20, 30, tzinfo=UTC)


@pytest.fixture(autouse=True)
def _offline():
    with iers.conf.set_temp("auto_download", False), iers.conf.set_temp("auto_max_age", None):
        yield


def seen_from(site, when):
    where = EarthLocation(
        lat=site.latitude_deg * u.deg, lon=site.longitude_deg * u.deg, height=site.height_m * u.m
    )
    return AltAz(obstime=Time(when), location=where)


@pytest.mark.parametrize("site", [YARD, FLAT], ids=lambda s: s.name)
@settings(max_examples=25, deadline=None)
@given(st.floats(0, 359.9), st.floats(-85, 85), st.floats(0, 359.9))
def test_the_clock_shows_the_way_as_it_lies_on_the_sky(site, ra, dec, angle):
    """12 is toward the zenith and 3 to the right: astropy's altitudes and azimuths say so."""
    here = SkyCoord(ra * u.deg, dec * u.deg)
    there = here.directional_offset_by(angle * u.deg, 0.02 * u.deg)
    frame = seen_from(site, AUTUMN)
    a, b = here.transform_to(frame), there.transform_to(frame)
    if not 2.0 < a.alt.deg < 85.0:
        return
    up = b.alt.deg - a.alt.deg
    right = ((b.az.deg - a.az.deg + 180) % 360 - 180) * np.cos(a.alt.rad)
    wanted = np.degrees(np.arctan2(right, up)) / 30 % 12
    hour = clock_hour(angle, float(zenith_angle_deg(ra, dec, site, AUTUMN)[0]))
    # the equinox has moved 0.15° and more near the pole since 2000: a clock of half hours
    assert abs((hour - wanted + 6) % 12 - 6) < 0.15


@pytest.mark.parametrize(
    ("hour", "words"),
    [(12.0, "12 o’clock"), (2.4, "half past 2"), (11.8, "12 o’clock"), (3, "3 o")],
)
def test_clock_words(hour, words):
    assert clock_words(hour).startswith(words)


def test_the_guide_star_lies_the_way_the_move_goes(sky):
    star = guide_star(sky.named_stars, 322.5, 12.2, 300.0)
    there = SkyCoord(star.ra_deg * u.deg, star.dec_deg * u.deg)
    angle = SkyCoord(322.5 * u.deg, 12.2 * u.deg).position_angle(there).deg
    assert abs(angle - 300.0) <= 15.0


def test_a_drift_brings_the_target_to_mid_field_after_the_wait(sky):
    """Where astropy sees the star at the start, it sees the target when the wait is over."""
    seen = 0
    for name in "M13 M57 M33 M1 M27 M39 M29 M34 M37 M52".split():  # noqa: SIM905
        drift = find_route(KIT, YARD, sky, name, when=AUTUMN).drift
        if drift is None or drift.wait_min is None:
            continue
        seen += 1
        target = sky.objects.get(name)
        begin = SkyCoord(drift.star_ra_deg * u.deg, drift.star_dec_deg * u.deg).transform_to(
            seen_from(YARD, AUTUMN)
        )
        later = AUTUMN + timedelta(minutes=drift.wait_min)
        end = SkyCoord(target.ra_deg * u.deg, target.dec_deg * u.deg).transform_to(
            seen_from(YARD, later)
        )
        apart = SkyCoord(begin.az, begin.alt).separation(SkyCoord(end.az, end.alt)).deg
        # what is left is the difference in declination, told as the offset
        assert apart == pytest.approx(abs(drift.offset_deg), abs=0.02)
    assert seen >= 2


def test_setting_circles_lead_from_the_star_to_the_target(sky):
    """Offsets on the equator of date: astropy's apparent places differ by as much."""
    route = find_route(KIT, YARD, sky, "M15", when=AUTUMN)
    offset = route.circles
    both = SkyCoord(
        [route.anchor_ra_deg, route.target_ra_deg],
        [route.anchor_dec_deg, route.target_dec_deg],
        unit="deg",
    ).transform_to(CIRS(obstime=Time(AUTUMN)))
    assert offset.ra_min == pytest.approx((both[1].ra - both[0].ra).deg * 4.0, abs=0.01)
    assert offset.dec_deg == pytest.approx((both[1].dec - both[0].dec).deg, abs=0.001)


def test_the_tube_is_east_of_the_pier_for_objects_past_the_meridian(sky):
    # at 20:30 UT M13 is in the west, M31 in the east
    assert find_route(KIT, YARD, sky, "M13", when=AUTUMN).circles.pier_side == "east"
    assert find_route(KIT, YARD, sky, "M31", when=AUTUMN).circles.pier_side == "west"


def test_clear_spans_agree_with_astropy_at_their_ends():
    begin, end = AUTUMN, AUTUMN + timedelta(hours=9)
    spans = clear_spans(322.493, 12.167, begin, end, site=YARD)
    assert spans[0][0] == begin
    last = spans[-1][1]
    for minutes, up in ((-10, True), (10, False)):
        moment = last + timedelta(minutes=minutes)
        seen = SkyCoord(322.493 * u.deg, 12.167 * u.deg).transform_to(seen_from(YARD, moment))
        limit = max(15.0, float(YARD.horizon_alt_deg(seen.az.deg)))
        assert bool(seen.alt.deg >= limit) is up or last == end


def test_limits_and_alternatives_come_with_the_route(sky):
    route = find_route(KIT, YARD, sky, "M15", when=AUTUMN)
    assert 5.0 < route.limits.eye_mag < 6.0
    assert len(route.alternatives) == 2
    costs = [route.cost, *(other.cost for other in route.alternatives)]
    assert costs == sorted(costs)
    assert len({route.anchor, *(other.anchor for other in route.alternatives)}) == 3
    assert route.worst_ambiguity == max(leg.ambiguity for leg in route.legs)


def test_a_leg_tells_what_was_and_what_went_wrong(sky):
    route = find_route(KIT, YARD, sky, "M15", when=AUTUMN)
    for leg in route.legs[:-1]:
        assert leg.arrival.startswith("Stop ")
        assert leg.wrong
        assert "o’clock" in leg.text or "half past" in leg.text
    assert route.legs[-1].arrival.startswith("M15 is in mid-field")


@pytest.mark.parametrize("name", ["M13", "M57", "M31", "M27", "M29", "M103"])
def test_the_aim_by_eye_lands_in_the_field(sky, name):
    """The point at that share of the great circle, by astropy, is as far off as told."""
    route = find_route(KIT, YARD, sky, name, when=AUTUMN)
    line = route.sight_line
    if line is None:
        return
    hips = {label: hip for hip, label in names_by_hip(sky.named_stars).items()}
    if not {line.from_star, line.to_star} <= hips.keys():
        return
    a, b = (sky.stars.by_hip(hips[n]) for n in (line.from_star, line.to_star))
    first = SkyCoord(a.ra_deg[0] * u.deg, a.dec_deg[0] * u.deg)
    second = SkyCoord(b.ra_deg[0] * u.deg, b.dec_deg[0] * u.deg)
    point = first.directional_offset_by(
        first.position_angle(second), line.share * first.separation(second)
    )
    target = SkyCoord(route.target_ra_deg * u.deg, route.target_dec_deg * u.deg)
    # flat about the target: 15° away the tangent is 2 % longer than the arc
    assert point.separation(target).deg == pytest.approx(line.off_deg, abs=0.12)
    assert line.off_deg <= 0.5 * route.field_deg


def test_m13_is_a_third_of_the_way_down_the_keystone(sky):
    """Between η and ζ Her, as observers say (common practice)."""
    line = find_route(KIT, YARD, sky, "M13", when=AUTUMN).sight_line
    assert (line.from_star, line.to_star) == ("η Her", "ζ Her")
    assert line.share == pytest.approx(1 / 3)
