"""Reachable in full: stays, Moon, meridian, tripod and hops; and nights without darkness."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from slowglass.choose.detail import HopSummary
from slowglass.choose.evening import best_moments
from slowglass.choose.filters import Wanted
from slowglass.choose.service import choose_tonight, moonless_window
from slowglass.choose.visibility import UNEVEN_SHARE, capped_snr, wanted_of_photons
from slowglass.choose.window import hop_difficulty
from slowglass.find.hour import darkest_window, moments_between, site_night
from slowglass.kit.io import load_kit, load_site
from slowglass.kit.model import Stand

KIT, YARD, FLAT = load_kit("long 102"), load_site("Fig Tree Yard"), load_site("Karri Flat")


@pytest.fixture(scope="module")
def bodies():
    import skyfield_data
    from skyfield.api import Loader

    load = Loader(Path(skyfield_data.__file__).parent / "data", verbose=False)
    kernel = load("de421.bsp")
    yield kernel, load.timescale(builtin=True)
    kernel.close()


@pytest.fixture(scope="module")
def waxing(sky):
    """A night whose first-quarter Moon sets after midnight."""
    return choose_tonight(KIT, YARD, sky, night=date(2026, 10, 18), limit=10)


def test_stays_moon_and_meridian_are_those_of_skyfield(bodies, waxing):
    """Minute by minute with DE421: above skyline and 15°, Sun below −18°, Moon down, transit."""
    from skyfield.api import Star, wgs84

    kernel, scale = bodies
    where = kernel["earth"] + wgs84.latlon(YARD.latitude_deg, YARD.longitude_deg, elevation_m=90)
    start = datetime(2026, 10, 18, 12, tzinfo=UTC)
    minutes = [start + timedelta(minutes=m) for m in range(1440)]
    seen = where.at(scale.from_datetimes(minutes))
    sun = seen.observe(kernel["sun"]).apparent().altaz()[0].degrees
    moon = seen.observe(kernel["moon"]).apparent().altaz()[0].degrees
    for candidate in waxing.objects[:6]:
        obj, reach = candidate.object, candidate.reachable
        star = Star(ra_hours=obj.ra_deg / 15, dec_degrees=obj.dec_deg)
        place = seen.observe(star).apparent()
        alt, az, _ = place.altaz()
        up = (sun < -18) & (alt.degrees >= np.maximum(YARD.horizon_alt_deg(az.degrees), 15.0))
        if reach.blocked_minutes == 0:
            assert reach.minutes_up == pytest.approx(up.sum(), abs=12)
            assert reach.moonless_minutes == pytest.approx((up & (moon < -0.8)).sum(), abs=16)
        at = minutes.index(reach.best_time.replace(second=0, microsecond=0))
        assert up[at]
        first = at - int(np.argmin(up[at::-1])) + 1 if not up[: at + 1].all() else 0
        assert abs((minutes[first] - reach.up_from).total_seconds()) <= 660
        if reach.meridian is not None:
            hour = place.hadec()[0].hours[minutes.index(reach.meridian.replace(second=0))]
            assert min(abs(hour), abs(abs(hour) - 12)) < 0.05


def test_a_long_tube_changes_sides_and_loses_time_at_the_tripod(sky):
    """Common practice, no source: near the zenith a long tube meets the legs."""
    asked = Wanted.of(constellations=["And", "Cas", "Per"])
    night = date(2026, 10, 10)

    def listed(**stand):
        kit = KIT.model_copy(update={"stand": Stand(**stand)})
        choice = choose_tonight(kit, YARD, sky, night=night, limit=8, wanted=asked)
        return {c.object.id: c.reachable for c in choice.objects}

    usual = listed()
    turned = [r for r in usual.values() if r.change_by is not None]
    assert turned
    for reach in turned:
        assert reach.up_from <= reach.change_by <= reach.up_to
        # a short tube follows past the meridian before it must change
        assert reach.meridian is None or reach.change_by > reach.meridian
        assert "change sides of the mount by" in reach.text
    other = listed(form="other")
    assert all(r.change_by is None and r.blocked_minutes == 0 for r in other.values())
    # legs to the west and south-east, and a tube that reaches them on either side
    long = listed(tube_behind_mm=900.0, leg_azimuth_deg=30.0, leg_spread_deg=20.0,
                  head_above_mm=150.0, tube_diameter_mm=220.0)  # fmt: skip
    blocked = [r for r in long.values() if r.blocked_minutes > 0]
    assert blocked
    assert all("on either side" in r.text for r in blocked)


def test_a_mount_without_a_motor_is_not_told_to_change_sides(sky):
    still = KIT.model_copy(update={"mount": KIT.mount.model_copy(update={"driven": "none"})})
    choice = choose_tonight(still, YARD, sky, night=date(2026, 10, 10), limit=5)
    assert all(c.reachable.change_by is None for c in choice.objects)


@pytest.mark.parametrize(
    ("legs", "anchor", "mag", "words"),
    [
        (1, "Vega", 0.0, "easy"),
        (4, "Vega", 2.0, "easy"),
        (4, "a star", 4.5, "fair"),
        (8, "Vega", 0.0, "fair"),
        (12, "Vega", 0.0, "hard"),
        (None, None, None, "none"),
        (None, "Vega", 0.0, "easy"),
    ],
)
def test_hops_are_easy_fair_or_hard(legs, anchor, mag, words):
    assert hop_difficulty(HopSummary(legs, anchor), mag) == words


def moments(site, night):
    window = darkest_window(site_night(site, night))
    times = moments_between(*window)
    return times, (window[1] - window[0]).total_seconds() / 60 / len(times)


def test_two_hours_of_a_dark_night_are_worth_two_hours():
    times, step = moments(YARD, date(2026, 12, 9))
    best = best_moments(np.array([83.8]), np.array([20.0]), times, step, site=YARD)
    assert best.session_min[0] == pytest.approx(120.0, abs=4.0)


def test_twilight_is_worth_minutes_only():
    """Sun from −6° down to −7° and up again: Patat et al. 2006 have it 1.5 mag a degree there."""
    north = YARD.model_copy(update={"latitude_deg": 60.0, "horizon": ()})
    times, step = moments(north, date(2026, 6, 21))
    best = best_moments(np.array([270.0]), np.array([50.0]), times, step, site=north)
    assert best.minutes_up[0] > 60
    assert best.session_min[0] < 0.9 * min(120.0, best.minutes_up[0])
    assert best.sky_mag_arcsec2[0] < 15.0


def test_an_uneven_sky_caps_what_time_can_do():
    """Noise that does not average out: total S/N runs up to the cap and no further."""
    assert capped_snr(1e9, 25.0) == pytest.approx(25.0)
    assert capped_snr(1.0, 25.0) == pytest.approx(1.0, rel=1e-3)
    goal = float(wanted_of_photons(20.0, 25.0))
    assert capped_snr(goal, 25.0) == pytest.approx(20.0)
    assert np.isinf(wanted_of_photons(30.0, 25.0))
    # a glow a hundredth as bright as the sky is known to a fifth at best
    assert pytest.approx(0.01 / 5.0) == UNEVEN_SHARE


def test_midsummer_at_sixty_degrees_offers_stars_and_says_why(sky):
    north = YARD.model_copy(
        update={"latitude_deg": 60.0, "longitude_deg": 25.0, "timezone": "Europe/Helsinki",
                "horizon": ()}
    )  # fmt: skip
    choice = choose_tonight(KIT, north, sky, night=date(2026, 6, 21), limit=15)
    assert "mag brighter than on a dark night" in choice.note
    assert "only double stars and the brightest small objects" in choice.note
    kinds = [c.object.kind for c in choice.objects]
    assert kinds[:6].count("double star") >= 2
    assert not {"galaxy", "emission nebula", "reflection nebula"} & set(kinds)
    dark = choose_tonight(KIT, north, sky, night=date(2026, 10, 10), limit=15)
    assert choice.objects[0].score < 0.75 < dark.objects[0].score


def test_the_southern_twin_gets_southern_objects(sky):
    """Common practice, no source: what an observer at 34° south names in May."""
    choice = choose_tonight(KIT, FLAT, sky, night=date(2027, 5, 5), limit=25)
    names = {c.object.name for c in choice.objects} | {
        name for c in choice.objects for name in c.object.common_names
    }
    assert names & {"NGC 5139", "NGC 104", "NGC 4755", "NGC 3918", "NGC 6397", "NGC 6752"}
    assert np.mean([c.object.dec_deg < 0 for c in choice.objects]) > 0.7
    high = [c for c in choice.objects if c.reachable.altitude_deg > 60]
    assert high


@pytest.mark.parametrize("day", range(1, 31, 3))
def test_the_moonless_window_is_dark_and_without_the_moon(bodies, day):
    """Sampled with DE421 over a month of phases: inside it no Moon, and as long as there is."""
    from skyfield.api import wgs84

    kernel, scale = bodies
    night = site_night(YARD, date(2026, 10, day))
    found = moonless_window(night)
    where = kernel["earth"] + wgs84.latlon(YARD.latitude_deg, YARD.longitude_deg, elevation_m=90)
    times = [night.start + timedelta(minutes=m) for m in range(0, 900, 5)]
    times = [t for t in times if night.dark_from <= t <= night.dark_to]
    seen = where.at(scale.from_datetimes(times))
    down = seen.observe(kernel["moon"]).apparent().altaz()[0].degrees < -0.82
    if found is None:
        assert down.sum() <= 3
        return
    inside = np.array([found[0] <= t <= found[1] for t in times])
    assert down[inside].mean() > 0.97
    assert (down & ~inside).sum() <= inside.sum() + 2
    assert night.dark_from <= found[0] < found[1] <= night.dark_to
