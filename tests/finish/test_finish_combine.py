"""Clipping numbers against astropy.stats and against published properties of the estimators."""

from __future__ import annotations

import numpy as np
import pytest
from astropy.stats import mad_std, sigma_clip
from hypothesis import given, settings
from hypothesis import strategies as st

from slowglass.finish.combine import (
    WINSOR_SPREAD,
    Rule,
    combine_values,
    esd_bounds,
    esd_critical,
)
from slowglass.finish.geometry import Box
from slowglass.finish.place import blocks
from slowglass.finish.trails import drop_trails


def combined(stack, *, weights=None, **rule):
    """Mean and rejections, as arrays."""
    sums = combine_values(stack, Rule(**rule), weights=weights)
    return sums.mean, sums.rejected


def test_same_as_astropy_median_mad_clip():
    rng = np.random.default_rng(5)
    for n in (4, 7, 12, 50):
        stack = rng.normal(100, 10, (n, 60, 70)).astype(np.float32)
        stack[1, 20] += 700
        reference = sigma_clip(
            stack.astype(float), sigma=3, maxiters=1, cenfunc="median", stdfunc="mad_std", axis=0
        )
        mean, rejected = combined(stack)
        np.testing.assert_allclose(mean, reference.mean(axis=0), rtol=2e-6)
        np.testing.assert_array_equal(rejected, reference.mask.sum(axis=0))


def test_trail_in_twenty_frames():
    # 20 frames, sigma 10, one trail of +500: mean +25.0, median/MAD clip -0.09 with noise 2.38
    # (Monte Carlo figures of the project's reference notes; plain mean's noise 2.236).
    rng = np.random.default_rng(1)
    stack = rng.normal(0, 10, (20, 300, 300)).astype(np.float32)
    stack[3] += 500
    assert np.mean(stack.mean(axis=0)) == pytest.approx(25.0, abs=0.1)
    mean, rejected = combined(stack)
    assert abs(mean.mean()) < 0.15
    assert mean.std() == pytest.approx(2.38, rel=0.02)
    assert rejected.min() >= 1


