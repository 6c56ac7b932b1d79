"""Keep or not, in words with numbers; one instruction; the series beside the single frame."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from slowglass.find.nudge import nudge_text
from slowglass.judge.instruction import one_instruction
from slowglass.judge.prior import binning_of
from slowglass.judge.quality import Measures, friendly_s, judge_quality
from slowglass.judge.series import judge_series
from slowglass.judge.trails import Trail
from slowglass.judge.verdict import Verdict

GOOD = Measures(
    kind="light",
    stars=80,
    shape_stars=60,
    fwhm_px=5.6,
    elongation=1.08,
    scatter=1.12,
    radial=0.0,
    trail=Trail(1.2, 0.8, 90.0, "RA"),
    sky_adu=120.0,
    sky_rms_adu=9.0,
    white_adu=15871.0,
    exposure_s=60.0,
    scale_arcsec_per_px=0.6188,
    expected_fwhm_arcsec=3.6,
    catalogue_expected=12,
    catalogue_matched=11,
)


def codes(measures: Measures) -> list[str]:
    return [fault.code for fault in judge_quality(measures).faults]


def test_a_good_frame_is_kept_without_reasons():
    quality = judge_quality(GOOD)
    assert quality.keeper and quality.faults == () and quality.cautions == ()
    assert one_instruction(quality, None, solved=True) == "Good frame: keep shooting"


@pytest.mark.parametrize("kind", ["dark", "flat", "bias"])
def test_calibration_frames_are_no_keepers(kind):
    quality = judge_quality(replace(GOOD, kind=kind))
    assert not quality.keeper
    assert quality.faults[0].text == f"this is a {kind} frame, not a light"


@pytest.mark.parametrize(
    ("change", "code", "words"),
    [
        ({"stars": 0, "shape_stars": 0}, "no stars", "no stars found, 3 needed"),
        ({"stars": 2}, "no stars", "only 2 stars found, 3 needed"),
        ({"sky_adu": 12000.0}, "bright sky", "76% of the camera's range (12000 of 15871 ADU)"),
        ({"ring_px": 24.0, "ring_has_hole": True}, "out of focus", "rings 24 px wide"),
        ({"fwhm_px": 11.0}, "out of focus", "6.5″ wide, 3.6″ expected"),
        (
            {"elongation": 1.8, "trail": Trail(12.0, 7.4, 88.0, "RA")},
            "trailed",
            "1.80 times as long as wide, a trail of 7.4″ along RA (the drive)",
        ),
        (
            {"elongation": 1.8, "trail": Trail(12.0)},
            "trailed",
            "a trail of 12.0 px; unsolved, so its sky axis is unknown",
        ),
        ({"catalogue_expected": 20, "catalogue_matched": 7}, "cloud", "only 7 of the 20"),
        ({"saturated_fraction": 0.03}, "saturated", "3.0% of the pixels"),
        ({"blank": True}, "blank", "every pixel holds the same value"),
        ({"sky_rms_adu": float("nan"), "width_px": 9, "height_px": 7}, "too small", "9 × 7 px"),
    ],
)
def test_each_fault_is_named_with_its_numbers(change, code, words):
    quality = judge_quality(replace(GOOD, **change))
    assert not quality.keeper
    assert quality.faults[0].code == code
    assert words in quality.faults[0].text


def test_width_of_a_trailed_star_is_not_called_soft():
    trailed = replace(GOOD, fwhm_px=8.5, elongation=2.0, trail=Trail(14.0, 8.7, 91.0, "RA"))
    assert codes(trailed) == ["trailed"]


def test_one_frame_without_kit_or_solution_admits_what_it_cannot_know():
    lone = replace(
        GOOD, fwhm_px=9.0, scale_arcsec_per_px=None, expected_fwhm_arcsec=None,
        catalogue_expected=None, catalogue_matched=None,
    )  # fmt: skip
    quality = judge_quality(lone)
    assert quality.keeper
    assert "seeing and focus cannot be told apart" in " ".join(quality.cautions)


def test_two_stars_do_not_make_a_trail():
    quality = judge_quality(replace(GOOD, elongation=2.5, shape_stars=2))
    assert [fault.code for fault in quality.faults] == ["faint"]
    assert "of 80 stars only 2 can be measured, 3 needed" in quality.faults[0].text


def test_the_pattern_of_the_field_is_a_caution():
    quality = judge_quality(replace(GOOD, scatter=1.5, radial=0.3))
    assert quality.keeper
    assert "they point at the centre" in quality.cautions[0]


def test_shorter_exposure_for_a_trail_is_a_real_setting_and_shorter():
    trail = Trail(12.0, 7.4, 88.0, "RA")
    quality = judge_quality(replace(GOOD, elongation=1.8, trail=trail))
    # The 5.6 px mean width is a 4.17 px star; 1.3 allows 1.77 √(12 · 0.69)/1.07 = 4.76 of 12 px.
    assert quality.faults[0].instruction == "Shorten to 20 s: stars trail along RA"


def test_instruction_order_focus_then_aim_then_trail():
    nudge = nudge_text(10.0, 20.0, 11.3, 20.0)
    trailed = replace(GOOD, elongation=1.8, trail=Trail(12.0, 7.4, 88.0, "RA"))
    soft = replace(trailed, ring_px=30.0, ring_has_hole=True)
    assert one_instruction(judge_quality(soft), nudge, solved=True).startswith("Refocus")
    aim = one_instruction(judge_quality(trailed), nudge, solved=True)
    assert aim == "Turn RA 1.30° east, then shoot again"
    assert one_instruction(judge_quality(trailed), None, solved=True).startswith("Shorten")


def test_both_axes_the_longer_first():
    nudge = nudge_text(10.0, 20.0, 10.5, 18.0)
    line = one_instruction(judge_quality(GOOD), nudge, solved=True)
    assert line == "Turn Dec 2.00° south, RA 30.0′ east, then shoot again"


@pytest.mark.parametrize(
    "change",
    [
        {}, {"stars": 0}, {"sky_adu": 15000.0}, {"sky_adu": 15800.0}, {"fwhm_px": 30.0},
        {"elongation": 3.0}, {"elongation": 3.0, "exposure_s": None}, {"kind": "dark"},
        {"saturated_fraction": 0.2}, {"catalogue_expected": 20, "catalogue_matched": 1},
        {"blank": True}, {"ring_px": 31.0},
    ],
)  # fmt: skip
def test_the_instruction_is_one_short_line(change):
    line = one_instruction(judge_quality(replace(GOOD, **change)), None, solved=False)
    assert line and "\n" not in line
    assert len(line.split()) <= 15


def test_friendly_exposures_round_down():
    given = (0.07, 0.3, 7.9, 29.9, 30.0, 59, 119, 130, 299, 5000)
    assert [friendly_s(s) for s in given] == [
        "0.1 s", "0.2 s", "5 s", "25 s", "30 s", "50 s", "90 s", "2 min", "4 min", "15 min",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("size", "n"),
    [
        ((6000, 4000), 1),
        ((4000, 6000), 1),
        ((6024, 4024), 1),
        ((3000, 2000), 2),
        ((2000, 1333), 3),
        ((4000, 4000), 0),
        ((5000, 3333), 0),
        ((1024, 1024), 0),
    ],
)
def test_the_kit_scale_is_for_the_kit_frame_only(size, n):
    assert binning_of(*size, 6000, 4000) == n


def verdict(i: int, **change) -> Verdict:
    base = {
        "file": f"light_{i:03d}.fits",
        "width_px": 6000,
        "height_px": 4000,
        "exposure_s": 60.0,
        "stars": 80,
        "solved": True,
        "ra_deg": 322.5,
        "dec_deg": 12.17,
        "fwhm_px": 5.5 + 0.1 * (i % 3),
        "sky_adu": 100.0,
        "keeper": True,
        "kind": "light",
        "start_utc": f"2026-09-12T21:{i:02d}:00+00:00",
    }
    return Verdict(**{**base, **change})


def test_series_picks_out_the_odd_frames():
    frames = [verdict(i) for i in range(8)]
    frames[2] = verdict(2, fwhm_px=9.0)
    frames[4] = verdict(4, stars=20)
    frames[5] = verdict(5, sky_adu=240.0)
    judged = judge_series(frames)
    assert [v.keeper for v in judged.verdicts] == [
        True,
        True,
        False,
        True,
        False,
        False,
        True,
        True,
    ]
    assert "9.0 px wide against 5.5 px" in judged.verdicts[2].reasons[0]
    assert "20 stars against 80" in judged.verdicts[4].reasons[0]
    assert "240 ADU against 100" in judged.verdicts[5].reasons[0]


def test_series_of_two_is_not_compared():
    frames = [verdict(0), verdict(1, fwhm_px=12.0)]
    judged = judge_series(frames)
    assert judged.verdicts == tuple(frames)
    assert "too few to compare" in judged.notes[0]


def test_a_handful_of_stars_is_not_called_cloud():
    judged = judge_series([verdict(i, stars=n) for i, n in enumerate([7, 6, 8, 4, 7, 5])])
    assert all(v.keeper for v in judged.verdicts)


def test_drift_is_told_in_arcsec_a_minute():
    """6″ east a minute on the sky is 6/cos(dec) of right ascension; 1.5″ a minute south."""
    import math

    frames = [
        verdict(
            i,
            ra_deg=322.5 + 6.0 * i / 3600 / math.cos(math.radians(12.17)),
            dec_deg=12.17 - 1.5 * i / 3600,
        )
        for i in range(6)
    ]
    drift = judge_series(frames).drift
    assert drift is not None
    assert drift.ra_arcsec_per_min == pytest.approx(6.0, abs=0.01)
    assert drift.dec_arcsec_per_min == pytest.approx(-1.5, abs=0.01)
    assert drift.span_arcsec == pytest.approx(5 * math.hypot(6.0, 1.5), rel=1e-3)
    assert "6.0″ a minute east and 1.5″ a minute south" in drift.text


def test_a_verdict_is_plain_json_and_nan_is_null():
    line = json.dumps(verdict(0, fwhm_px=float("nan")).to_json(), allow_nan=False)
    assert json.loads(line)["fwhm_px"] is None
    contract = {
        "file", "width_px", "height_px", "exposure_s", "stars", "solved", "reason", "ra_deg",
        "dec_deg", "scale_arcsec_per_px", "rotation_deg", "parity", "matched", "rms_arcsec",
        "odds_log10", "fwhm_px", "hfd_px", "elongation", "elongation_angle_deg", "sky_adu",
        "saturated_fraction", "keeper", "reasons", "nudge", "seconds",
    }  # fmt: skip
    assert contract <= set(json.loads(line))
