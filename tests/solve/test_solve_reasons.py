"""A refusal names what was tried, the likeliest cause with its numbers, and what to do."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from star_fields import HEIGHT, WIDTH, photographed, random_wcs, star_list

from slowglass.solve.refusal import Attempt, common_elongation, explain
from slowglass.solve.service import solve_stars
from slowglass.solve.store import open_solver
from slowglass.solve.types import Prior


@pytest.fixture(scope="module")
def rich(sky):
    """A frame of 86′ × 57′ with plenty of catalogue stars, and its pose."""
    rng = np.random.default_rng(2)
    while True:
        true = random_wcs(rng, 0.86)
        stars, listed = photographed(rng, open_solver(sky), true, missed=0.0, spurious=0.0)
        if 15 <= listed <= 40 and abs(true.dec0_deg) < 60:
            return true, stars


def told(true, **changes):
    return replace(
        Prior(
            ra_deg=true.ra0_deg, dec_deg=true.dec0_deg, radius_deg=3.0, scale_arcsec_per_px=0.86,
            epoch_year=2024.0,
        ),
        **changes,
    )  # fmt: skip


def ask(sky, stars, prior):
    return solve_stars(stars, WIDTH, HEIGHT, sky, prior)


def test_a_wrong_scale_is_found_out(sky, rich):
    true, stars = rich
    answer = ask(sky, stars, told(true, scale_arcsec_per_px=1.3))
    assert (answer.solved, answer.cause) == (False, "scale")
    assert "at 1.3″ per pixel ± 5 %" in answer.reason
    assert "the stars fit at 0.86" in answer.reason  # 0.86″, read off the frame itself


def test_a_pointing_too_far_off_is_found_out(sky, rich):
    true, stars = rich
    dec = true.dec0_deg + (12.0 if true.dec0_deg < 0 else -12.0)
    answer = ask(sky, stars, told(true, dec_deg=dec))
    assert (answer.solved, answer.cause) == (False, "pointing")
    assert "within 3° of the given pointing" in answer.reason
    assert "the stars fit 12.0° from the given pointing" in answer.reason
    assert f"at {true.ra0_deg:.2f} {true.dec0_deg:+.2f}" in answer.reason


def test_cloud_shows_as_stars_missing(sky, rich):
    true, stars = rich
    rng = np.random.default_rng(4)
    few = star_list(rng.uniform(0, WIDTH, 3), rng.uniform(0, HEIGHT, 3), stars.flux_adu[:3])
    answer = ask(sky, few, told(true))
    assert answer.cause == "few seen"
    assert f"3 stars seen where the catalogue has {answer.expected_stars:.0f}" in answer.reason
    assert "cloud" in answer.reason
    assert answer.expected_stars > 7


def test_trailed_stars_are_named_with_their_length(sky, rich):
    true, stars = rich
    rng = np.random.default_rng(5)
    n = 40
    drawn_out = replace(
        star_list(rng.uniform(0, WIDTH, n), rng.uniform(0, HEIGHT, n), stars.flux_adu[:n]),
        elongation=rng.normal(2.6, 0.1, n), elongation_angle_deg=rng.normal(75.0, 4.0, n),
    )  # fmt: skip
    answer = ask(sky, drawn_out, told(true))
    assert answer.cause == "trailed"
    assert "2.6 times as long as wide" in answer.reason
    # Long stars at all angles are no trail: astigmatism, coma, blends.
    assert (
        common_elongation(replace(drawn_out, elongation_angle_deg=rng.uniform(0, 180, n))) is None
    )
    assert common_elongation(replace(drawn_out, elongation=np.full(n, 1.2))) is None
    assert common_elongation(replace(drawn_out, elongation=np.full(n, np.nan))) is None


@pytest.mark.parametrize(
    ("known", "cause", "words"),
    [
        ({"seen": 0}, "few seen", "0 stars seen, at least 2 needed"),
        ({"seen": 60, "expected": 0.7, "at_pointing": 0}, "thin catalogue", "holds 0.7 stars"),
        ({"seen": 60, "expected": 0.7, "at_pointing": 0}, "thin catalogue", "sky deepen"),
        (
            {"seen": 60, "expected": 20.0, "at_pointing": 18, "matched": 3, "odds_log10": -2.0},
            "unknown",
            "matches only 3 stars of 60 seen: odds 10^-2.0, 10^1 needed",
        ),
        ({"seen": 6, "expected": 9.0, "at_pointing": 9}, "few seen", "few stars seen"),
    ],
)
def test_the_evidence_decides_the_cause(known, cause, words):
    prior = Prior(ra_deg=10.0, dec_deg=5.0, radius_deg=2.0, scale_arcsec_per_px=1.0)
    found, text = explain(Attempt(prior, limit_mag=10.0, packaged_only=True, **known))
    assert found == cause
    assert words in text


def test_fetched_stars_are_not_advised_where_they_are(sky):
    prior = Prior(ra_deg=10.0, dec_deg=5.0, radius_deg=2.0, scale_arcsec_per_px=1.0)
    _, text = explain(
        Attempt(prior, 60, limit_mag=14.0, packaged_only=False, expected=3.0, at_pointing=2)
    )
    assert "magnitude 14" in text
    assert "deepen" not in text


def test_nothing_told_says_what_to_tell(sky):
    rng = np.random.default_rng(6)
    n = 60
    stars = star_list(rng.uniform(0, 6000, n), rng.uniform(0, 4000, n), 10 ** rng.uniform(3, 5, n))
    answer = solve_stars(stars, WIDTH, HEIGHT, sky)
    assert answer.cause == "unknown"
    assert "over the whole sky" in answer.reason
    assert "give a rough pointing and the pixel scale" in answer.reason
