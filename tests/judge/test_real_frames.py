"""Real frames: solved where they must be, refused where they must be, wrong never.

Skipped where the frames folder is absent. Headers are stripped of their solutions first.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "builders"))

from real_frames import (
    CALIBRATION,
    COLOUR_CHART,
    FOURTEEN_INCH,
    M13,
    M67,
    ONE_METRE,
    PLEIADES,
    Case,
    centre_error_px,
    frames_folder,
    solve_cases,
    stripped_copy,
)

from slowglass.frame.detect import detect_stars
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


def moffat_fwhm_px(file: str, x: int, y: int, half: int) -> float:
    """Width of one star by astropy's own model and fitter, circular Moffat."""
    from astropy.modeling.fitting import LevMarLSQFitter
    from astropy.modeling.models import Moffat2D

    cut = fits.getdata(FOLDER / file).astype(float)[
        y - half : y + half + 1, x - half : x + half + 1
    ]
    cut -= np.median(np.r_[cut[0], cut[-1], cut[:, 0], cut[:, -1]])
    yy, xx = np.mgrid[-half : half + 1, -half : half + 1]
    return float(LevMarLSQFitter()(Moffat2D(cut.max(), 0, 0, half / 4, 3), xx, yy, cut).fwhm)


@pytest.mark.parametrize("file", ONE_METRE)
def test_raw_lights_measure_as_published(file, sky):
    """Sky about 2730–2780 ADU by the frames' own description."""
    near = resolve_place("124.62 25.33", sky)
    verdict = judge_file(FOLDER / file, sky, near=near, radius_deg=1.0, scale_arcsec_per_px=1.107)
    assert verdict.kind == "light" and verdict.exposure_s == 300.0
    assert verdict.sky_adu == pytest.approx(2755, abs=60)
    assert verdict.stars > 50


@pytest.mark.parametrize(
    ("file", "star", "half"),
    [
        (ONE_METRE[0], (447, 413), 5),
        (ONE_METRE[0], (707, 1043), 5),
        (FOURTEEN_INCH[0], (1008, 727), 25),
        (FOURTEEN_INCH[1], (1198, 547), 30),
    ],
)
def test_star_widths_against_an_independent_fit(file, star, half):
    """The frame's width is that of a bright lone star fitted with another library, within 8 %."""
    detection = detect_stars(read_frame(FOLDER / file))
    assert detection.fwhm_px == pytest.approx(moffat_fwhm_px(file, *star, half), rel=0.08)


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
