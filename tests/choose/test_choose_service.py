"""A night's choice on the real sky: contract, common sense, and outside checks."""

from __future__ import annotations

from datetime import UTC, date

import astropy.units as u
import numpy as np
import pytest
from astropy.coordinates import AltAz, EarthLocation, SkyCoord, get_constellation
from astropy.time import Time
from astropy.utils import iers

from slowglass.choose.service import choose_tonight, moon_words
from slowglass.documents import document, to_text
from slowglass.errors import UsageError
from slowglass.expose.conditions import conditions_at
from slowglass.expose.evening import best_stand
from slowglass.expose.plan import plan_exposure
from slowglass.find.hour import site_night
from slowglass.find.service import find_route
from slowglass.kit.io import load_kit, load_site

KIT = load_kit("long 102")
YARD, FLAT = load_site("Fig Tree Yard"), load_site("Karri Flat")
NIGHT = date(2026, 10, 10)  # new Moon


@pytest.fixture(scope="module")
def whole(sky):
    """The whole list from the yard on the demo night."""
    return choose_tonight(KIT, YARD, sky, night=NIGHT, limit=5000)


@pytest.fixture(scope="module")
def by_name(whole):
    return {c.object.name: c for c in whole.objects}


def test_the_document_has_the_agreed_fields(sky):
    found = document(choose_tonight(KIT, YARD, sky, night=NIGHT, limit=5))
    assert found["night"] == "2026-10-10"
    assert found["dark_from"].endswith("Z") and found["dark_from"] < found["dark_to"]
    assert found["moon"].keys() >= {"illuminated_fraction", "rises", "sets"}
    assert len(found["objects"]) == 5
    agreed = {
        "fits": {"answer", "fraction", "angle_deg", "text"},
        "shows": {"answer", "snr_single", "snr_total", "minutes_to_target_snr", "text"},
        "holds": {"answer", "keeper_fraction", "hold_time_s", "text"},
        "reachable": {"answer", "best_time", "altitude_deg", "minutes_up", "hop_legs", "text"},
    }
    for thing in found["objects"]:
        assert {"id", "name", "type", "ra_deg", "dec_deg", "score", "reason"} <= thing.keys()
        for question, keys in agreed.items():
            assert keys <= thing[question].keys()
            assert thing[question]["answer"] in {"yes", "barely", "no"}
    assert "NaN" not in to_text(found)


def test_scores_fall_and_stay_in_range(whole):
    scores = [c.score for c in whole.objects]
    assert scores == sorted(scores, reverse=True)
    assert min(scores) >= 0.0
    assert max(scores) <= 1.0


# Common practice: small bright planetaries, globulars and compact clusters suit a slow small
# telescope; large faint nebulae and most galaxies do not.
@pytest.mark.parametrize(
    "name", ["M15", "M11", "M76", "NGC 7662", "NGC 6543", "M82", "NGC 457", "M57", "M13"]
)
def test_small_bright_things_beat_large_faint_ones(by_name, whole, name):
    rank = {c.object.name: i for i, c in enumerate(whole.objects)}
    for poor in ("NGC 7000", "NGC 1499", "M33", "NGC 6960", "NGC 7293", "M31", "NGC 891"):
        assert rank[name] < rank[poor]
    best = by_name[name]
    assert best.fits.answer == best.shows.answer == best.holds.answer == "yes"


# What an experienced observer with a slow 10 cm telescope names for an October evening at 44° N
# (common practice, no source).
SHOWPIECES = (
    "M57", "M13", "M15", "M11", "M27", "M76", "M71", "M2", "NGC 7662", "NGC 6543",
    "NGC 457", "NGC 6826", "NGC 7009",
)  # fmt: skip


def test_showpieces_come_first(whole):
    first = [c.object.name for c in whole.objects[:35]]
    assert set(SHOWPIECES) <= set(first)
    # a bright star with company, and winter's best at the end of the night, do not
    rank = {c.object.name: i for i, c in enumerate(whole.objects)}
    # high only toward morning, and far from any bright star
    assert rank["M82"] < 90
    assert rank["NGC 1980"] > 100 and rank["NGC 2392"] > 40


def test_the_great_winter_nebula_leads_in_winter(sky):
    choice = choose_tonight(KIT, YARD, sky, night=date(2027, 1, 8), limit=15)
    nebula = {c.object.name: c for c in choice.objects}["M42"]
    assert "bright core" in nebula.fits.text
    assert "of its nebula:" in nebula.shows.text


@pytest.mark.parametrize("name", ["NGC 7000", "NGC 1499", "M31", "M45"])
def test_what_has_no_bright_core_does_not_fit(by_name, name):
    """Common practice at f = 1250 to 1300 mm and 22 to 23 mm of sensor; sizes from OpenNGC."""
    assert by_name[name].fits.answer == "no"


