"""Causes: each fault, rendered star by star, is named; what cannot be told is not."""

from __future__ import annotations

import math
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from slowglass.judge.cause import CAUSES, WORDS, find_cause
from slowglass.judge.cause_path import Motion, weigh_paths
from slowglass.judge.pattern import Pattern
from slowglass.judge.sample import Sample

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))
import judge_scenes as scenes

NAN = math.nan


@pytest.fixture(scope="module")
def kit():
    return scenes.small_kit()


@pytest.mark.parametrize("truth", scenes.TRUTHS)
def test_a_rendered_fault_is_named(truth, kit):
    # benchmarks/judge.py counts how often over a thousand; here one plain case of each.
    case = scenes.make_case(truth, 7, kit)
    cause = find_cause(
        case.samples,
        case.judged,
        worm_period_s=case.worm_period_s,
        sharp_fwhm_px=case.sharp_fwhm_px,
    )
    assert cause
    assert cause.name == truth
    assert sum(p for _, p in cause.odds) == pytest.approx(1.0, abs=0.01)
    assert cause.odds[0] == (cause.name, cause.probability)
    assert cause.advice == WORDS[cause.name][1] and len(cause.advice.split()) <= 10


def pattern(e1=0.0, e2=0.0, *, t=3.0, strength=0.0, skew=(0.0, 0.0, 0.0)):
    return Pattern(
        stars=60, reach_px=3600.0, size=(t, 0, 0, 0, 0, 0), size_error=(0.03,) * 6,
        shape=(e1, e2, 0, 0, 0, 0, strength), shape_error=(0.02, 0.02, *(0.05,) * 5),
        skew=skew, skew_error=(0.005, 0.005, 0.01),
    )  # fmt: skip


def sample(time_s=0.0, shape=None, *, east=0.0, north=0.0, dec=20.0, **changes):
    """A placed frame whose stored +x axis points east and +y north."""
    return replace(
        Sample(
            mid_s=1.79e9 + time_s, exposure_s=30.0,
            ra_deg=100.0 + east / 3600 / math.cos(math.radians(dec)), dec_deg=dec + north / 3600,
            rotation_deg=0.0, scale_arcsec_per_px=1.0, parity=1, width_px=6000, height_px=4000,
            matched=20, rms_arcsec=0.5, pattern=shape or pattern(),
        ),
        **changes,
    )  # fmt: skip


def test_one_frame_alone_claims_no_more_than_its_direction():
    along_ra = find_cause([sample(shape=pattern(e1=1.5))], 0)
    assert along_ra and along_ra.alone and along_ra.name == "drive"
    along_dec = find_cause([sample(shape=pattern(e1=-1.5))], 0)
    assert along_dec and dict(along_dec.odds)["drive"] < 0.2
    # Polar axis, wind and slip all trail in Dec: nothing is certain from one frame.
    assert not along_dec.sure and "probably" in along_dec.text


def test_drift_between_frames_decides_between_axis_wind_and_slip():
    length = math.sqrt(12 * 3.0)  # e1 = −1.5 px², 1″ a px: variance 3 along Dec
    trailed = pattern(e1=-1.5)
    steady = [sample(40.0 * i, trailed, north=length / 30 * 40 * i) for i in range(5)]
    assert find_cause(steady, 2).name == "polar axis"
    shaken = [sample(40.0 * i, trailed if i == 2 else None) for i in range(5)]
    assert find_cause(shaken, 2).name == "wind"
    jump = 2.0 * math.sqrt(3.0)
    slipped = [
        sample(40.0 * i, trailed if i == 2 else None, north=jump * (i > 2) + jump / 2 * (i == 2))
        for i in range(5)
    ]
    assert find_cause(slipped, 2).name == "slip"


def test_a_turning_field_is_told_from_astigmatism_by_the_frames_angles():
    turned = math.sqrt(24 * 1.5) / 3600.0  # rad in 30 s that makes a strength of 1.5 px²
    around = pattern(strength=-1.5)
    turning = [
        sample(40.0 * i, around, rotation_deg=math.degrees(turned) / 30 * 40 * i) for i in range(5)
    ]
    assert find_cause(turning, 2).name == "field rotation"
    still = [sample(40.0 * i, around) for i in range(5)]
    assert find_cause(still, 2).name == "astigmatism"


def test_coma_is_told_from_astigmatism_by_its_lopsided_stars():
    comet = pattern(strength=1.5, skew=(0.0, 0.0, 0.11))
    assert find_cause([sample(shape=comet)], 0).name == "coma"
    even = pattern(strength=1.5)
    assert find_cause([sample(shape=even)], 0).name == "astigmatism"


def test_a_mirrored_picture_and_a_turned_camera_change_nothing():
    for rotation, parity in ((0, 1), (0, -1), (70, 1), (200, -1)):
        axis = math.radians(rotation)
        # East-west on the sky, in the pixels of a camera so turned.
        y_axis = np.array([math.sin(axis), math.cos(axis)])
        x_axis = parity * np.array([math.cos(axis), -math.sin(axis)])
        east = np.array([x_axis[0], y_axis[0]])
        tensor = 3.0 * (np.outer(east, east) - 0.5 * np.eye(2))
        shape = pattern(e1=float(tensor[0, 0]), e2=float(tensor[0, 1]))
        cause = find_cause([sample(shape=shape, rotation_deg=float(rotation), parity=parity)], 0)
        assert cause.name == "drive"


def test_without_stars_or_sky_axes_it_says_so_or_stays_open():
    silent = find_cause([replace(sample(), pattern=None)], 0)
    assert not silent and "too few stars" in silent.reason
    unsolved = find_cause(
        [sample(shape=pattern(e1=1.5), rotation_deg=None, ra_deg=None, dec_deg=None)], 0
    )
    assert unsolved and not unsolved.sure


def test_no_cause_is_ever_ruled_out_altogether():
    tensor = np.array([1.5, 0.0])
    frames = [Motion(0.0, 30.0, np.zeros(2), 0.2, tensor, 0.03)]
    chances = weigh_paths(frames, 0, dec_deg=0.0, worm_period_s=662.8)
    assert set(chances) == {"drive", "polar axis", "wind", "slip"} and set(chances) < set(CAUSES)
    assert min(chances.values()) > 0.001
    assert sum(chances.values()) == pytest.approx(1.0)
