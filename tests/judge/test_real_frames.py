"""Real frames: solved where they must be, refused where they must be, wrong never.

Skipped where the frames folder is absent. Headers are stripped of their solutions first.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "builders"))

from real_frames import (
    CALIBRATION,
    COLOUR_CHART,
    LOWELL,
    M13,
    M67,
    PLEIADES,
    UMD,
    Case,
    centre_error_px,
    frames_folder,
    solve_cases,
    stripped_copy,
)

from slowglass.frame.io import read_frame
from slowglass.judge.service import judge_file
from slowglass.sky.place import resolve_place

FOLDER = frames_folder()
pytestmark = [
    pytest.mark.frames,
    pytest.mark.skipif(FOLDER is None, reason="no folder of real frames"),
]
CASES = solve_cases(FOLDER) if FOLDER is not None else []


@pytest.mark.parametrize("case", CASES, ids=lambda case: f"{case.name}, {case.prior_text}")
def test_solve(case: Case, sky, tmp_path):
    path = stripped_copy(FOLDER / case.file, tmp_path / "frame.fits", case.rearrange)
    options = dict(case.options)
    if "near" in options:
        options["near"] = resolve_place(options["near"], sky)
    verdict = judge_file(path, sky, **options)

    if case.must == "solve":
        assert verdict.solved, verdict.reason
    if case.must == "refuse":
        assert not verdict.solved, f"solved at {verdict.ra_deg}, {verdict.dec_deg}"
    if not verdict.solved:
        assert len(verdict.reason) > 20 and any(c.isdigit() for c in verdict.reason)
        return
    assert case.truth is not None, f"solved a frame of unknown place: {verdict}"
    error = centre_error_px(case.truth, verdict.ra_deg, verdict.dec_deg)
    assert error < case.tolerance_px, f"{error:.2f} px off"
    assert verdict.scale_arcsec_per_px == pytest.approx(case.truth.scale_arcsec_per_px, rel=0.005)
    if case.truth.parity is not None:
        assert verdict.parity == case.truth.parity


@pytest.mark.parametrize("file", LOWELL)
def test_raw_lights_measure_as_published(file, sky):
    """Sky about 2730–2780 ADU, FWHM about 2.2 px (the frames' own description)."""
    verdict = judge_file(FOLDER / file, sky, near=resolve_place("124.62 25.33", sky))
    assert verdict.kind == "light" and verdict.exposure_s == 300.0
    assert verdict.sky_adu == pytest.approx(2755, abs=60)
    assert verdict.fwhm_px == pytest.approx(2.2, abs=0.35)
    assert verdict.stars > 50


@pytest.mark.parametrize("file", UMD)
def test_wide_stars_of_the_schmidt_cassegrain(file, sky):
    """FWHM about 8.5 px (the frames' own description)."""
    verdict = judge_file(FOLDER / file, sky)
    assert verdict.kind == "light"
    assert verdict.fwhm_px == pytest.approx(8.5, rel=0.2)


@pytest.mark.parametrize("file", M13)
def test_the_faint_series_is_judged_honestly(file, sky):
    verdict = judge_file(FOLDER / file, sky, near=resolve_place("M13", sky))
    assert verdict.exposure_s == 5.0 and verdict.kind == "light"
    assert not verdict.solved
    assert verdict.instruction


@pytest.mark.parametrize(("file", "kind"), CALIBRATION.items())
def test_calibration_frames_are_known_for_what_they_are(file, kind, sky):
    verdict = judge_file(FOLDER / file, sky)
    assert verdict.kind == kind
    assert not verdict.keeper and not verdict.solved
    assert kind in verdict.reasons[0]


@pytest.mark.parametrize("file", [PLEIADES, M67])
def test_original_headers_are_survived(file, sky):
    """Junk units, both CD and CDELT, plate polynomials: the file is read and judged as it is."""
    verdict = judge_file(FOLDER / file, sky)
    assert verdict.stars > 20


def test_the_colour_chart_opens_with_its_mosaic_and_levels():
    frame = read_frame(FOLDER / COLOUR_CHART)
    assert frame.bayer == "RGGB"
    assert frame.black_adu == pytest.approx(2056, abs=1)
    assert frame.white_adu == pytest.approx(15000 - 2056, abs=1)
    assert frame.header.exposure_s is None


def test_a_chart_of_colours_is_not_a_sky(sky):
    verdict = judge_file(FOLDER / COLOUR_CHART, sky)
    assert not verdict.solved and verdict.reason
