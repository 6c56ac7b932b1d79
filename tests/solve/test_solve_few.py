"""Two and three stars: enough with a strong prior, and refused without one or against it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from star_fields import HEIGHT, WIDTH, centre_error_px, photographed, random_wcs, star_list

from slowglass.sky.wcs import deproject_tan
from slowglass.solve.service import ODDS_NEEDED_LOG10, solve_stars
from slowglass.solve.store import open_solver
from slowglass.solve.types import Prior

COUNT = 24
RIGHT_PX = 5.0


def strong(rng, true, **changes):
    """What earlier frames of the night tell: scale to 0.3 %, parity, angle to 3°, place to 2°."""
    away, direction = rng.uniform(0, 1.9), rng.uniform(0, 2 * np.pi)
    ra, dec = deproject_tan(
        away * np.cos(direction), away * np.sin(direction), true.ra0_deg, true.dec0_deg
    )
    told = Prior(
        ra_deg=float(ra), dec_deg=float(dec), radius_deg=2.0,
        scale_arcsec_per_px=true.scale_arcsec_per_px * (1 + 0.0025 * rng.uniform(-1, 1)),
        scale_tolerance=0.003, rotation_deg=true.rotation_deg + rng.uniform(-2.5, 2.5),
        rotation_tolerance_deg=3.0, parity=true.parity, epoch_year=2024.0,
    )  # fmt: skip
    return replace(told, **changes)


def clean_lists(sky, stars, seed, *, count=COUNT):
    """Lists that hold just so many catalogue stars, none missed, nothing spurious, 0.3 px off."""
    rng = np.random.default_rng(seed)
    catalogue = open_solver(sky)
    made = []
    while len(made) < count:
        true = random_wcs(rng, 0.62)
        found, listed = photographed(
            rng, catalogue, true, error_px=0.3, error_mag=0.15, missed=0.0, spurious=0.0
        )
        if listed == stars:
            made.append((rng, true, found))
    return made


@pytest.mark.parametrize(
    ("stars", "least_share"),
    # Two stars whose distance, direction and brightness are told: a coincidence of that quality
    # is common among some two thousand pairs, so a part of them must stay open.
    [(2, 0.5), (3, 0.9)],
)
def test_a_strong_prior_carries_few_stars(sky, stars, least_share):
    solved = wrong = 0
    for rng, true, found in clean_lists(sky, stars, seed=21 + stars):
        answer = solve_stars(found, WIDTH, HEIGHT, sky, strong(rng, true))
        solved += answer.solved
        wrong += answer.solved and centre_error_px(answer.wcs, true) > RIGHT_PX
    assert wrong == 0
    assert solved >= least_share * COUNT


def test_each_thing_known_adds_to_the_odds(sky):
    """Parity is worth 2, an angle to ± 3° 60, a radius halved 4, a scale ten times as sure 10.

    The factors are those of the prior's volume; odds against other poses can only fall with it.
    """
    gained = {"parity": [], "rotation_deg": [], "radius_deg": [], "scale_tolerance": []}
    looser = {"parity": None, "rotation_deg": None, "radius_deg": 4.0, "scale_tolerance": 0.03}
    for rng, true, found in clean_lists(sky, 3, seed=31, count=7):
        prior = strong(rng, true)
        sure = solve_stars(found, WIDTH, HEIGHT, sky, prior)
        if not sure.solved:
            continue
        for name, value in looser.items():
            less = solve_stars(found, WIDTH, HEIGHT, sky, replace(prior, **{name: value}))
            if less.odds_log10 is not None:
                gained[name].append(sure.odds_log10 - less.odds_log10)
    for name, factor in (
        ("parity", 2), ("rotation_deg", 60), ("radius_deg", 4), ("scale_tolerance", 10),
    ):  # fmt: skip
        assert len(gained[name]) >= 4
        assert np.median(gained[name]) == pytest.approx(np.log10(factor), abs=0.1), name
        assert min(gained[name]) > np.log10(factor) - 0.2, name


def test_two_stars_and_a_weak_prior_are_refused(sky):
    for rng, true, found in clean_lists(sky, 2, seed=41, count=6):
        weak = strong(
            rng, true, radius_deg=10.0, scale_tolerance=0.05, rotation_deg=None, parity=None
        )
        answer = solve_stars(found, WIDTH, HEIGHT, sky, weak)
        assert not answer.solved
        assert answer.odds_log10 is None or answer.odds_log10 < ODDS_NEEDED_LOG10
        assert answer.cause == "thin catalogue"


@pytest.mark.parametrize("lie", ["parity", "angle", "scale", "place"])
def test_a_strong_prior_that_lies_is_not_obliged(sky, lie):
    """The frame is elsewhere, turned, mirrored or of another scale: silence, not the next best."""
    for rng, true, found in clean_lists(sky, 3, seed=51, count=8):
        prior = strong(rng, true)
        prior = {
            "parity": replace(prior, parity=-true.parity),
            "angle": replace(prior, rotation_deg=true.rotation_deg + 90.0),
            "scale": replace(prior, scale_arcsec_per_px=0.62 * 1.02),
            "place": replace(prior, ra_deg=(prior.ra_deg + 120.0) % 360.0),
        }[lie]
        assert not solve_stars(found, WIDTH, HEIGHT, sky, prior).solved


def test_random_few_stars_are_refused_even_so(sky):
    """Right brightnesses at random places, asked with everything the strongest prior says."""
    believed = 0
    for stars in (2, 3):
        for rng, true, found in clean_lists(sky, stars, seed=61 + stars, count=16):
            n = len(found)
            shuffled = star_list(
                rng.uniform(0, WIDTH, n), rng.uniform(0, HEIGHT, n), found.flux_adu
            )
            believed += solve_stars(shuffled, WIDTH, HEIGHT, sky, strong(rng, true)).solved
    assert believed == 0


def test_the_order_of_brightness_decides(sky):
    """The same places with the brightness of the listed stars turned round: refused."""
    for rng, true, found in clean_lists(sky, 3, seed=71, count=8):
        prior = strong(rng, true)
        if not solve_stars(found, WIDTH, HEIGHT, sky, prior).solved:
            continue
        catalogue = open_solver(sky)
        rows = catalogue.in_cone(true.ra0_deg, true.dec0_deg, 0.7)
        x, y = true.sky_to_pixel(*catalogue.radec_at(rows, 2024.0))
        gap = np.hypot(x[:, None] - found.x_px, y[:, None] - found.y_px)
        theirs = np.unique(np.argmin(gap, axis=1)[np.min(gap, axis=1) < 3.0])
        flux = found.flux_adu.copy()
        flux[theirs] = np.array([1e-3, 1.0, 1e3])[: len(theirs)] * np.max(flux)
        order = np.argsort(catalogue.grid.mag[rows[np.argsort(gap[:, theirs].min(axis=1))[:3]]])
        flux[theirs] = flux[theirs][np.argsort(np.argsort(order))]
        changed = star_list(found.x_px, found.y_px, flux)
        assert not solve_stars(changed, WIDTH, HEIGHT, sky, prior).solved
