"""Kits and sites at the edges of what their files allow."""

from __future__ import annotations

import math
from datetime import date

import pytest

from slowglass.choose.service import choose_tonight
from slowglass.choose.star_sights import STAR_KINDS
from slowglass.documents import document
from slowglass.expose.plan import star_width_arcsec
from slowglass.expose.tracking import trail_tolerance_arcsec
from slowglass.kit.io import load_kit, load_site
from slowglass.kit.model import Finder

KIT, YARD = load_kit("long 102"), load_site("Fig Tree Yard")


def kit_with(part, **changes):
    return KIT.model_copy(update={part: getattr(KIT, part).model_copy(update=changes)})


def site_with(**changes):
    return YARD.model_copy(update={"horizon": (), **changes})


KITS = {
    "no motor": kit_with("mount", driven="none"),
    "perfect mount": kit_with(
        "mount", periodic_error_arcsec=0.0, polar_error_arcmin=0.0, shake_arcsec=0.0
    ),
    "monochrome": kit_with("camera", bayer=None),
    "no read noise": kit_with("camera", read_noise_e=0.0, dark_e_per_s=0.0),
    "no eyepiece": KIT.model_copy(update={"eyepieces": ()}),
    "optical finder": KIT.model_copy(update={"finder": Finder(kind="optical", field_deg=6.0)}),
    "tiny field": kit_with("optics", focal_length_mm=20000.0, aperture_mm=1000.0),
    "wide field": kit_with("optics", focal_length_mm=50.0, aperture_mm=25.0),
}
SITES = {
    "north pole": site_with(latitude_deg=90.0),
    "south pole": site_with(latitude_deg=-90.0),
    "equator": site_with(latitude_deg=0.0),
    "bright sky": site_with(sky_mag_arcsec2=15.0),
    "far east": site_with(longitude_deg=180.0, timezone="Pacific/Auckland"),
}


def sane(choice):
    for thing in choice.objects:
        assert 0.0 <= thing.score <= 1.0
        assert math.isfinite(thing.shows.snr_total)
        assert 0.0 <= thing.holds.keeper_fraction <= 1.0
        assert thing.reason
        assert " nan" not in thing.reason.lower()
        for answer in (thing.fits, thing.shows, thing.holds, thing.reachable):
            assert answer.answer in {"yes", "barely", "no"}
            assert "nan" not in answer.text.lower()
            assert "inf" not in answer.text.lower()
    document(choice)


@pytest.mark.parametrize("name", KITS)
def test_any_kit_gets_a_list(sky, name):
    choice = choose_tonight(KITS[name], YARD, sky, night=date(2026, 10, 10), limit=2)
    assert choice.objects
    sane(choice)


@pytest.mark.parametrize(
    ("name", "night"),
    [(name, date(2026, 12, 20)) for name in SITES] + [("north pole", date(2027, 6, 20))],
)
def test_any_site_gets_a_list_or_a_reason(sky, name, night):
    choice = choose_tonight(KIT, SITES[name], sky, night=night, limit=2)
    assert choice.objects or choice.reason
    sane(choice)


def test_without_a_motor_stars_trail_at_15_arcsec_a_second(sky):
    """Sky motion 15.041″/s · cos δ (sidereal day 86164.09 s) against the trail tolerated."""
    choice = choose_tonight(KITS["no motor"], YARD, sky, night=date(2026, 10, 10), limit=20)
    tolerance = trail_tolerance_arcsec(star_width_arcsec(KIT, YARD))
    for thing in choice.objects:
        speed = 15.041 * math.cos(math.radians(thing.object.dec_deg))
        assert thing.holds.hold_time_s == pytest.approx(tolerance / speed, rel=0.02)
        # a bright double needs no longer exposure than that
        short = thing.object.kind in STAR_KINDS and thing.shows.exposure_s < 0.6
        assert thing.holds.answer != "yes" or thing.object.dec_deg > 75 or short


@pytest.mark.parametrize("night", [date(1995, 3, 1), date(2060, 3, 1)])
def test_nights_long_past_and_far_ahead(sky, night):
    choice = choose_tonight(KIT, YARD, sky, night=night, limit=3)
    assert choice.objects
    sane(choice)


def test_names_ask_for_just_those_objects(sky):
    from datetime import date

    from slowglass.workbench import Workbench

    bench = Workbench.open(kit="long 102", site="Fig Tree Yard")
    choice = bench.choose(night=date(2026, 10, 10), names=["M15", "NGC7662"], limit=5)
    assert {c.object.id for c in choice.objects} == {"NGC7078", "NGC7662"}
    none = bench.choose(night=date(2026, 10, 10), names=["M7"], limit=5)
    assert none.objects == ()
    assert "M7" in none.reason
