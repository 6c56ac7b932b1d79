"""Doubles and red stars found in the catalogue, against what handbooks print of them."""

from datetime import date

import numpy as np
import pytest

from slowglass.choose.filters import Wanted
from slowglass.choose.service import choose_tonight
from slowglass.choose.star_detail import star_sight_score
from slowglass.choose.star_sights import DOUBLE, RED, star_sights
from slowglass.kit.io import load_kit, load_site
from slowglass.sky.constellations import constellations_at

KIT, YARD, FLAT = load_kit("long 102"), load_site("Fig Tree Yard"), load_site("Karri Flat")


@pytest.fixture(scope="module")
def sights(sky):
    return star_sights(sky.stars)


@pytest.fixture(scope="module")
def by_hip(sky, sights):
    hips = sky.stars.column("hip")[sights.row].tolist()
    return {hip: i for i, hip in enumerate(hips) if hip}


# HIP, separation ″, position angle °, magnitudes: as double star handbooks print them for our
# years (from memory; orbits move the closest by a degree or so a year)
@pytest.mark.parametrize(
    ("hip", "apart", "angle", "first", "second"),
    [
        (95947, 34.6, 54, 3.1, 5.1),  # β Cyg
        (65378, 14.4, 153, 2.2, 3.9),  # ζ UMa
        (63125, 19.3, 229, 2.9, 5.6),  # α2 CVn
        (9640, 9.6, 63, 2.2, 5.0),  # γ And
        (36850, 5.2, 53, 1.9, 3.0),  # α Gem
        (102532, 8.9, 265, 4.3, 5.1),  # γ Del
    ],
)
def test_famous_doubles_are_as_printed(sights, by_hip, hip, apart, angle, first, second):
    i = by_hip[hip]
    assert sights.kind[i] == DOUBLE
    assert sights.separation_arcsec[i] == pytest.approx(apart, abs=0.4)
    # γ Del's companion has turned by ten degrees since its first measures
    assert abs((sights.angle_deg[i] - angle + 180) % 360 - 180) < 11
    assert sights.mag[i] == pytest.approx(first, abs=0.4)
    assert sights.second_mag[i] == pytest.approx(second, abs=0.4)


def test_pairs_are_what_was_asked_for(sights):
    pairs = sights.kind == DOUBLE
    assert 300 < pairs.sum() < 1500
    assert np.all(sights.mag[pairs] <= sights.second_mag[pairs])
    assert np.all((sights.separation_arcsec[pairs] >= 3) & (sights.separation_arcsec[pairs] <= 60))
    assert len(set(sights.row.tolist())) >= len(sights) - 2
    assert list(sights.constellation) == constellations_at(sights.ra_deg, sights.dec_deg)


def test_pairs_equal_a_search_round_each_star(sky, sights):
    """The shifted comparison finds what cones round some bright stars find."""
    found = {int(row) for row in sights.row[sights.kind == DOUBLE]}
    bright = np.flatnonzero(np.asarray(sky.stars.column("v_mag")) <= 5.0)[::11]
    for row in bright.tolist():
        ra, dec = (float(sky.stars.column(n)[row]) for n in ("ra_deg", "dec_deg"))
        mag = float(sky.stars.column("v_mag")[row])
        near = sky.stars.cone(ra, dec, 60 / 3600)
        away = np.hypot((near.ra_deg - ra) * np.cos(np.radians(dec)), near.dec_deg - dec) * 3600
        faint = near.v_mag[(away >= 3.0) & (away < 59.9)]
        fits = faint[(faint > mag) & (faint <= min(9.0, mag + 4.5))]
        assert len(fits) == 0 or row in found


def test_red_stars_are_the_known_ones(sights, by_hip):
    """μ Cep (HIP 107259) is red by eye; the reddest naked-eye star of its kind."""
    assert sights.kind[by_hip[107259]] == RED
    assert np.all(sights.bv[sights.kind == RED] >= 2.0)


def test_some_of_the_known_bound_pairs_are_seen_to_move_together(sights, by_hip):
    """61 Cyg (HIP 104214, 5.2″ a year) and α Cen: bound, by every handbook."""
    assert sights.together[by_hip[104214]]
    assert sights.together[by_hip[71683]]
    assert not sights.together[by_hip[95947]]


def score(apart, first=4.0, second=5.0, colours=(0.5, 0.5), fwhm=3.3):
    values = [np.array([v]) for v in (first, colours[0], second, colours[1], apart)]
    kind = np.array([DOUBLE])
    return float(star_sight_score(kind, *values, companion=np.array([100.0]), fwhm_arcsec=fwhm)[0])


def test_a_pair_wins_by_room_light_and_colour():
    assert score(2.5) == 0.0  # closer than its stars are wide
    assert 0 < score(5.0) < score(10.0)
    assert score(10.0, second=8.0) < score(10.0)
    assert score(20.0) < score(20.0, colours=(1.2, 0.0))
    assert score(5.0) < score(5.0, fwhm=1.8)  # better air splits closer pairs
    assert score(60.0, colours=(1.5, 0.0)) <= 0.85


def test_doubles_of_an_evening_lead_with_the_showpiece(sky):
    doubles = Wanted.of(kinds=["double"])
    choice = choose_tonight(KIT, YARD, sky, night=date(2026, 10, 10), limit=8, wanted=doubles)
    first = choice.objects[0]
    assert first.object.name == "Albireo"
    assert "orange and blue" in first.reason
    assert first.shows.exposure_s < 5.0
    assert "fills its pixels" in first.shows.text
    assert first.reachable.difficulty == "easy"
    path = next(c for c in choice.objects if c.object.id == "HIP 104214")
    assert "on one path through space" in path.reason
    assert "on one path" not in first.reason
    south = choose_tonight(KIT, FLAT, sky, night=date(2027, 5, 5), limit=8, wanted=doubles)
    assert "Rigil Kentaurus" in {c.object.name for c in south.objects}
    assert all(c.object.dec_deg < 45 for c in south.objects)
