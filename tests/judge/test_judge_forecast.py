"""Judging forecast frames of the example kit: truth in, the same truth and the right advice out."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime

import pytest

from slowglass.expose.forecast import render_with_truth
from slowglass.judge.assess import assess_frame
from slowglass.kit.io import load_kit, load_site
from slowglass.sky.coords import separation_deg
from slowglass.sky.place import resolve_place

WHEN = datetime(2026, 9, 12, 21, tzinfo=UTC)
pytestmark = pytest.mark.slow  # each frame has 24 million pixels


@dataclass
class Judged:
    verdict: object
    truth: object
    error_px: float


@pytest.fixture(scope="module")
def judged(sky):
    """Each kind of frame rendered and judged once."""
    kit, site = load_kit("long 102"), load_site("Fig Tree Yard")
    target = resolve_place("M11", sky)
    kinds = {
        "good": {"exposure_s": 30, "tracking": False},
        "soft": {"exposure_s": 30, "tracking": False, "blur_px": 24.0},
        "cloud": {"exposure_s": 30, "tracking": False, "transparency": 0.05},
        "trailed": {"exposure_s": 120, "worm_phase_rad": 0.0},
        "off": {"exposure_s": 30, "tracking": False, "offset_arcsec": (2400.0, -600.0)},
    }
    answers = {}
    for name, options in kinds.items():
        frame, truth = render_with_truth(
            kit, site, sky, target.object, when=WHEN, seed=3, **options
        )
        verdict = assess_frame(
            frame, sky, now_utc=WHEN, near=target, target=target, kit=kit, site=site
        ).verdict
        error = separation_deg(
            verdict.ra_deg, verdict.dec_deg, truth.wcs.ra0_deg, truth.wcs.dec0_deg
        )
        scale = truth.wcs.scale_arcsec_per_px
        answers[name] = Judged(verdict, truth, float(error) * 3600 / scale)
    return answers


@pytest.mark.parametrize("name", ["good", "soft", "cloud", "trailed", "off"])
def test_pointing_within_a_pixel(judged, name):
    assert judged[name].verdict.solved
    assert judged[name].error_px < 1.0


def test_a_good_frame_is_kept_and_its_width_is_true(judged):
    verdict, truth = judged["good"].verdict, judged["good"].truth
    assert verdict.keeper and verdict.reasons == ()
    assert verdict.instruction == "On target and sharp: keep shooting"
    assert verdict.fwhm_px == pytest.approx(truth.fwhm_px, rel=0.03)
    assert verdict.elongation < 1.1
    assert abs(verdict.light_loss_mag) < 0.4


def test_defocus_is_seen_as_discs_of_the_true_width(judged):
    verdict = judged["soft"].verdict
    assert not verdict.keeper
    assert verdict.instruction.startswith("Refocus: stars are rings 2")
    assert verdict.reasons[0].startswith("out of focus: stars are rings 2")


def test_cloud_is_told_by_the_missing_light(judged):
    verdict = judged["cloud"].verdict
    assert not verdict.keeper
    # A transparency of 0.05 is 3.25 mag.
    assert verdict.light_loss_mag == pytest.approx(3.25, abs=0.4)
    assert "fainter than the kit should show" in verdict.reasons[0]


def test_a_long_exposure_trails_as_the_mount_moved(judged):
    verdict, truth = judged["trailed"].verdict, judged["trailed"].truth
    dx = truth.path_px[0][-1] - truth.path_px[0][0]
    dy = truth.path_px[1][-1] - truth.path_px[1][0]
    (a, b), (c, d) = truth.wcs.cd
    pa = math.degrees(math.atan2(a * dx + b * dy, c * dx + d * dy)) % 180
    assert not verdict.keeper
    assert abs((verdict.trail_position_angle_deg - pa + 90) % 180 - 90) < 5.0
    length = math.hypot(dx, dy) * truth.wcs.scale_arcsec_per_px
    assert verdict.trail_arcsec == pytest.approx(length, rel=0.1)
    assert verdict.instruction.startswith("Shorten to ")


def test_a_frame_off_target_says_how_far_to_turn(judged):
    """Centre 2400″ east and 600″ south of the target: west and north to go."""
    verdict = judged["off"].verdict
    assert verdict.nudge.dec_deg == pytest.approx(600 / 3600, abs=0.01)
    assert verdict.nudge.ra_deg == pytest.approx(-2400 / 3600, abs=0.01)
    assert verdict.instruction.startswith("Turn RA 40")
    assert "west" in verdict.instruction
