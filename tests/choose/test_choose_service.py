"""A night's choice on the real sky: contract, common sense, and outside checks."""

from __future__ import annotations

from datetime import UTC, date

import astropy.units as u
import numpy as np
import pytest
from astropy.coordinates import AltAz, EarthLocation, SkyCoord, get_constellation
from astropy.time import Time
from astropy.utils import iers

from slowglass.choose.service import choose_tonight
from slowglass.documents import document, to_text
from slowglass.errors import UsageError
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
    assert found["moon"].keys() == {"illuminated_fraction", "rises", "sets"}
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


def test_the_low_galaxy_of_the_south_is_marked_hard_to_reach(by_name):
    # declination −25° culminates at 21° from 44° north
    low = by_name["NGC 253"]
    assert low.reachable.answer == "barely"
    assert low.reachable.altitude_deg < 22
    assert "stays low" in low.reason


def test_the_best_ten_are_of_the_kinds_that_suit(whole):
    kinds = {c.object.kind for c in whole.objects[:10]}
    assert kinds <= {
        "planetary nebula", "globular cluster", "open cluster", "cluster with nebula"
    }  # fmt: skip


def test_nothing_that_is_no_object_is_offered(whole):
    kinds = {c.object.kind for c in whole.objects}
    assert not kinds & {"star", "double star", "nova", "other", "dark nebula"}
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
    there = {c.object.name: c for c in moonlit.objects}
    # the frames are limited by read noise and by the nebula itself: the Moon takes a sixth
    assert there["M27"].shows.snr_total < 0.9 * by_name["M27"].shows.snr_total
    assert any("Moon brightens" in c.reason for c in moonlit.objects[:200])


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
