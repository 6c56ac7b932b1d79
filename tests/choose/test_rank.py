"""The score: it falls where an answer turns to no, and never leaves 0 to 1."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from slowglass.choose.rank import (
    fits_score,
    holds_score,
    reach_score,
    reason_words,
    shows_score,
    total_score,
)

POSITIVE = st.floats(1e-3, 1e4)


def reach(altitude, minutes, legs, wait=0.0):
    return reach_score(*(np.asarray(v, float) for v in (altitude, minutes, legs, wait)))


@given(POSITIVE, POSITIVE, POSITIVE, POSITIVE, POSITIVE, st.floats(0, 90), st.floats(0, 900),
       st.floats(1, 40), st.floats(0, 16), st.booleans(), st.booleans())  # fmt: skip
def test_scores_stay_between_0_and_1(
    fraction, core, parts, snr, hold, altitude, minutes, legs, wait, stars, named
):
    score = total_score(
        fits_score(np.array(fraction), np.array(core), core_apart=stars),
        shows_score(np.array(snr), np.array(parts), stars=stars),
        holds_score(np.array(hold), np.array(20.0)),
        reach(altitude, minutes, legs, wait),
        named=named,
    )
    assert 0.0 <= float(score) <= 1.0


def rising(values):
    return bool(np.all(np.diff(values) >= 0)) and values[-1] > values[0]


def test_more_is_better_in_each_question():
    assert rising(shows_score(np.array([1.0, 3.0, 10.0, 50.0, 300.0]), np.full(5, 300.0)))
    assert rising(shows_score(np.full(3, 50.0), np.array([5.0, 100.0, 1000.0])))
    assert rising(shows_score(np.full(3, 300.0), np.array([5.0, 20.0, 60.0]), stars=True))
    assert rising(holds_score(np.array([1.0, 5.0, 20.0, 60.0]), np.full(4, 60.0)))
    assert rising(reach([16.0, 25.0, 40.0, 60.0], 90.0, 3))
    assert rising(reach(50.0, [10.0, 40.0, 90.0], 3))
    assert rising(-reach(50.0, 90.0, [1, 5, 12]))
    assert rising(-reach(50.0, 90.0, 3, [3.0, 6.0, 9.0]))


def test_four_dull_kinds_lose_to_a_bright_ring():
    """Signal to noise as the built-in kit gives it: specks, veils, glows and lone stars."""
    ring = shows_score(np.array(350.0), np.array(480.0))
    assert ring > shows_score(np.array(2000.0), np.array(1.0)) + 0.1
    assert ring > shows_score(np.array(4.0), np.array(6e5)) + 0.1
    assert ring > shows_score(np.array(350.0), np.array(480.0), smooth=True) + 0.1
    assert ring > shows_score(np.array(18000.0), np.array(5.0), stars=True) + 0.1


def test_too_large_with_a_core_beats_too_large():
    scores = fits_score(np.array([0.5, 0.98, 2.0, 2.0]), np.array([0.2, 0.4, 0.5, 2.0]))
    assert np.all(np.diff(scores) < 0)
    assert fits_score(np.array(2.2), np.array(0.5), core_apart=True) > scores[1]


def test_what_never_comes_up_scores_nothing():
    assert reach(80.0, 0.0, 1.0) == 0


def words(**changes):
    values = {
        "looks": "Planetary nebula, 1.3′ across",
        "fits": "yes",
        "fraction": 0.03,
        "snr_single": 20.0,
        "minutes_to_target": 1.0,
        "session_min": 120.0,
        "snr_total": 200.0,
        "exposure_s": 30.0,
        "hold_time_s": 35.0,
        "wanted_s": 8.0,
        "altitude_deg": 69.0,
        "direction": "south",
        "clock": "22:10",
        "moonlit_mag": 0.0,
        "hop_legs": 1,
        "start": "Sheliak",
    }
    return reason_words(**{**values, **changes})


def test_a_reason_is_a_sentence_or_two():
    assert words() == (
        "Planetary nebula, 1.3′ across: shows well in a single 30 s exposure. "
        "Best at 22:10, 69° up in the south, one leg from Sheliak."
    )


def test_what_speaks_against_is_said():
    text = words(
        fits="barely",
        fraction=2.0,
        snr_single=0.5,
        minutes_to_target=900.0,
        snr_total=6.0,
        hold_time_s=20.0,
        wanted_s=300.0,
        altitude_deg=21.0,
        moonlit_mag=1.4,
        hop_legs=11,
    )
    assert "bring it out faintly" in text
    for part in (
        "only its bright core fits the frame",
        "it wants exposures of 5 min and the mount holds 20 s",
        "it stays low",
        "the Moon brightens the sky there by 1.4 mag",
        "the hop is long",
    ):
        assert part in text
    assert "too large for the frame" in words(fits="no")
    assert "lost in the noise" in words(snr_single=0.1, minutes_to_target=1e6, snr_total=1.0)
