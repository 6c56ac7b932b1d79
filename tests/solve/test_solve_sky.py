"""Solving star lists anywhere in the sky: right, or silent.

The lists are made from the catalogue itself, so they test the search and the decision, not the
catalogue; real frames (tests/judge/test_real_frames.py) test all three together.
"""

from __future__ import annotations

import numpy as np
import pytest
from star_fields import (
    HEIGHT,
    WIDTH,
    centre_error_px,
    photographed,
    random_wcs,
    rough_prior,
    star_list,
)

from slowglass.errors import UsageError
from slowglass.frame.stars import StarList
from slowglass.solve.service import solve_stars
from slowglass.solve.store import open_solver
from slowglass.solve.types import Prior

RIGHT_PX = 5.0
"""A right pose puts the centre within this; with few stars the fit is good to some 1–2 px."""


def tally(sky, *, scale, count, seed, least_listed, most_listed=10**9, **prior):
    """(right, wrong, silent) over random poses that hold enough catalogue stars."""
    rng = np.random.default_rng(seed)
    catalogue = open_solver(sky)
    right = wrong = silent = 0
    while right + wrong + silent < count:
        true = random_wcs(rng, scale)
        stars, listed = photographed(rng, catalogue, true)
        if not least_listed <= listed <= most_listed:
            continue
        told = rough_prior(rng, true, **prior) if prior else Prior(epoch_year=2024.0)
        solution = solve_stars(stars, WIDTH, HEIGHT, sky, told)
        if not solution.solved:
            silent += 1
        elif centre_error_px(solution.wcs, true) < RIGHT_PX:
            right += 1
        else:
            wrong += 1
    return right, wrong, silent


def test_with_a_rough_pointing_and_scale_six_stars_always_do(sky):
    right, wrong, silent = tally(
        sky, scale=0.62, count=60, seed=1, least_listed=6, radius_deg=10, scale_tolerance=0.05
    )
    assert wrong == 0
    assert silent == 0
    assert right == 60


def test_four_or_five_stars_with_a_rough_pointing(sky):
    right, wrong, _ = tally(
        sky, scale=0.62, count=40, seed=2, least_listed=4, most_listed=5,
        radius_deg=10, scale_tolerance=0.05,
    )  # fmt: skip
    assert wrong == 0
    assert right >= 38  # one or two lists of forty hold a missed or a spurious bright star


def test_three_stars_with_a_known_scale(sky):
    right, wrong, _ = tally(
        sky, scale=0.62, count=40, seed=3, least_listed=3, most_listed=3,
        radius_deg=3, scale_tolerance=0.005,
    )  # fmt: skip
    assert wrong == 0
    assert right >= 32


def test_whole_sky_with_nothing_known(sky):
    right, wrong, _ = tally(sky, scale=0.62, count=40, seed=4, least_listed=6)
    assert wrong == 0
    assert right >= 39


@pytest.mark.parametrize("scale", [3.0, 12.0])
def test_wide_fields_with_nothing_known(sky, scale):
    right, wrong, _ = tally(sky, scale=scale, count=12, seed=5, least_listed=6)
    assert wrong == 0
    assert right == 12


def test_random_stars_are_never_believed(sky):
    rng = np.random.default_rng(6)
    for k in range(60):
        n = int(rng.integers(3, 150))
        stars = star_list(
            rng.uniform(0, WIDTH, n), rng.uniform(0, HEIGHT, n), 10 ** rng.uniform(3, 6, n)
        )
        told = Prior(
            ra_deg=float(rng.uniform(0, 360)),
            dec_deg=float(rng.uniform(-80, 80)),
            radius_deg=(3.0, 10.0)[k % 2],
            scale_arcsec_per_px=0.62,
            scale_tolerance=(0.005, 0.05)[k % 2],
        )
        solution = solve_stars(stars, WIDTH, HEIGHT, sky, told)
        assert not solution.solved
        assert solution.reason


def test_a_pointing_outside_the_prior_is_refused(sky):
    rng = np.random.default_rng(7)
    catalogue = open_solver(sky)
    for _ in range(15):
        true = random_wcs(rng, 0.62)
        stars, _ = photographed(rng, catalogue, true)
        elsewhere = Prior(
            ra_deg=(true.ra0_deg + 180.0) % 360.0,
            dec_deg=-true.dec0_deg,
            radius_deg=10.0,
            scale_arcsec_per_px=0.62,
        )
        assert not solve_stars(stars, WIDTH, HEIGHT, sky, elsewhere).solved


