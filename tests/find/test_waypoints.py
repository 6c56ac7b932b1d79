"""Recognisable places on invented stars, and how alike they are to their neighbours."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from slowglass.find.alike import likeness_sums
from slowglass.find.limits import limits_under, telescope_limit_mag
from slowglass.find.waypoints import KINDS, MAG_STEP, find_waypoints
from slowglass.kit.io import load_kit
from slowglass.kit.model import Finder
from slowglass.sky.coords import separation_deg, unit_vectors

KIT = load_kit("long 102")


def places_of(stars, field_deg=1.0, reach_deg=0.6):
    ra, dec, mag = (np.array(column, float) for column in zip(*stars, strict=True))
    return find_waypoints(unit_vectors(ra, dec), mag, field_deg=field_deg, reach_deg=reach_deg)


def of_kind(places, kind):
    return [i for i in range(len(places)) if KINDS[places.kind[i]] == kind]


def test_a_lone_pair_is_two_stars_and_a_pair_without_twin():
    places = places_of([(10.0, 0.0, 6.0), (10.15, 0.0, 6.4)])
    assert len(of_kind(places, "star")) == 2
    (pair,) = of_kind(places, "pair")
    assert places.stars_of(pair) == (0, 1)
    assert places.ambiguity[pair] == 0.0
    assert places.lead_mag[pair], places.faint_mag[pair] == pytest.approx((6.0, 6.4))


@pytest.mark.parametrize(
    ("third", "kind"),
    [((10.1, 0.15), "triangle"), ((10.3, 0.06), "kink"), ((10.3, 0.0), "row")],
)
def test_three_stars_are_named_by_their_bend(third, kind):
    places = places_of([(10.0, 0.0, 6.0), (10.15, 0.0, 6.4), (*third, 6.8)])
    assert len(of_kind(places, kind)) == 1


def test_a_knot_of_stars_is_a_group():
    knot = [(10.0 + 0.03 * i, 0.02 * (i % 2), 7.0 + 0.2 * i) for i in range(5)]
    (group,) = of_kind(places_of(knot), "group")
    assert len(places_of(knot).stars_of(group)) == 5


def test_a_twin_in_view_halves_the_certainty_and_one_out_of_view_does_nothing():
    pair = [(10.0, 0.0, 6.0), (10.15, 0.0, 6.4)]
    near = [(ra + 0.4, dec, mag) for ra, dec, mag in pair]
    far = [(ra + 1.4, dec, mag) for ra, dec, mag in pair]
    places = places_of(pair + near)
    first = of_kind(places, "pair")[0]
    # the twin is exact: likeness 1, chance 1 in 2
    assert places.ambiguity[first] == pytest.approx(0.5, abs=0.01)
    places = places_of(pair + far)
    assert places.ambiguity[of_kind(places, "pair")[0]] == pytest.approx(0.0, abs=1e-6)


def test_a_pair_turned_or_fainter_is_told_apart():
    pair = [(10.0, 0.0, 6.0), (10.15, 0.0, 6.4)]
    turned = [(10.4, 0.0, 6.0), (10.4, 0.15, 6.4)]
    fainter = [(10.4, 0.0, 7.5), (10.55, 0.0, 7.9)]
    for other in (turned, fainter):
        places = places_of(pair + other)
        # 4.5 steps of direction, or 3 and 3 of brightness: exp(-½·9) and less
        assert places.ambiguity[of_kind(places, "pair")[0]] < 0.02


def test_a_star_is_judged_by_every_star_in_view():
    places = places_of([(10.0, 0.0, 6.0), (10.3, 0.0, 6.0 + MAG_STEP), (12.0, 0.0, 6.0)])
    # one step fainter: likeness e^(-1/2)
    alike = np.exp(-0.5)
    assert places.ambiguity[0] == pytest.approx(1 - 1 / (1 + alike), abs=1e-3)


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10_000))
def test_likeness_matches_a_sum_by_hand(seed):
    rng = np.random.default_rng(seed)
    ra, dec, traits = rng.uniform(0, 3, 40), rng.uniform(-1, 1, 40), rng.normal(size=(40, 2))
    sums = likeness_sums(unit_vectors(ra, dec), traits, reach_deg=0.6, apart_deg=0.1)
    for i in range(40):
        away = separation_deg(ra[i], dec[i], ra, dec)
        near = (away <= 0.6) & (away > 0.1)
        byhand = np.exp(-0.5 * np.sum((traits - traits[i]) ** 2, axis=1))[near].sum()
        assert sums[i] == pytest.approx(byhand, rel=1e-9, abs=1e-12)


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 10_000))
def test_patterns_are_small_and_their_stars_stand_out(seed):
    rng = np.random.default_rng(seed)
    n = 120
    ra, dec, mag = 100 + rng.uniform(-2, 2, n), 10 + rng.uniform(-2, 2, n), rng.uniform(5, 10, n)
    places = find_waypoints(unit_vectors(ra, dec), mag, field_deg=1.0, reach_deg=0.6)
    assert np.all((places.ambiguity >= 0) & (places.ambiguity < 1))
    for i in range(len(places)):
        who = list(places.stars_of(i))
        assert list(mag[who]) == sorted(mag[who])
        if len(who) > 1:
            apart = separation_deg(
                ra[who][:, None], dec[who][:, None], ra[who][None], dec[who][None]
            )
            assert apart.max() <= 0.4 + 1e-9
            for k in who:
                near = separation_deg(ra[k], dec[k], ra, dec) <= 0.5
                assert np.sum(near & (mag < mag[k])) < 6


@pytest.mark.parametrize(
    ("aperture_mm", "known"),
    # 7.5 + 5 log D (cm) and 2.7 + 5 log D (mm): rules of thumb of the trade, 0.5 mag apart
    [(60, (11.4, 11.6)), (102, (12.5, 12.75)), (150, (13.4, 13.6))],
)
def test_telescope_limits_agree_with_the_rules_of_thumb(aperture_mm, known):
    # at an exit pupil of 2 mm under a fair sky
    ours = telescope_limit_mag(aperture_mm, aperture_mm / 2.0, 21.0)
    assert known[0] - 0.5 <= ours <= known[1] + 0.5


def test_a_bright_sky_costs_the_eye_more_than_the_tube():
    dark, lit = limits_under(KIT, 21.5), limits_under(KIT, 18.0)
    # naked eye after Schaefer (1990): 6.37 and 3.97
    assert dark.eye_mag == pytest.approx(6.37, abs=0.02)
    assert lit.eye_mag == pytest.approx(3.97, abs=0.02)
    assert dark.field_mag - lit.field_mag < dark.eye_mag - lit.eye_mag
    assert dark.finder_mag is None
    finder = KIT.model_copy(update={"finder": Finder(kind="optical", field_deg=6.0)})
    assert 8.5 < limits_under(finder, 20.3).finder_mag < 10.6
