"""Signal to noise of bright parts: published rates, scaling laws, and the exposure plan."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from slowglass.choose.light import (
    BrightPart,
    bright_part,
    light_in_stars,
    member_count,
    parts_to_see,
    shape_of,
    typical_bright_part,
)
from slowglass.choose.visibility import (
    answer_for,
    light_rates,
    minutes_to_snr,
    single_snr,
    total_snr,
)
from slowglass.expose.conditions import conditions_at_altitude
from slowglass.expose.plan import plan_exposure, star_width_arcsec
from slowglass.expose.profile import believable_mag, object_model
from slowglass.kit.io import load_kit, load_site

KIT, YARD = load_kit("long 102"), load_site("Fig Tree Yard")
MONO = KIT.model_copy(update={"camera": KIT.camera.model_copy(update={"bayer": None})})


def surface(mag_arcsec2, axis_arcmin=10.0, light=0.65):
    axis = np.array([axis_arcmin])
    return BrightPart(light, axis, axis, np.array([mag_arcsec2]))


def rates(part, *, sky=20.3, airmass=1.0, kit=KIT, extinction=0.25):
    n = len(part.axis_arcmin)
    return light_rates(
        part,
        sky_mag_arcsec2=np.full(n, sky),
        airmass=np.full(n, airmass),
        extinction_mag=extinction,
        fwhm_arcsec=star_width_arcsec(kit, YARD),
        kit=kit,
    )


def test_one_magnitude_fainter_is_2_512_times_less_signal():
    bright, faint = (rates(surface(m)).signal_e_s[0] for m in (20.0, 21.0))
    assert bright / faint == pytest.approx(10**0.4, rel=1e-6)


def test_air_dims_green_light_by_the_extinction():
    one, three = (rates(surface(20.0), airmass=x, kit=MONO).signal_e_s[0] for x in (1.0, 3.0))
    # white light at 545 nm: 0.25 mag per air mass over two air masses
    assert -2.5 * np.log10(three / one) == pytest.approx(0.5, abs=1e-6)


def test_a_surface_gives_the_published_photon_count():
    """Against F0·Δλ·10^(−0.4µ)·A·s²·QE·T with F0 = 996.2 photon s⁻¹ cm⁻² Å⁻¹ at V = 0.

    Bessell, Castelli & Plez 1998; white band 2400 Å wide; 102 mm less a 32 % obstruction.
    """
    got = rates(surface(21.0), kit=MONO, airmass=0.0)
    area = np.pi / 4 * 10.2**2 * (1 - 0.32**2)
    scale = 206.264806 * 3.9 / 1300
    expected = 996.2 * 2400 * 10 ** (-0.4 * 21) * area * scale**2 * 0.5 * 0.85
    # 10′ of surface, so smearing over the star image takes under 1 %
    assert got.signal_e_s[0] / got.pixels == pytest.approx(expected, rel=0.01)


def test_an_object_smaller_than_a_star_image_is_smeared_over_it():
    disc, speck = rates(surface(15.0, 1.0)), rates(surface(15.0, 0.02))
    assert speck.signal_e_s[0] < 0.2 * disc.signal_e_s[0]


@given(st.floats(0.5, 300.0), st.floats(14, 24))
def test_signal_to_noise_grows_with_time_and_falls_with_sky(seconds, mag):
    dark, bright = rates(surface(mag), sky=21.5), rates(surface(mag), sky=18.5)
    assert single_snr(dark, 2 * seconds)[0] > single_snr(dark, seconds)[0]
    assert single_snr(dark, seconds)[0] > single_snr(bright, seconds)[0]


def test_the_total_grows_as_the_root_of_the_keepers():
    once = total_snr(4.0, 28.0, 1.0, 60.0)
    assert once == pytest.approx(4.0 * np.sqrt(120))
    assert total_snr(4.0, 28.0, 0.25, 60.0) == pytest.approx(once / 2)


def test_minutes_to_a_target_and_back():
    minutes = float(minutes_to_snr(2.0, 28.0, 0.8, wanted_snr=20.0))
    assert minutes == pytest.approx(100 / 0.8 * 30 / 60)
    assert total_snr(2.0, 28.0, 0.8, minutes) == pytest.approx(20.0, rel=0.01)
    assert np.isinf(minutes_to_snr(0.0, 28.0, 0.8))


@pytest.mark.parametrize(("snr", "answer"), [(30, "yes"), (10, "yes"), (5, "barely"), (2, "no")])
def test_answers(snr, answer):
    assert answer_for(snr) == answer


@pytest.mark.parametrize("name", ["M15", "M57", "NGC 7027", "M82", "M11", "M42", "NGC 676"])
def test_agrees_with_the_exposure_plan(sky, name):
    """The list and the plan must not tell two stories about the same frame."""
    obj = sky.objects.get(name)
    conditions = conditions_at_altitude(YARD, 60.0)
    plan = plan_exposure(KIT, YARD, obj, seconds=30.0, conditions=conditions)
    mine = light_rates(
        bright_part(obj.kind, object_model(obj)),
        sky_mag_arcsec2=np.array([conditions.sky_mag_arcsec2]),
        airmass=np.array([conditions.airmass]),
        extinction_mag=conditions.extinction_mag,
        fwhm_arcsec=star_width_arcsec(KIT, YARD),
        kit=KIT,
    )
    assert single_snr(mine, 30.0)[0] == pytest.approx(plan.snr, rel=0.01)


@pytest.mark.parametrize("name", ["M15", "M13", "M57", "M27", "M82", "M31", "M77", "NGC 457"])
def test_typical_bright_parts_are_near_the_model(sky, name):
    obj = sky.objects.get(name)
    exact = bright_part(obj.kind, object_model(obj))
    minor = obj.minor_arcmin or obj.major_arcmin
    quick = typical_bright_part(
        obj.kind, np.array([obj.mag]), np.array([obj.major_arcmin]), np.array([minor])
    )
    assert exact is not None
    if exact.stars_mag is not None:
        assert quick.stars_mag == pytest.approx(exact.stars_mag)
    else:
        # the sift only has to pick the right few dozen: 0.8 mag is a place or two on the list
        assert quick.mag_arcsec2 == pytest.approx(exact.mag_arcsec2, abs=0.8)


def test_kinds_that_are_no_object_are_left_out():
    for kind in ("star", "double star", "nova", "other", "dark nebula"):
        assert shape_of(kind) is None
    assert shape_of("globular cluster") == "globular"


def test_a_magnitude_of_a_star_in_front_is_not_believed():
    # 9.4 mag in 2.75′ × 0.69′ would average 18.7 mag/arcsec²; edge-on spirals average 21 to 22
    assert float(believable_mag("galaxy", 9.4, 2.75, 0.69)) > 11.0
    assert float(believable_mag("galaxy", 8.4, 10.99, 5.11)) == 8.4


def members_of(sky, name):
    obj = sky.objects.get(name)
    return member_count(
        sky.stars,
        ra_deg=obj.ra_deg,
        dec_deg=obj.dec_deg,
        major_arcmin=obj.major_arcmin,
        mag=obj.mag,
        light_in_stars=light_in_stars(obj.kind),
    )


def test_rich_clusters_have_more_members_than_a_bright_star_with_company(sky):
    """M11 and M37 are Trumpler's richness r, M34 m, NGC 1980 (ι Orionis and its company) p."""
    rich, medium = ("M11", "M37", "NGC 7789"), ("M34", "M39", "NGC 869")
    assert min(members_of(sky, name) for name in rich) > 50
    assert all(10 < members_of(sky, name) < 50 for name in medium)
    assert members_of(sky, "NGC 1980") < 10


def test_members_too_faint_for_one_exposure_count_less():
    part = typical_bright_part("open cluster", *(np.array([v, v]) for v in (9.4, 2.1, 2.1)))
    axes = np.array([2.1, 2.1])
    seen = parts_to_see(
        part, np.array([50.0, 1.5]), major_arcmin=axes, minor_arcmin=axes, fwhm_arcsec=3.5,
        members=np.array([80.0, 80.0]),
    )  # fmt: skip
    assert seen[0] == 80.0
    # 15 against 1.5 is 2.5 mag: 10^(0.2 · 2.5) fewer
    assert seen[1] == pytest.approx(80.0 / 10**0.5)
