"""Kept comets and asteroids are chosen, found, exposed and planned like any object."""

from __future__ import annotations

from datetime import UTC, date, datetime

import numpy as np
import pytest

from slowglass.choose.filters import Wanted
from slowglass.choose.light import HALF_LIGHT_AXIS
from slowglass.choose.service import choose_tonight
from slowglass.choose.year_service import plan_year
from slowglass.expose.service import expose_object
from slowglass.find.service import find_route
from slowglass.kit.io import load_kit, load_site
from slowglass.sky.coords import separation_deg
from slowglass.sky.orbits import seen_from_earth
from slowglass.sky.wanderers import aged_years, keep_orbits, kept_orbits

KIT, YARD = load_kit("long 102"), load_site("Fig Tree Yard")
NIGHT = date(2026, 10, 10)
# An invented comet that stands high in that evening's sky, and the format's own sample asteroid.
COMET = (
    "    CK26A010  2026 12 20.5000  1.100000  1.000000  150.0000  240.0000   70.0000  20261001"
    "   6.0  4.0  C/2026 A1 (Wanderer)                                     MPC 00000"
)
CERES = (
    "00001    3.34  0.12 K107N 113.41048   72.58976   80.39321   10.58682  0.0791382  0.21432817"
    "   2.7653485  0 MPO110568  6063  94 1802-2006 0.61 M-v 30h MPCW       0000      (1) Ceres"
    "              20061025"
)


@pytest.fixture(autouse=True)
def kept(tmp_path, monkeypatch):
    monkeypatch.setenv("SLOWGLASS_CONFIG", str(tmp_path / "own"))
    source = tmp_path / "mine.txt"
    source.write_text(f"{COMET}\n{CERES}\n", encoding="utf-8")
    keep_orbits(source)


@pytest.fixture
def listed(sky):
    wanted = Wanted.of(kinds=["comet", "asteroid"])
    choice = choose_tonight(KIT, YARD, sky, night=NIGHT, limit=10, wanted=wanted)
    return choice, {c.object.kind: c for c in choice.objects}


def test_they_are_on_the_list_where_they_stand_at_that_hour(listed):
    choice, by_kind = listed
    assert set(by_kind) <= {"comet", "asteroid"} and "asteroid" in by_kind
    for candidate in choice.objects:
        orbit = next(o for o in kept_orbits() if o.name == candidate.object.name)
        seen = seen_from_earth(orbit, candidate.reachable.best_time.timestamp())
        gap = separation_deg(
            candidate.object.ra_deg, candidate.object.dec_deg, seen.ra_deg[0], seen.dec_deg[0]
        )
        assert gap < 1e-3
    assert "elsewhere yesterday" in by_kind["asteroid"].reason
    # the sample elements are of 2010
    assert "orbits of (1) Ceres are over a year old" in choice.note
    assert aged_years(kept_orbits()[1], datetime(2026, 10, 10, tzinfo=UTC).timestamp()) > 16


def test_a_comet_is_a_soft_glow(sky):
    when = datetime(2026, 10, 10, 19, 30, tzinfo=UTC)
    plan = expose_object(KIT, YARD, sky, "wanderer", seconds=30.0, night=NIGHT)
    assert plan.snr is not None and plan.snr > 0
    assert "half-light" in plan.measures
    star = expose_object(KIT, YARD, sky, "ceres", seconds=30.0, night=NIGHT)
    assert "asteroid" in star.measures
    assert star.snr > 100
    route = find_route(KIT, YARD, sky, "ceres", when=when)
    seen = seen_from_earth(kept_orbits()[1], when.timestamp())
    assert separation_deg(route.target_ra_deg, route.target_dec_deg, seen.ra_deg[0],
                          seen.dec_deg[0]) < 1e-3  # fmt: skip


def test_the_coma_falls_as_one_over_the_distance():
    """Twice as far from the nucleus, half as bright; nothing at the rim."""
    from slowglass.expose.wandering import COMA_CORE, coma

    (part,), members, half = coma(major=200.0, ratio=1.0, angle=0.0, light=0.65, seed=1)
    r = part.reach_arcsec * (np.arange(part.profile.size) / (part.profile.size - 1.0)) ** 2
    total = np.trapezoid(2 * np.pi * r * part.profile, r)
    assert total == pytest.approx(1.0, abs=1e-3)
    at = np.interp([5.0, 10.0, 20.0], r, part.profile)
    assert at[0] / at[1] == pytest.approx(2.0, rel=0.1)
    assert at[1] / at[2] == pytest.approx(2.0, rel=0.05)
    assert part.profile[-1] == 0.0
    assert HALF_LIGHT_AXIS["comet"] == pytest.approx(half / 100.0, abs=0.01)
    assert COMA_CORE * 100.0 < 5.0 and members.share.size == 0


def test_a_year_follows_its_path(sky):
    plan = plan_year(KIT, YARD, sky, "ceres", first=date(2026, 11, 25))
    assert plan.best
    best = plan.best[0]
    # near its opposition it is up all night and brightest
    assert best.hours_up > 0.7 * best.dark_hours
    orbit = kept_orbits()[1]
    mags = [
        float(
            seen_from_earth(orbit, datetime(d.year, d.month, d.day, tzinfo=UTC).timestamp()).mag[0]
        )
        for d in (best.night, date(2027, 7, 1))
    ]
    assert mags[0] < mags[1] - 0.8