@pytest.mark.parametrize("n", [3, 4, 5, 6, 8, 10])
def test_trail_goes_even_from_few_frames(n):
    # A plain 3 sigma clip can reject nothing for n <= 10: |x - mean|/s <= (n - 1)/sqrt(n).
    assert (n - 1) / np.sqrt(n) < 3.0
    rng = np.random.default_rng(n)
    stack = rng.normal(50, 5, (n, 200, 200)).astype(np.float32)
    stack[n // 2, 90:110] += 200
    mean, rejected = combined(stack, noise_adu=5.0)
    assert (rejected[90:110] >= 1).all()
    assert mean[90:110].mean() == pytest.approx(50, abs=0.5)


def test_noise_floor_keeps_nearly_all_good_values():
    # Gaussian noise without outliers: with the floor at the true sigma at most 1 % may go
    # (5 frames; the two-sided tail beyond 3 sigma is 0.27 %, the median's own error adds).
    rng = np.random.default_rng(3)
    stack = rng.normal(0, 1, (5, 400, 400)).astype(np.float32)
    mean, rejected = combined(stack, noise_adu=1.0)
    assert rejected.mean() / 5 < 0.01
    assert mean.std() < 1.02 / np.sqrt(5)


def test_breathing_stars_are_not_clipped():
    # A star core of 20000 ADU that varies by 10 % with the seeing, sky noise 5 ADU.
    core = np.array([20000, 18500, 21000, 19000, 20500], dtype=np.float32).reshape(5, 1, 1)
    mean, rejected = combined(core, noise_adu=5.0, per_adu=0.5, shape_tolerance=0.15)
    assert rejected[0, 0] == 0
    assert mean[0, 0] == pytest.approx(19800)


def test_weights_nan_and_short_stacks():
    stack = np.array([[1.0, np.nan, np.nan], [4.0, 7.0, np.nan]], dtype=np.float32)
    mean, rejected = combined(stack, weights=[3.0, 1.0])
    np.testing.assert_allclose(mean, [1.75, 7.0, np.nan])
    assert rejected.sum() == 0
    single, _ = combined(stack[1:])
    np.testing.assert_array_equal(single, stack[1])


@settings(max_examples=40, deadline=None)
@given(
    n=st.integers(1, 30),
    seed=st.integers(0, 10**6),
    offset=st.floats(-1e4, 1e4),
)
def test_order_does_not_matter_and_result_lies_within(n, seed, offset):
    rng = np.random.default_rng(seed)
    stack = (rng.standard_t(2, (n, 40)) * 10 + offset).astype(np.float32)
    mean, rejected = combined(stack)
    again, rejected_again = combined(stack[rng.permutation(n)])
    np.testing.assert_allclose(mean, again, rtol=1e-5, atol=1e-3)
    np.testing.assert_array_equal(rejected, rejected_again)
    slack = 1e-3 + 1e-6 * abs(offset)
    assert (mean >= stack.min(axis=0) - slack).all()
    assert (mean <= stack.max(axis=0) + slack).all()
    assert (rejected < n).all()


# Rosner 1983, Technometrics 25, 165, as in the NIST/SEMATECH e-Handbook, 1.3.5.17.3.
ROSNER = """-.25 .68 .94 1.15 1.20 1.26 1.26 1.34 1.38 1.43 1.49 1.49 1.55 1.56 1.58 1.65 1.69 1.70
1.76 1.77 1.81 1.91 1.94 1.96 1.99 2.06 2.09 2.10 2.14 2.15 2.23 2.24 2.26 2.35 2.37 2.40 2.47 2.54
2.62 2.64 2.90 2.92 2.92 2.93 3.21 3.26 3.30 3.59 3.68 4.30 4.64 5.34 5.42 6.01"""


def test_generalised_esd_finds_rosners_three_outliers():
    values = np.array([float(v) for v in ROSNER.split()])
    critical = esd_critical(54)[54]
    np.testing.assert_allclose(critical[:3], [3.158, 3.151, 3.143], atol=0.002)
    low, high = esd_bounds(values, 54, critical, 0.0)
    assert (low, high) == (-0.25, 4.64)  # 5.34, 5.42 and 6.01 go
    low, high = esd_bounds(values, 54, critical, 5.0)  # none stands out of such noise
    assert (low, high) == (-0.25, 6.01)


def test_winsorised_spread_of_a_normal_sample():
    # values pulled in to 1.5 sigma scatter by 1/1.1334 (ISO 13528; 1.134 in most texts)
    values = np.clip(np.random.default_rng(1).normal(0, 1, 400_000), -1.5, 1.5)
    assert 1 / values.std() == pytest.approx(WINSOR_SPREAD, rel=0.003)


@pytest.mark.parametrize("reject", ["clip", "winsorised", "esd"])
@pytest.mark.parametrize("n", [8, 20, 60])
def test_every_rule_takes_a_trail_and_little_else(reject, n):
    rng = np.random.default_rng(n)
    stack = rng.normal(100, 10, (n, 150, 150)).astype(np.float32)
    clean = combine_values(stack, Rule(reject, noise_adu=10.0))
    assert clean.rejected.mean() / n < 0.005
    assert clean.mean.std() < 1.02 * 10 / np.sqrt(n)
    stack[n // 2, 60:80] += 300.0
    crossed = combine_values(stack, Rule(reject, noise_adu=10.0))
    assert (crossed.rejected[60:80] >= 1).mean() > 0.995
    assert abs(crossed.mean[60:80].mean() - clean.mean[60:80].mean()) < 0.002 * 300 / n + 0.2
    np.testing.assert_allclose(crossed.share[60:80].mean(), 1 - 1 / n, atol=0.01)
    none = combine_values(stack, Rule("none"))
    np.testing.assert_allclose(none.mean, stack.mean(axis=0), rtol=1e-5)


def test_a_noisier_frame_may_stray_further():
    stack = np.zeros((9, 1), np.float32)
    stack[:, 0] = [0, 1, -1, 0.5, -0.5, 0.2, -0.2, 0.1, 6.0]
    strict = combine_values(stack, Rule(noise_adu=1.0))
    loose = combine_values(stack, Rule(noise_adu=1.0), looser=[1] * 8 + [4])
    assert (strict.rejected[0], loose.rejected[0]) == (1, 0)


def test_mad_std_agrees_with_the_constant_used():
    # MAD to sigma 1.482602 for a normal distribution.
    values = np.random.default_rng(0).normal(0, 1, 200_001)
    mad = np.median(np.abs(values - np.median(values)))
    assert 1.482602 * mad == pytest.approx(mad_std(values), rel=1e-6)


def test_faint_flanks_of_a_trail_go_and_stars_stay():
    # A trail of 1.5 sigma, eleven pixels wide: no pixel of it can be told from noise alone.
    rng = np.random.default_rng(12)
    yy, xx = np.mgrid[:160, :200]
    stars = sum(
        3000 * np.exp(-((xx - x) ** 2 + (yy - y) ** 2) / 2 / 1.6**2)
        for x, y in rng.uniform(20, 140, (12, 2))
    )
    breath = [1.0, 0.8, 1.2, 0.95, 1.1]
    frames = [b * stars + rng.normal(0, 10, stars.shape) for b in breath]
    frames[2][70:81] += 15.0
    stack = np.stack(frames).astype(np.float32)[:, None]
    rule = Rule(noise_adu=10.0, shape_tolerance=0.15)
    sums = combine_values(stack, rule)
    plain = sums.mean[0].copy()
    assert plain[72:79].mean() - plain[100:150].mean() > 1.5
    changed = drop_trails(stack, sums, shape_tolerance=0.15)
    assert np.isnan(stack).sum() < 0.12 * 160 * 200
    mean = combine_values(stack, rule, again=(sums, changed)).mean[0]
    dark = stars < 1
    assert abs(mean[72:79][dark[72:79]].mean() - mean[dark].mean()) < 0.6
    assert np.isfinite(stack[:, 0, :60][:, stars[:60] > 500]).all()
    np.testing.assert_array_equal(mean[:60], plain[:60])  # only what changed is done anew


def test_noise_alone_is_no_trail():
    rng = np.random.default_rng(13)
    stack = rng.normal(0, 10, (6, 3, 300, 300)).astype(np.float32)
    drop_trails(stack, combine_values(stack, Rule(noise_adu=10.0)))
    assert np.isnan(stack[:, 0]).sum() < 0.001 * 6 * 300 * 300
    assert drop_trails(stack[:2], combine_values(stack[:2], Rule())) is None


@settings(max_examples=50, deadline=None)
@given(frames=st.integers(1, 400), channels=st.sampled_from([1, 3]))
def test_blocks_tile_the_picture_within_the_memory_budget(frames, channels):
    box = Box(37, 12, 6000, 3991)
    parts = list(blocks(box, frames, channels, budget_bytes=3e8))
    assert sum(p.width_px * p.height_px for p in parts) == box.width_px * box.height_px
    largest = max(p.width_px * p.height_px for p in parts)
    assert 4.0 * largest * frames * channels <= 3.2e8
