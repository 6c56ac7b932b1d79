"""A series summed up: from verdicts to words, JSON and a picture, and on the command line."""

from __future__ import annotations

import json
import math
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from typer.testing import CliRunner

from slowglass.cli.main import app
from slowglass.documents import to_text
from slowglass.errors import UsageError
from slowglass.judge.pattern import Pattern
from slowglass.judge.plot import draw_series
from slowglass.judge.report import same_field, sum_up
from slowglass.judge.sample import sample_of
from slowglass.judge.sky import SkyLight
from slowglass.judge.verdict import Verdict
from slowglass.kit.io import load_kit, load_site

KIT, SITE = load_kit("long 102"), load_site("Fig Tree Yard")
START = datetime(2026, 9, 12, 21, tzinfo=UTC)


def night(frames=60, *, cadence_s=30.0, swing=15.0, seed=1):
    """Verdicts of a night with the scenario's worm, creeping focus and some cloud."""
    rng = np.random.default_rng(seed)
    made = []
    for i in range(frames):
        t = i * cadence_s
        east = swing * math.sin(2 * math.pi * t / 662.8) + rng.normal(0, 0.2)
        north = 0.02 * t + rng.normal(0, 0.2)
        cloud = 0.8 if 20 <= i < 24 else 0.0
        sky = SkyLight(
            sky_mag_arcsec2=20.1 - cloud, zero_point_mag=17.5 - cloud, histogram_share=0.1,
            sky_reason="through cloud" if cloud else "", read_noise_share=0.2,
        )  # fmt: skip
        t_px2 = 4.0 + 0.02 * i
        made.append(
            Verdict(
                f"light_{i:03d}.fits",
                6000,
                4000,
                20.0,
                80,
                True,
                ra_deg=300.0 + east / 3600 / math.cos(math.radians(20)),
                dec_deg=20.0 + north / 3600,
                scale_arcsec_per_px=0.619,
                rotation_deg=180.0 + rng.normal(0, 3) / 3600,
                parity=1,
                matched=20,
                rms_arcsec=0.5,
                fwhm_px=4.7 + 0.02 * i,
                hfd_px=5.2 + 0.025 * i,
                keeper=True,
                kind="light",
                start_utc=(START + timedelta(seconds=t)).isoformat(),
                pattern=Pattern(
                    60,
                    3605.0,
                    (t_px2, 0.0, 0.0, 0.0, 0.0, 0.0),
                    (0.02,) * 6,
                    (0.02, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0),
                    (0.02,) * 7,
                ),
                light=sky,
            )
        )
    return made


@pytest.fixture(scope="module")
def report():
    return sum_up(night(), kit=KIT, site=SITE)


def test_the_night_is_read_as_it_was(report):
    assert report.frames == report.solved == report.keepers == 60
    assert report.worm and report.worm.fits_teeth(130)
    assert report.worm.peak_to_peak_arcsec == pytest.approx(30, rel=0.1)
    assert report.focus and report.focus.creeping
    assert report.clouds and report.clouds.cloudy == (20, 21, 22, 23)
    # Clear frames alone speak of the sky.
    assert report.sky_mag_arcsec2 == pytest.approx(20.1)
    assert report.drift and report.drift.dec_arcsec_per_min == pytest.approx(1.2, abs=0.1)
    assert report.hold and report.hold.keep_50_s > report.hold.keep_90_s
    assert report.exposure and len(report.causes) == 60


def test_order_does_not_matter(report):
    verdicts = night()
    mixed = [verdicts[i] for i in np.random.default_rng(2).permutation(60)]
    again = sum_up(mixed, kit=KIT, site=SITE)
    assert again.worm and again.worm.period_s == pytest.approx(report.worm.period_s)
    assert [mixed[i].file for i in again.order] == [v.file for v in verdicts]


def test_json_holds_numbers_or_reasons_and_nothing_else(report):
    made = json.loads(to_text(report))
    for part in ("focus", "field", "drift", "worm", "hold", "axis", "clouds", "exposure"):
        assert "reason" in made[part] or len(made[part]) > 1, part
    assert made["worm"]["teeth_range"][0] <= 130 <= made["worm"]["teeth_range"][1]
    empty = json.loads(to_text(sum_up([])))
    assert empty["frames"] == 0 and empty["worm"]["reason"] and empty["axis"]["reason"]


def test_frames_of_another_field_are_left_out_of_drift():
    verdicts = night(20)
    far = [Verdict(**{**vars(v), "dec_deg": 50.0, "file": "far" + v.file}) for v in verdicts[:5]]
    run = [sample_of(v) for v in (*far, *verdicts)]
    assert len(same_field(run)) == 20
    drift = sum_up([*far, *verdicts]).drift
    assert drift and drift.span_arcsec < 100


def test_hand_turned_focus_is_summed_up():
    verdicts = [
        Verdict(f"f{i}.fits", hfd_px=float(np.hypot(4, 9 * (0.25 * i - 1.5))), fwhm_px=4.0)
        for i in range(10)
    ]
    curve = sum_up(verdicts, focus_turn=0.25).curve
    assert curve and curve.best == pytest.approx(1.5, abs=0.05) and curve.unit == "turn"


@pytest.mark.parametrize("suffix", ["png", "svg", "pdf"])
def test_the_picture_is_written_in_each_form(report, tmp_path, suffix):
    out = draw_series(report, tmp_path / f"night.{suffix}")
    head = out.read_bytes()[:64]
    assert {"png": b"PNG", "svg": b"<?xml", "pdf": b"%PDF"}[suffix] in head


def test_pictures_of_nothing_and_of_focus_are_drawn_too(tmp_path):
    draw_series(sum_up([]), tmp_path / "empty.png")
    verdicts = [
        Verdict(f"f{i}.fits", hfd_px=float(np.hypot(4, 9 * (0.25 * i - 1.5))), fwhm_px=4.0)
        for i in range(10)
    ]
    draw_series(sum_up(verdicts, focus_turn=0.25), tmp_path / "focus.png")
    with pytest.raises(UsageError):
        draw_series(sum_up([]), tmp_path / "night.txt")


def test_the_command_line_refuses_what_it_cannot_do(tmp_path):
    run = CliRunner().invoke
    bad = run(app, ["judge", str(tmp_path), "--plot", "night.txt"])
    assert bad.exit_code != 0
    bad = run(app, ["judge", str(tmp_path), "--focus-turn", "0"])
    assert bad.exit_code != 0


def test_three_frames_on_the_command_line_end_in_a_series(sky, tmp_path):
    from painted_sky import paint, save

    for k in range(3):
        painted = paint(sky, ra_deg=283.1 + 0.002 * k, dec_deg=-6.0, seed=k)
        save(painted, tmp_path / f"light_{k}.fits")
    args = ["judge", str(tmp_path), "--near", "M11", "--scale", "2.475", "--series"]
    done = CliRunner().invoke(app, [*args, "--json", "--plot", str(tmp_path / "out.svg")])
    assert done.exit_code == 0
    lines = [json.loads(line) for line in done.stdout.splitlines()]
    assert len(lines) == 4 and lines[-1]["series"]["frames"] == 3
    assert lines[0]["cause"]["odds"] and lines[0]["pattern"]["stars"] > 20
    assert lines[0]["light"]["histogram_share"] > 0
    assert "site" in lines[-1]["series"]["axis"]["reason"]
    assert (tmp_path / "out.svg").exists()
