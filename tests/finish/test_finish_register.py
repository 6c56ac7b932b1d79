"""Registration by stars, its refusals, and the common drift of frames without stars."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from slowglass.finish.faint import find_drift, find_turns
from slowglass.finish.geometry import (
    Box,
    Similarity,
    common_box,
    fit_similarity,
    largest_box,
    local_affine,
)
from slowglass.finish.register import Sources, match_stars, register_sources
from slowglass.finish.where import between
from slowglass.sky.wcs import TanWcs

SIZE = np.array([3000.0, 2000.0])
CORNERS = np.array([[0, 0], [3000, 0], [0, 2000], [3000, 2000]], dtype=float)


def seen(rng, stars, truth, *, noise=0.05, lost=0.25, extra=0.25):
    """The stars as a frame shows them: moved, some missing, some false, order by rough flux."""
    back = truth.inverse().apply(stars) + rng.normal(0, noise, stars.shape)
    back = back[rng.uniform(size=len(back)) > lost]
    false = rng.uniform((0, 0), SIZE, (int(extra * len(stars)), 2))
    return np.vstack([back, false])[rng.permutation(len(back) + len(false))]


def worst(found, truth):
    return np.hypot(*(found.apply(CORNERS) - truth.apply(CORNERS)).T).max()


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 10**6),
    turn=st.sampled_from([0.0, 0.2, -1.5, 12.0, 90.0, 179.8, 180.0]),
    dx=st.floats(-400, 400),
    dy=st.floats(-400, 400),
)
def test_recovers_turns_flips_and_shifts(seed, turn, dx, dy):
    rng = np.random.default_rng(seed)
    stars = rng.uniform((0, 0), SIZE, (60, 2))
    about = complex(1500, 1000)
    a = 1.0003 * np.exp(1j * np.radians(turn))
    truth = Similarity(a, about - a * about + complex(dx, dy))
    match = match_stars(stars, seen(rng, stars, truth))
    assert match.found, match.reason
    # 45 stars of 0.05 px scatter: the corners are good to about 0.03 px.
    assert worst(match.transform, truth) < 0.1
    assert match.rms_px < 0.1


@pytest.mark.parametrize("count", [3, 4, 5, 6])
def test_few_stars_are_enough(count):
    good = 0
    for seed in range(25):
        rng = np.random.default_rng(seed)
        stars = rng.uniform((0, 0), SIZE, (count, 2))
        truth = Similarity(np.exp(0.01j), complex(60, -35))
        match = match_stars(stars, seen(rng, stars, truth, lost=0.0, extra=0.0))
        good += match.found and worst(match.transform, truth) < 1.0
    assert good >= 24  # close pairs fix the turn badly now and then


def test_unrelated_stars_are_refused():
    false = 0
    for seed in range(100):
        rng = np.random.default_rng(seed)
        n, m = rng.integers(3, 80, 2)
        match = match_stars(rng.uniform((0, 0), SIZE, (n, 2)), rng.uniform((0, 0), SIZE, (m, 2)))
        false += match.found
        assert match.found or match.reason
    assert false == 0


def test_mirrored_frame_is_refused_by_name():
    rng = np.random.default_rng(4)
    stars = rng.uniform((0, 0), SIZE, (50, 2))
    mirrored = stars * [-1, 1] + [3000, 0]
    match = match_stars(stars, mirrored)
    assert not match.found
    assert "mirrored" in match.reason


def test_too_few_stars_say_so():
    match = match_stars(np.zeros((2, 2)), np.zeros((40, 2)))
    assert match.reason == "only 2 stars to register by, 3 needed"


def test_a_to_b_inverts_b_to_a():
    rng = np.random.default_rng(8)
    stars = rng.uniform((0, 0), SIZE, (60, 2))
    truth = Similarity(np.exp(0.3j), complex(100, -500))
    other = seen(rng, stars, truth)
    there = match_stars(stars, other).transform
    back = match_stars(other, stars).transform
    assert worst(there.after(back), Similarity()) < 0.1


def sources(xy, *, sharp=False):
    return Sources(xy, np.full(len(xy), sharp))


def test_fixed_pattern_does_not_pass_for_stars():
    # 60 blobs that never move, brighter than the 25 stars that do.
    rng = np.random.default_rng(2)
    pattern = rng.uniform((0, 0), SIZE, (60, 2))
    stars = rng.uniform((0, 0), SIZE, (25, 2))
    lists, truths = [], []
    for k in range(6):
        truth = Similarity(np.exp(0.0005j * k), complex(-9.0 * k, 2.0 * k))
        truths.append(truth)
        here = truth.inverse().apply(stars) + rng.normal(0, 0.1, stars.shape)
        lists.append(sources(np.vstack([pattern + rng.normal(0, 0.1, pattern.shape), here])))
    for match, truth in zip(register_sources(lists, 0), truths, strict=True):
        assert match.found
        assert worst(match.transform, truth) < 0.4


def test_hot_pixels_alone_place_nothing():
    rng = np.random.default_rng(3)
    pattern = rng.uniform((0, 0), SIZE, (40, 2))
    lists = [sources(pattern + rng.normal(0, 0.05, pattern.shape), sharp=True) for _ in range(4)]
    matches = register_sources(lists, 0)
    assert [m.found for m in matches] == [True, False, False, False]


def test_a_perfectly_guided_series_stays_put():
    rng = np.random.default_rng(6)
    stars = rng.uniform((0, 0), SIZE, (40, 2))
    lists = [sources(stars + rng.normal(0, 0.05, stars.shape)) for _ in range(4)]
    for match in register_sources(lists, 1):
        assert match.found
        assert worst(match.transform, Similarity()) < 0.1


def faint_series(rng, drifts, *, stars=60, flux=900.0, size=(500, 640), turns_deg=None):
    """Frames whose stars drown in noise (peak 1.2 sigma) under a fixed pattern that does not."""
    rows, columns = (np.arange(n) for n in size)
    pattern = rng.normal(0, 9, size)
    hot = rng.uniform(size=size) < 3e-4
    pattern[hot] += rng.uniform(100, 900, hot.sum())
    pattern += rng.normal(0, 2, (size[0], 1))
    x, y = rng.uniform(0, size[1], stars), rng.uniform(0, size[0], stars)
    frames = []
    middle = complex(size[1] / 2, size[0] / 2)
    for k, (dx, dy) in enumerate(drifts):
        turn = np.exp(1j * np.radians(turns_deg[k] if turns_deg is not None else 0.0))
        z = (x + 1j * y - middle) * turn + middle
        across = np.exp(-((columns - (z.real + dx)[:, None]) ** 2) / 2 / 2.5**2)
        down = np.exp(-((rows - (z.imag + dy)[:, None]) ** 2) / 2 / 2.5**2)
        sky = flux / (2 * np.pi * 2.5**2) * down.T @ across
        frames.append((sky + pattern + rng.normal(0, 20, size)).astype(np.float32))
    return frames


def test_drift_of_a_faint_series_is_found_under_the_pattern():
    drifts = np.array([(0, 0), (-11.3, 0.4), (-23.6, 2.8), (-34.1, 3.2), (-46.4, 3.0)])
    found = find_drift(faint_series(np.random.default_rng(1), drifts))
    np.testing.assert_allclose(found.dx_px, drifts[:, 0], atol=1.0)
    np.testing.assert_allclose(found.dy_px, drifts[:, 1], atol=1.0)
    assert (found.significance > 7).all()


def test_pattern_and_noise_without_sky_give_no_drift():
    for seed in range(3):
        rng = np.random.default_rng(seed)
        found = find_drift(faint_series(rng, [(0, 0)] * 5, flux=0.0))
        assert np.isnan(found.dx_px).all()


def test_two_frames_cannot_tell_pattern_from_sky():
    frames = faint_series(np.random.default_rng(1), [(0, 0), (-30, 0)])
    assert np.isnan(find_drift(frames).dx_px).all()


def test_the_turn_of_a_faint_series_is_told_by_its_quarters():
    rng = np.random.default_rng(4)
    drifts = [(0, 0), (-24, 4), (-47, 9), (-70, 3), (-96, -6)]
    turns = np.array([0.0, 0.15, 0.3, 0.45, 0.6])
    size = (900, 1100)
    frames = faint_series(rng, drifts, stars=260, flux=2200.0, size=size, turns_deg=turns)
    found = find_turns(frames, 0, star_sigma_px=2.5, step=1)
    told = [k for k in range(1, 5) if found[k] is not None]
    assert len(told) >= 3
    for k in told:
        assert found[k].rotation_deg == pytest.approx(-turns[k], abs=0.06)
        middle = np.array([[550.0 + drifts[k][0], 450.0 + drifts[k][1]]])
        np.testing.assert_allclose(found[k].apply(middle), [[550.0, 450.0]], atol=1.0)
    still = faint_series(rng, drifts, stars=260, flux=2200.0, size=size)
    assert find_turns(still, 0, star_sigma_px=2.5, step=1) == [None] * 5


@settings(max_examples=25, deadline=None)
@given(
    dec=st.floats(-85, 85),
    turn=st.floats(-180, 180),
    scale=st.floats(0.4, 2.5),
    off=st.floats(0, 0.4),
)
def test_two_solutions_meet_through_the_sky(dec, turn, scale, off):
    def wcs(dec_deg, turn_deg, scale_deg):
        t = np.radians(turn_deg)
        cd = scale_deg * np.array([[-np.cos(t), np.sin(t)], [np.sin(t), np.cos(t)]])
        return TanWcs(30.0, dec_deg, 1499.5, 999.5, tuple(map(tuple, cd)))

    ref, own = wcs(dec, 10.0, 3e-4), wcs(dec + off, turn, 3e-4 * scale)
    place = between(own, ref, 3000, 2000)
    for x, y in [(0.0, 0.0), (2999.0, 1999.0), (1200.0, 700.0)]:
        ra, dec_here = own.pixel_to_sky(x, y)
        expected = np.array(ref.sky_to_pixel(ra, dec_here))
        np.testing.assert_allclose(place.apply([[x, y]])[0], expected, atol=1e-4)


def test_fit_similarity_is_exact_without_noise():
    rng = np.random.default_rng(0)
    z = rng.uniform(0, 100, (5, 2))
    truth = Similarity(1.02 * np.exp(0.4j), 3 - 7j)
    fitted = fit_similarity(z, truth.apply(z))
    assert abs(fitted.a - truth.a) < 1e-12
    assert abs(fitted.b - truth.b) < 1e-9
    matrix = local_affine(truth, Box(0, 0, 2, 2))
    np.testing.assert_allclose(z @ matrix[:, :2].T + matrix[:, 2], truth.apply(z), atol=1e-12)


def brute_box(mask):
    best = 0
    for y0 in range(mask.shape[0]):
        for x0 in range(mask.shape[1]):
            for y1 in range(y0 + 1, mask.shape[0] + 1):
                for x1 in range(x0 + 1, mask.shape[1] + 1):
                    if mask[y0:y1, x0:x1].all():
                        best = max(best, (y1 - y0) * (x1 - x0))
    return best


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10**6))
def test_largest_box_against_brute_force(seed):
    rng = np.random.default_rng(seed)
    mask = rng.uniform(size=(7, 8)) < 0.7
    box = largest_box(mask)
    area = 0
    if box is not None:
        assert mask[box.y0 : box.y1, box.x0 : box.x1].all()
        area = box.width_px * box.height_px
    assert area == brute_box(mask)


def test_common_box_keeps_what_all_frames_cover():
    places = [Similarity(), Similarity(1, 40 + 10j), Similarity(1, -25 - 30j)]
    box = common_box(places, 600, 400)
    step = 400 // 250
    assert 40 <= box.x0 <= 40 + 4 + step
    assert 575 - 4 - 2 * step <= box.x1 <= 575
    assert 10 <= box.y0 <= 10 + 4 + step
    assert 370 - 4 - 2 * step <= box.y1 <= 370