def test_a_wrong_scale_is_refused(sky):
    rng = np.random.default_rng(8)
    catalogue = open_solver(sky)
    for _ in range(15):
        true = random_wcs(rng, 0.62)
        stars, _ = photographed(rng, catalogue, true)
        told = Prior(
            ra_deg=true.ra0_deg,
            dec_deg=true.dec0_deg,
            radius_deg=5.0,
            scale_arcsec_per_px=0.62 * 1.3,
            scale_tolerance=0.05,
        )
        assert not solve_stars(stars, WIDTH, HEIGHT, sky, told).solved


def test_known_parity_and_camera_angle_are_obeyed_and_help(sky):
    rng = np.random.default_rng(9)
    catalogue = open_solver(sky)
    gained = []
    for _ in range(10):
        true = random_wcs(rng, 0.62)
        stars, listed = photographed(rng, catalogue, true)
        if listed < 5:
            continue
        told = {
            "ra_deg": true.ra0_deg,
            "dec_deg": true.dec0_deg,
            "radius_deg": 5.0,
            "scale_arcsec_per_px": 0.62,
            "epoch_year": 2024.0,
        }
        plain = solve_stars(stars, WIDTH, HEIGHT, sky, Prior(**told))
        informed = solve_stars(
            stars, WIDTH, HEIGHT, sky,
            Prior(
                **told, parity=true.parity, rotation_deg=true.rotation_deg + 4.0,
                rotation_tolerance_deg=8.0,
            ),
        )  # fmt: skip
        mirrored = solve_stars(stars, WIDTH, HEIGHT, sky, Prior(**told, parity=-true.parity))
        assert plain.solved and informed.solved and not mirrored.solved
        gained.append(informed.odds_log10 - plain.odds_log10)
    # Parity is worth a factor 2; ± 8° of 360° a factor 22.5.
    np.testing.assert_allclose(gained, np.log10(2 * 22.5), atol=0.05)


def test_too_few_stars_is_said_with_numbers(sky):
    none = solve_stars(StarList.empty(), WIDTH, HEIGHT, sky)
    assert not none.solved
    assert "0 stars seen" in none.reason
    one = solve_stars(star_list([5.0], [5.0], [1e5]), WIDTH, HEIGHT, sky)
    assert "1 star seen" in one.reason


def test_an_empty_catalogue_field_is_named_as_the_cause(sky):
    """A quarter-degree frame holds no star to G = 10 on average: the refusal says so."""
    rng = np.random.default_rng(10)
    stars = star_list(rng.uniform(0, 890, 60), rng.uniform(0, 890, 60), 10 ** rng.uniform(3, 5, 60))
    told = Prior(ra_deg=85.0, dec_deg=-2.0, radius_deg=2.0, scale_arcsec_per_px=1.0)
    solution = solve_stars(stars, 890, 890, sky, told)
    assert not solution.solved
    # 0.061 deg² at the catalogue's mean of 11.7 stars per deg² is 0.7; this place is richer.
    assert "holds 1.2 stars in such a frame" in solution.reason
    assert "slowglass sky deepen" in solution.reason
    assert solution.expected_stars == pytest.approx(1.2, abs=0.05)


def test_without_a_scale_the_stars_round_the_place_are_counted(sky):
    """The true reason, where the frame's size is not known; counted here by brute force."""
    rng = np.random.default_rng(12)
    stars = star_list(rng.uniform(0, 890, 60), rng.uniform(0, 890, 60), 10 ** rng.uniform(3, 5, 60))
    place = 85.2748, -2.4581
    ra, dec = sky.stars.column("ra_deg"), sky.stars.column("dec_deg")
    away = np.hypot((ra - place[0]) * np.cos(np.radians(place[1])), dec - place[1])
    count = int(np.sum(away < 0.25))  # flat-sky distance: exact to 1″ this near the equator
    told = Prior(ra_deg=place[0], dec_deg=place[1], radius_deg=2.0)
    solution = solve_stars(stars, 890, 890, sky, told)
    assert not solution.solved
    assert f"holds {count} stars within 0.25° of the very place given" in solution.reason


@pytest.mark.parametrize(
    "wrong",
    [
        {"ra_deg": 10.0},
        {"ra_deg": 10.0, "dec_deg": 95.0},
        {"ra_deg": 10.0, "dec_deg": 5.0, "radius_deg": 0.0},
        {"scale_arcsec_per_px": -1.0},
        {"scale_arcsec_per_px": 1.0, "scale_tolerance": 1.5},
        {"parity": 3},
    ],
)
def test_a_senseless_prior_is_misuse(wrong):
    with pytest.raises(UsageError):
        Prior(**wrong)
