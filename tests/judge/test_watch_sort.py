"""What files are for: series, tests, twins, copies; and the one instruction in ten words."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from slowglass.find.nudge import nudge_text
from slowglass.judge import cause, instruction, quality
from slowglass.judge.instruction import MOST_WORDS, aim_instruction, say_next
from slowglass.judge.live_enough import how_far
from slowglass.judge.quality import Measures, judge_quality
from slowglass.judge.verdict import NudgeToTarget, Verdict
from slowglass.judge.watch_sort import Entry, count_roles, sort_out

START = datetime(2026, 9, 12, 21, tzinfo=UTC)


def light(number, *, exposure_s=60.0, ra=322.5, keeper=True, name=None, at_s=None, **more):
    seconds = 65.0 * number if at_s is None else at_s
    verdict = Verdict(
        file=name or f"IMG_{number:04d}.dng", width_px=6000, height_px=4000, stars=200,
        exposure_s=exposure_s, solved=ra is not None, ra_deg=ra,
        dec_deg=None if ra is None else 12.17,
        scale_arcsec_per_px=None if ra is None else 0.62, fwhm_px=4.0, elongation=1.05,
        keeper=keeper, reasons=() if keeper else ("trailed: stars are long",),
        instruction="Good frame: keep shooting" if keeper else "Shorten to 30 s: stars trail",
        start_utc=(START + timedelta(seconds=seconds)).isoformat(), kind="light",
    )  # fmt: skip
    return Entry(verdict.file, replace(verdict, **more), fingerprint=str(number))


def other(number, kind):
    return light(number, kind=kind, solved=False, ra=None, keeper=False, stars=0)


def roles(entries):
    return [entry.role for entry in sort_out(entries)]


def test_one_field_and_exposure_is_a_series_the_rest_are_tests():
    day = [light(0, exposure_s=5.0), light(1, ra=321.0), *(light(n) for n in range(2, 6))]
    assert roles(day) == ["test", "test", "light", "light", "light", "light"]
    told = [entry.why for entry in sort_out(day)][:2]
    assert told == ["5 s, not the series' 60 s", "another field than the series"]


def test_unsolved_frames_belong_to_the_field_before_them():
    assert roles([light(0), light(1), light(2), light(3, ra=None)]) == ["light"] * 4
    assert roles([light(0, ra=None), light(1), light(2), light(3)]) == ["light"] * 4


def test_a_new_target_takes_over_with_its_third_frame():
    first = [light(n) for n in range(5)]
    moved = [light(n, ra=280.0) for n in range(5, 7)]
    assert roles([*first, *moved]) == ["light"] * 5 + ["test"] * 2
    assert roles([*first, *moved, light(7, ra=280.0)]) == ["test"] * 5 + ["light"] * 3


def test_a_picture_of_the_same_exposure_is_a_twin_whatever_its_name():
    data = light(1)
    picture = replace(light(1, name="holiday.jpg", exposure_s=59.9), fingerprint="p", linear=False)
    late = replace(light(9, name="IMG_0001.jpg"), fingerprint="q", linear=False)
    assert roles([data, picture]) == ["light", "twin"]
    assert roles([picture, data]) == ["twin", "light"]
    assert roles([data, late]) == ["light", "light"]  # another time: another exposure


def test_without_a_time_twins_are_told_by_the_name_they_share():
    data = light(1, name="a/IMG_0001.dng")
    picture = replace(
        light(1, name="a/IMG_0001.JPG", start_utc=None), fingerprint="p", linear=False
    )
    assert roles([data, picture]) == ["light", "twin"]
    elsewhere = replace(picture, name="b/IMG_0001.JPG")
    assert roles([data, elsewhere]) == ["light", "light"]


def test_pictures_alone_are_frames_like_others():
    pictures = [replace(light(n), linear=False) for n in range(3)]
    assert roles(pictures) == ["light"] * 3


def test_copies_calibration_and_damage_are_set_aside():
    broken = light(9)
    broken = replace(broken, verdict=replace(broken.verdict, error="cut short"))
    day = [light(1), replace(light(1), name="copy.dng"), other(3, "dark"), other(4, "flat"), broken]
    found = sort_out(day)
    assert [e.role for e in found] == ["light", "copy", "dark", "flat", "unreadable"]
    assert "IMG_0001.dng" in found[1].why
    gone = [replace(e, gone=True) for e in found[:1]]
    assert count_roles([*gone, *found[1:]]) == {"copy": 1, "dark": 1, "flat": 1, "unreadable": 1}


def test_nothing_is_nothing():
    assert sort_out([]) == ()
    assert say_next([]).text == "Take a test frame"


def say(entries, **more):
    return say_next(sort_out(entries), **more)


def test_one_bad_frame_of_a_good_series_asks_for_nothing():
    good = [light(n) for n in range(4)]
    bad = light(4, keeper=False)
    assert say([*good, bad]).text == "One frame lost: keep shooting"
    assert say([*good, bad]).cue == ""
    worse = say([*good, bad, light(5, keeper=False)])
    assert worse.text == "Shorten to 30 s: stars trail" and worse.cue == "act"
    assert "trailed: stars are long" in worse.evidence


def test_aim_comes_at_once_and_before_the_series():
    nudge = NudgeToTarget(0.5, 0.0, 0.5, "Turn the RA axis 30′ east.")
    turned = light(4, nudge=nudge, instruction="Turn RA 30.0′ east, then shoot again")
    found = say([light(0), light(1), turned])
    assert found.text.startswith("Turn RA") and found.cue == "act"
    assert "Turn the RA axis 30′ east." in found.evidence


def test_a_camera_that_stopped_is_noticed():
    series = [light(n) for n in range(5)]
    assert "camera" not in say(series, quiet_s=100.0, step_s=65.0).text
    found = say(series, quiet_s=400.0, step_s=65.0)
    assert found.text == "No new frame for 7 min: check the camera" and found.cue == "act"
    darks = [*series, other(9, "dark")]
    assert "dark" in say(darks, quiet_s=4000.0, step_s=65.0).text


def test_enough_and_how_long_still():
    series = [light(n) for n in range(5)]
    told = {"exposure_s": 1500.0, "fwhm_px": 4.0, "seconds_a_keeper": 65.0}
    reached = how_far([None] * 25, planned_single_snr=10.0, **told)
    assert say(series, enough=reached).cue == "done"
    going = how_far([None] * 25, planned_single_snr=3.0, **told)
    assert say(series, enough=going).text == "Keep shooting: 81 min to go"


def test_calibration_frames_are_counted():
    assert say([other(1, "dark")]).text == "1 of 16 darks: keep going"
    full = say([other(n, "flat") for n in range(16)])
    assert full.text == "16 flats: enough of them" and full.cue == "done"


def test_a_damaged_last_frame_is_asked_for_again():
    broken = light(2)
    broken = replace(broken, verdict=replace(broken.verdict, error="cut short"))
    assert say([light(1), broken]).text.startswith("Copy the last frame again")


@pytest.mark.parametrize(
    "measures",
    [
        {"blank": True},
        {"kind": "dark"},
        {"width_px": 9, "height_px": 9},
        {"sky_adu": 60000.0, "exposure_s": 20.0},
        {"sky_adu": 65000.0},
        {"stars": 0},
        {"stars": 9, "shape_stars": 1},
        {"ring_px": 31.0, "ring_has_hole": True},
        {"fwhm_px": 30.0, "scale_arcsec_per_px": 1.0},
        {"elongation": 1.8},
        {"elongation": 1.8, "exposure_s": 60.0},
        {"light_loss_mag": 2.2},
        {"catalogue_expected": 40, "catalogue_matched": 9},
        {"saturated_fraction": 0.2},
    ],
)
def test_every_fault_says_its_cure_in_ten_words(measures):
    usual = {
        "width_px": 6000, "height_px": 4000, "stars": 90, "shape_stars": 60, "fwhm_px": 4.0,
        "elongation": 1.05, "sky_adu": 900.0, "sky_rms_adu": 9.0, "scale_arcsec_per_px": 0.6,
    }  # fmt: skip
    if measures.get("width_px") == 9:
        usual["sky_rms_adu"] = float("nan")
    found = judge_quality(Measures(**{**usual, **measures}))
    assert found.faults
    for fault in found.faults:
        assert len(fault.instruction.split()) <= MOST_WORDS, fault.instruction


def test_every_other_instruction_has_ten_words_at_most():
    nudge = nudge_text(10.0, 40.0, 13.3, 38.2)
    said = [aim_instruction(nudge), *(advice for _, advice in cause.WORDS.values())]
    clean = quality.Quality((), ())
    for solved, hinted, way in ((1, 0, None), (0, 1, None), (0, 0, None), (1, 1, nudge)):
        said.append(
            instruction.one_instruction(clean, way, solved=bool(solved), hinted=bool(hinted))
        )
    assert [line for line in said if len(line.split()) > MOST_WORDS] == []
