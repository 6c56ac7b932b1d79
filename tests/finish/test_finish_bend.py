"""The map from frame to frame: no freer than held-out stars allow, and right where freed."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from slowglass.finish.bend import choose_place
from slowglass.finish.geometry import (
    BENT_PX,
    Box,
    Projective,
    Similarity,
    fit_polynomial,
    fit_projective,
    local_affine,
    straight_tiles,
)
from slowglass.finish.register import match_stars

WIDTH, HEIGHT = 6000, 4000
GRID = Box(0, 0, WIDTH, HEIGHT).grid(9)


def barrel(xy, k):
    """Radial distortion: k at a radius of 3000 px."""
    centre = np.array([(WIDTH - 1) / 2, (HEIGHT - 1) / 2])
    apart = xy - centre
    return centre + apart * (1 + k * (apart**2).sum(axis=1, keepdims=True) / 3000.0**2)


def chosen(rng, stars, move, *, noise=0.06):
    """The fit between a star list and the same moved, from the best similarity of both."""
    ref = move(stars) + rng.normal(0, noise, stars.shape)
    own = stars + rng.normal(0, noise, stars.shape)
    from slowglass.finish.geometry import fit_similarity

    start = fit_similarity(stars, move(stars))
    return choose_place(own, ref, start, width_px=WIDTH, height_px=HEIGHT)


def miss(place, move, points):
    return float(np.sqrt(((place.apply(points) - move(points)) ** 2).sum(axis=1).mean()))


def test_a_turned_frame_needs_no_more_than_a_similarity():
    truth = Similarity(1.0003 * np.exp(0.01j), 40 - 25j)
    models = []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        fit = chosen(rng, rng.uniform((0, 0), (WIDTH, HEIGHT), (80, 2)), truth.apply)
        models.append(fit.model)
        assert miss(fit.place, truth.apply, GRID) < 0.1
    assert models.count("similarity") >= 10  # held-out residuals waver by some per cent


def test_tilt_is_projective_and_distortion_a_polynomial():
    rng = np.random.default_rng(1)
    stars = rng.uniform((0, 0), (WIDTH, HEIGHT), (200, 2))
    tilted = Projective(((1.0, 0.002, 12.0), (-0.002, 1.0, -8.0), (2e-7, -1e-7, 1.0)))
    fit = chosen(rng, stars, tilted.apply)
    assert fit.model == "projective"
    assert miss(fit.place, tilted.apply, GRID) < 0.05

    def bent(xy):
        # one distorted lens at another place on the sky: the two distortions do not cancel
        return barrel(xy + np.array([420.0, -250.0]), 4e-3)

    fit = chosen(rng, stars, bent)
    assert fit.model.startswith("polynomial")
    inside = GRID[(GRID > 100).all(axis=1)]
    assert miss(fit.place, bent, inside) < 0.1
    assert fit.held_out_px < 0.2
    np.testing.assert_allclose(
        fit.place.inverse().apply(fit.place.apply(inside)), inside, atol=0.02
    )


def test_distortion_of_many_pixels_brings_its_corners_in():
    # 12 px at the corners: the first similarity pairs only the middle of the field
    rng = np.random.default_rng(2)
    stars = rng.uniform((0, 0), (WIDTH, HEIGHT), (300, 2))
    move = lambda xy: barrel(xy, 2.5e-3) + np.array([30.0, 10.0])  # noqa: E731
    ref = move(stars) + rng.normal(0, 0.05, stars.shape)
    match = match_stars(ref, stars)
    fit = choose_place(stars, ref, match.transform, width_px=WIDTH, height_px=HEIGHT)
    assert len(fit.pairs) > 290
    assert miss(fit.place, move, GRID) < 0.1


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 10**6))
def test_projective_is_opencvs(seed):
    rng = np.random.default_rng(seed)
    own = rng.uniform((0, 0), (WIDTH, HEIGHT), (12, 2))
    truth = Projective(
        (
            (1 + rng.normal(0, 0.01), rng.normal(0, 0.01), rng.normal(0, 50)),
            (rng.normal(0, 0.01), 1 + rng.normal(0, 0.01), rng.normal(0, 50)),
            (rng.normal(0, 1e-6), rng.normal(0, 1e-6), 1.0),
        )
    )
    fitted = fit_projective(own, truth.apply(own))
    np.testing.assert_allclose(fitted.apply(GRID), truth.apply(GRID), atol=1e-6)
    matrix, _ = cv2.findHomography(own, truth.apply(own))
    seen = cv2.perspectiveTransform(GRID[None], matrix)[0]
    np.testing.assert_allclose(fitted.apply(GRID), seen, atol=1e-3)
    np.testing.assert_allclose(fitted.inverse().apply(truth.apply(GRID)), GRID, atol=1e-6)


@pytest.mark.parametrize("order", [1, 2, 3])
def test_polynomial_follows_its_own_order_exactly(order):
    rng = np.random.default_rng(order)
    own = rng.uniform((0, 0), (WIDTH, HEIGHT), (60, 2))
    unit = lambda xy: (xy - [3000, 2000]) / 3000  # noqa: E731
    move = lambda xy: xy + 3 * unit(xy) ** order + [5.0, -4.0]  # noqa: E731
    fitted = fit_polynomial(own, move(own), order, width_px=WIDTH, height_px=HEIGHT)
    np.testing.assert_allclose(fitted.apply(GRID), move(GRID), atol=1e-6)
    np.testing.assert_allclose(fitted.inverse().apply(move(GRID)), GRID, atol=0.01)


def test_tiles_are_straight_and_cover_the_block_once():
    rng = np.random.default_rng(4)
    own = rng.uniform((0, 0), (WIDTH, HEIGHT), (80, 2))
    place = fit_polynomial(own, barrel(own, 1e-2), 3, width_px=WIDTH, height_px=HEIGHT)
    block = Box(130, 90, 2130, 340)
    tiles = straight_tiles(place, block)
    assert len(tiles) > 1
    assert sum(t.width_px * t.height_px for t in tiles) == 2000 * 250
    seen = np.zeros((HEIGHT, WIDTH), dtype=int)
    for tile in tiles:
        seen[tile.y0 : tile.y1, tile.x0 : tile.x1] += 1
        m = local_affine(place, tile)
        at = tile.grid(7)
        apart = np.abs(at @ m[:, :2].T + m[:, 2] - place.apply(at)).max()
        assert apart <= 1.5 * BENT_PX or max(tile.width_px, tile.height_px) <= 32
    assert seen.max() == 1
    assert straight_tiles(Similarity(np.exp(0.3j), 4.0), block) == [block]


@pytest.mark.parametrize("scale", [0.45, 1.8])
def test_another_focal_length_is_found(scale):
    rng = np.random.default_rng(7)
    sky = rng.uniform((0, 0), (WIDTH, HEIGHT), (40, 2))
    truth = Similarity(scale * np.exp(0.7j), 900 - 300j)
    found = match_stars(truth.apply(sky), sky + rng.normal(0, 0.1, sky.shape))
    assert found.found
    assert found.transform.scale == pytest.approx(scale, rel=1e-3)
    unrelated = rng.uniform((0, 0), (WIDTH, HEIGHT), (40, 2))
    assert not match_stars(unrelated, sky).found