def test_a_late_object_says_from_when_on(by_name):
    """NGC 2392 (α 7h29m) on 2026-10-10: astropy has it at 41° at 02:40 UTC, 58° at 04:25."""
    late = by_name["NGC 2392"]
    assert "well placed only from 04:" in late.reason
    assert "well placed only" not in by_name["M57"].reason


def test_the_list_and_the_plan_take_the_same_moment_and_window(whole):
    for candidate in whole.objects[:40:8]:
        obj, reach = candidate.object, candidate.reachable
        stand = best_stand(YARD, obj.ra_deg, obj.dec_deg, NIGHT)
        assert abs((stand.when - reach.best_time).total_seconds()) <= 600
        assert stand.minutes_up == pytest.approx(reach.minutes_up, abs=11)


def test_a_bright_core_shortens_the_exposure_as_in_the_plan(sky):
    """NGC 7027 at f/2 under a dark sky on a mount that holds: the well is the limit."""
    kit = KIT.model_copy(
        update={
            "optics": KIT.optics.model_copy(update={"focal_length_mm": 204.0}),
            "camera": KIT.camera.model_copy(update={"full_well_e": 6000.0}),
            "mount": KIT.mount.model_copy(
                update={"periodic_error_arcsec": 0.0, "polar_error_arcmin": 0.0}
            ),
        }
    )
    choice = choose_tonight(kit, YARD, sky, night=NIGHT, limit=2000)
    found = {c.object.name: c for c in choice.objects}["NGC 7027"]
    when = conditions_at(YARD, found.object.ra_deg, found.object.dec_deg, found.reachable.best_time)
    plan = plan_exposure(kit, YARD, found.object, seconds=10.0, conditions=when)
    assert plan.limit == "saturation"
    assert found.shows.exposure_s == plan.suggested_s


def test_the_low_galaxy_of_the_south_is_marked_hard_to_reach(by_name):
    # declination −25° culminates at 21° from 44° north
    low = by_name["NGC 253"]
    assert low.reachable.answer == "barely"
    assert low.reachable.altitude_deg < 22
    assert "stays low" in low.reason


def test_the_best_ten_are_of_the_kinds_that_suit(whole):
    # and a bright galaxy at most: M82 or M81
    kinds = [c.object.kind for c in whole.objects[:10]]
    suited = {"planetary nebula", "globular cluster", "open cluster"}
    assert sum(kind in suited for kind in kinds) >= 9


def test_nothing_that_is_no_object_is_offered(whole):
    kinds = {c.object.kind for c in whole.objects}
    assert not kinds & {"star", "nova", "other", "dark nebula"}
    # doubles come from the star catalogue, with a separation, not from entries without one
    assert all(c.object.major_arcmin for c in whole.objects if c.object.kind == "double star")
    assert whole.considered > 3000


def test_best_moments_are_dark_high_and_clear_of_the_skyline(whole):
    """Altitudes and azimuths by astropy at the moments offered."""
    some = whole.objects[:60:4]
    where = EarthLocation(lat=44.2 * u.deg, lon=0.62 * u.deg, height=90 * u.m)
    with iers.conf.set_temp("auto_download", False), iers.conf.set_temp("auto_max_age", None):
        times = Time([c.reachable.best_time.replace(tzinfo=None) for c in some])
        places = SkyCoord(
            [c.object.ra_deg for c in some] * u.deg, [c.object.dec_deg for c in some] * u.deg
        )
        seen = places.transform_to(AltAz(obstime=times, location=where))
    for candidate, alt, az in zip(some, seen.alt.deg, seen.az.deg, strict=True):
        reach = candidate.reachable
        # refraction lifts by under 0.06° at 15° and above
        assert reach.altitude_deg == pytest.approx(alt, abs=0.08)
        assert alt > YARD.horizon_alt_deg(az)
        assert whole.dark_from <= reach.best_time <= whole.dark_to
        assert reach.best_time.tzinfo == UTC


def test_constellations_agree_with_astropy(whole):
    """Boundaries by Roman 1987 through astropy (catalogue entries near a border aside)."""
    some = whole.objects[:200]
    places = SkyCoord(
        [c.object.ra_deg for c in some] * u.deg, [c.object.dec_deg for c in some] * u.deg
    )
    short = get_constellation(places, short_name=True)
    same = [c.object.constellation[:3] == s for c, s in zip(some, short, strict=True)]
    assert np.mean(same) > 0.97


