"""Keepers: those frames whose sum shows most at equal sharpness, and the reasons of the others."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from slowglass.finish.grade import (
    Look,
    Share,
    best_sum,
    choose_keepers,
    frame_weight,
    merit,
    refuse_empty,
)
from slowglass.finish.recipe import GradeStep

GOOD = Look(100, 3.0, 1.1, 500.0, 10.0, 60.0)


def shares(count=7, *, factor=1.0, **changes):
    """Equal frames, and one more that differs."""
    odd = Share(replace(GOOD, **changes), factor, factor)
    return [*[Share(GOOD, 1.0, 1.0)] * count, odd]


@pytest.mark.parametrize(
    ("changes", "word"),
    [
        ({"elongation": 2.5}, "trailed: stars 2.50 times as long as wide"),
        ({"fwhm_px": 6.0}, "soft: stars 6.0 px wide (3.0 usual)"),
        ({"factor": 0.25}, "cloud: only 25 % of the stars' light came through"),
        ({"noise_adu": 60.0}, "noisy: 60.0 ADU a pixel"),
        ({"fwhm_px": 3.3}, ""),
        ({"factor": 0.7}, ""),
        ({}, ""),
    ],
)
def test_frames_are_left_out_with_their_fault(changes, word):
    reasons = choose_keepers(shares(**changes), GradeStep())
    assert reasons[:7] == [""] * 7
    assert reasons[7].startswith(word.replace("(3.0 usual)", "(3.0 px usual)"))
    assert bool(reasons[7]) == bool(word)
    assert choose_keepers(shares(**changes), GradeStep(keep="all")) == [""] * 8


def test_the_choice_is_that_of_a_count_by_hand():
    # Monte Carlo of the definition: seven frames of noise 1 and width 1, one of width b. The sum
    # is binned to one common width; what counts is a star's light over the noise there.
    def by_hand(b):
        w = np.append(np.ones(7), 1 / b**2)
        blur2 = np.append(np.ones(7), b**2)
        return w.sum() / np.sqrt((w**2).sum()) / np.sqrt((w * blur2).sum() / w.sum())

    for b in (1.2, 1.4, 1.6, 1.8, 2.2):
        reasons = choose_keepers(shares(fwhm_px=3.0 * b), GradeStep())
        assert bool(reasons[7]) == (by_hand(b) < np.sqrt(7))


@settings(max_examples=80, deadline=None)
@given(
    noise=st.lists(st.floats(5, 30), min_size=1, max_size=12),
    seed=st.integers(0, 10**6),
)
def test_no_frame_more_or_less_would_do_better(noise, seed):
    rng = np.random.default_rng(seed)
    own = np.array(noise) / rng.uniform(0.5, 1.2, len(noise))
    blur = rng.uniform(2, 6, len(noise))
    kept = best_sum(own, blur)
    most = merit(own[kept], blur[kept])
    assert kept.any()
    for k in range(len(own)):
        other = kept.copy()
        other[k] = not kept[k]
        if other.any():
            assert merit(own[other], blur[other]) <= most * (1 + 1e-9)


def test_equal_frames_gain_as_the_root_of_their_number():
    gains = [merit(np.ones(n), np.ones(n)) for n in range(1, 10)]
    np.testing.assert_allclose(gains, np.sqrt(np.arange(1, 10)))


def test_nearly_empty_frames_are_named_and_the_best_always_kept():
    looks = [*[GOOD] * 7, replace(GOOD, stars=10)]
    assert refuse_empty(looks, GradeStep())[7] == "too few stars: 10 where the series has about 100"
    assert refuse_empty([Look(3, 9.0, 3.0, 0.0, 1.0)], GradeStep()) == [""]
    alone = choose_keepers([Share(Look(3, 9.0, 3.0, 0.0, 1.0), 1.0, 1.0)], GradeStep())
    assert alone == [""]
    blind = [Share(replace(GOOD, fwhm_px=np.nan, elongation=np.nan), 1.0, 1.0)] * 3
    assert choose_keepers(blind, GradeStep()) == [""] * 3


def test_weight_is_inverse_variance_of_a_star():
    assert frame_weight(factor=2, noise_adu=10, blur_px=3) == pytest.approx(4 / 900)