def test_hops_at_the_top_are_the_real_ones(sky, whole):
    top = whole.objects[0]
    assert not top.reachable.hop_is_estimate
    route = find_route(KIT, YARD, sky, top.object.id, when=top.reachable.best_time)
    assert top.reachable.hop_legs == len(route.legs)
    assert top.reachable.anchor == route.anchor
    assert "estimate" in whole.objects[-1].reachable.text


def test_a_full_moon_costs_signal_to_noise(sky, by_name):
    moonlit = choose_tonight(KIT, YARD, sky, night=date(2026, 10, 26), limit=600)
    assert moonlit.moon.illuminated_fraction > 0.97
    # full Moon: up from before sunset to after sunrise (skyfield, DE421)
    assert moonlit.moon.text == "up all night"
    there = {c.object.name: c for c in moonlit.objects}
    # the frames are limited by read noise and by the nebula itself: the Moon takes a sixth
    assert there["M27"].shows.snr_total < 0.9 * by_name["M27"].shows.snr_total
    assert any("Moon brightens" in c.reason for c in moonlit.objects[:200])


@pytest.mark.parametrize(
    ("night", "site", "text"),
    [
        # skyfield, DE421: sets 23:27:50Z; rises 12:05:23Z at the southern site
        (date(2026, 6, 20), YARD, "up until 01:27"),
        (date(2026, 12, 24), FLAT, "up from 20:05"),
        (NIGHT, YARD, "down all night"),
    ],
)
def test_the_moon_in_words(night, site, text):
    assert moon_words(site_night(site, night), site.timezone) == text


def test_the_southern_site_sees_the_southern_sky(sky):
    choice = choose_tonight(KIT, FLAT, sky, night=date(2026, 6, 15), limit=60)
    names = {c.object.name for c in choice.objects}
    assert names & {"NGC 104", "NGC 5139", "NGC 3532", "NGC 6397", "NGC 6231"}
    assert np.median([c.object.dec_deg for c in choice.objects]) < 0
    assert not any(c.object.dec_deg > 55.5 for c in choice.objects)


def test_light_nights_are_planned_in_twilight_and_say_so(sky):
    north = YARD.model_copy(
        update={"latitude_deg": 58.0, "longitude_deg": 15.0, "timezone": "Europe/Stockholm"}
    )
    summer = choose_tonight(KIT, north, sky, night=date(2026, 6, 21), limit=5)
    assert summer.objects
    assert "does not get fully dark" in summer.note
    assert "only the brightest stars" in summer.note
    winter = choose_tonight(KIT, north, sky, night=date(2026, 12, 10), limit=500)
    assert winter.note == ""
    bright = {c.object.name: c.shows.snr_single for c in summer.objects}
    dark = {c.object.name: c.shows.snr_single for c in winter.objects}
    for name in bright.keys() & dark.keys():
        assert bright[name] < dark[name]


def test_polar_day_is_an_empty_choice_with_a_reason(sky):
    arctic = YARD.model_copy(update={"latitude_deg": 75.0, "longitude_deg": 15.0})
    choice = choose_tonight(KIT, arctic, sky, night=date(2026, 6, 21))
    assert choice.objects == ()
    assert "never goes 6° below the horizon" in choice.reason
    assert document(choice)["objects"] == []


def test_a_wall_all_round_is_an_empty_choice_with_a_reason(sky):
    cellar = YARD.model_copy(update={"horizon": ((0.0, 90.0), (180.0, 90.0))})
    choice = choose_tonight(KIT, cellar, sky, night=NIGHT)
    assert choice.objects == ()
    assert "clears the skyline" in choice.reason


def test_a_better_mount_raises_what_needs_long_exposures(sky, by_name):
    smooth = KIT.mount.model_copy(update={"periodic_error_arcsec": 1.0, "polar_error_arcmin": 1.0})
    better = choose_tonight(
        KIT.model_copy(update={"mount": smooth}), YARD, sky, night=NIGHT, limit=5000
    )
    galaxy = {c.object.name: c for c in better.objects}["NGC 891"]
    assert galaxy.holds.hold_time_s > 3 * by_name["NGC 891"].holds.hold_time_s
    assert galaxy.score > by_name["NGC 891"].score


def test_progress_is_told_and_the_limit_kept(sky):
    told: list[tuple[str, int, int]] = []
    choice = choose_tonight(
        KIT, YARD, sky, night=NIGHT, limit=3, report=lambda *step: told.append(step)
    )
    assert len(choice.objects) == 3
    assert told[-1][1] == told[-1][2]
    with pytest.raises(UsageError, match="no list"):
        choose_tonight(KIT, YARD, sky, night=NIGHT, limit=0)


def test_without_a_date_the_coming_night_is_meant(sky):
    choice = choose_tonight(KIT, YARD, sky, limit=1)
    assert choice.night is not None
