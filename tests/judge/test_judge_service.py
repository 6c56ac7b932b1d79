"""Judging files: known truth comes back, bad files never crash, nothing is invented."""

from __future__ import annotations

import json
import math
import warnings
from dataclasses import replace

import numpy as np
import pytest
from astropy.io import fits
from astropy.wcs import WCS
from painted_sky import paint, save

from slowglass.errors import UnreadableFile
from slowglass.frame.fits_io import write_fits
from slowglass.judge.service import judge_file, judge_paths
from slowglass.kit.io import load_kit, load_site
from slowglass.sky.coords import separation_deg
from slowglass.sky.place import Place, resolve_place

SCALE = 2.475


@pytest.fixture(scope="module")
def m11(sky, tmp_path_factory):
    """A field 1.0° × 0.7° near M11, a rich part of the sky, 0.4° off the cluster."""
    painted = paint(sky, ra_deg=283.1, dec_deg=-6.0)
    return painted, save(painted, tmp_path_factory.mktemp("judge") / "light_001.fits")


def off_px(verdict, painted) -> float:
    apart = float(separation_deg(verdict.ra_deg, verdict.dec_deg, *painted.centre))
    return apart * 3600 / painted.wcs.scale_arcsec_per_px


def axis_apart_deg(a: float, b: float) -> float:
    return abs((a - b + 90) % 180 - 90)


def test_a_hinted_frame_is_solved_to_a_pixel_and_kept(sky, m11):
    painted, path = m11
    verdict = judge_file(path, sky, near=resolve_place("M11", sky), scale_arcsec_per_px=SCALE)
    assert verdict.solved and verdict.reason == ""
    assert off_px(verdict, painted) < 1.0
    assert verdict.scale_arcsec_per_px == pytest.approx(SCALE, rel=1e-3)
    assert axis_apart_deg(verdict.rotation_deg / 2, painted.wcs.rotation_deg / 2) < 0.05
    assert verdict.parity == 1
    assert verdict.keeper and verdict.reasons == ()
    assert verdict.fwhm_px == pytest.approx(3.2, rel=0.03)
    assert verdict.elongation == pytest.approx(1.0, abs=0.05)
    assert verdict.sky_adu == pytest.approx(400, abs=4)
    assert verdict.exposure_s == 60.0 and verdict.kind == "light"
    assert verdict.seconds > 0
    json.dumps(verdict.to_json(), allow_nan=False)


def test_the_whole_sky_is_searched_without_a_hint(sky, m11):
    painted, path = m11
    verdict = judge_file(path, sky)
    assert verdict.solved, verdict.reason
    assert off_px(verdict, painted) < 1.0


def test_the_target_gives_a_nudge_that_arrives(sky, m11):
    painted, path = m11
    target = resolve_place("M11", sky)
    verdict = judge_file(
        path, sky, near=target, scale_arcsec_per_px=SCALE, target=target, radius_deg=3.0
    )
    assert verdict.nudge is not None
    ra, dec = painted.centre
    assert ra + verdict.nudge.ra_deg == pytest.approx(target.ra_deg, abs=SCALE / 3600 * 1.5)
    assert dec + verdict.nudge.dec_deg == pytest.approx(target.dec_deg, abs=SCALE / 3600 * 1.5)
    assert verdict.instruction.startswith("Turn ")
    assert len(verdict.instruction.split()) <= 15


@pytest.mark.parametrize(
    ("position_angle", "axis", "parity", "rotation"),
    [(90.0, "RA", 1, 20.0), (0.0, "Dec", 1, 130.0), (45.0, "between", -1, 250.0),
     (90.0, "RA", -1, 75.0)],
)  # fmt: skip
def test_a_trail_is_named_by_its_sky_axis(sky, tmp_path, position_angle, axis, parity, rotation):
    painted = paint(
        sky, ra_deg=283.1, dec_deg=-6.0, trail_px=6.0, trail_pa_deg=position_angle,
        parity=parity, rotation_deg=rotation,
    )  # fmt: skip
    path = save(painted, tmp_path / "trailed.fits")
    verdict = judge_file(path, sky, near=resolve_place("M11", sky), scale_arcsec_per_px=SCALE)
    assert verdict.solved and verdict.parity == parity
    assert not verdict.keeper
    assert any("trailed" in reason for reason in verdict.reasons)
    assert verdict.trail_axis == axis
    assert axis_apart_deg(verdict.trail_position_angle_deg, position_angle) < 5.0
    assert verdict.trail_arcsec == pytest.approx(6.0 * SCALE, rel=0.08)


def test_written_solution_is_read_back_by_astropy(sky, m11, tmp_path):
    _painted, path = m11
    copy = tmp_path / "light_007.fits"
    copy.write_bytes(path.read_bytes())
    near = resolve_place("M11", sky)
    verdict = judge_file(copy, sky, near=near, scale_arcsec_per_px=SCALE, write_wcs=True)
    assert verdict.wcs_file == str(tmp_path / "light_007.wcs.fits")
    header = fits.getheader(verdict.wcs_file)
    with warnings.catch_warnings():
        # A header without a picture has NAXIS = 0, which astropy remarks on.
        warnings.filterwarnings("ignore", message=".*more axes.*")
        (place,) = WCS(header).all_pix2world([(749.5, 499.5)], 0)
    assert place == pytest.approx((verdict.ra_deg, verdict.dec_deg), abs=1e-7)
    again = list(judge_paths([tmp_path], sky, near=near, scale_arcsec_per_px=SCALE))
    assert [v.file for v in again] == [str(copy)]


def test_the_kit_scale_is_used_for_its_own_frames_only(sky, m11):
    _, path = m11
    kit, site = load_kit(None), load_site(None)
    # 6000 × 4000 binned 4 × 4 is 1500 × 1000 at 4 × 0.6188″: the kit's own frame.
    near = resolve_place("M11", sky)
    verdict = judge_file(path, sky, near=near, kit=kit, site=site)
    assert verdict.solved
    assert not any("not a size of the kit's camera" in c for c in verdict.cautions)


def test_a_frame_of_another_size_says_that_the_kit_scale_was_not_used(sky, tmp_path):
    painted = paint(sky, ra_deg=283.1, dec_deg=-6.0, width_px=1100, height_px=1000)
    path = save(painted, tmp_path / "other.fits")
    verdict = judge_file(path, sky, near=resolve_place("M11", sky), kit=load_kit(None))
    assert any("1100 × 1000 px is not a size of the kit's camera" in c for c in verdict.cautions)


@pytest.mark.parametrize("seed", range(6))
def test_noise_is_never_solved(sky, tmp_path, seed):
    rng = np.random.default_rng(seed)
    noise = rng.normal(500, 15, (400, 600))
    path = write_fits(tmp_path / "noise.fits", noise, dtype="uint16")
    verdict = judge_file(path, sky, near=Place("here", 283.1, -6.0), scale_arcsec_per_px=SCALE)
    assert not verdict.solved
    assert verdict.reason and verdict.ra_deg is None and verdict.nudge is None


@pytest.mark.parametrize("seed", range(4))
def test_stars_that_are_nowhere_are_never_solved(sky, tmp_path, seed):
    """40 stars at random places, hinted at a rich field: every match would be chance."""
    rng = np.random.default_rng(100 + seed)
    yy, xx = np.mgrid[-12:13, -12:13]
    picture = rng.normal(500, 10, (600, 900))
    for x, y in zip(rng.integers(20, 880, 40), rng.integers(20, 580, 40), strict=True):
        peak = 10 ** rng.uniform(2.5, 4.2)
        picture[y - 12 : y + 13, x - 12 : x + 13] += peak * np.exp(-(xx**2 + yy**2) / 4.0)
    path = write_fits(tmp_path / "nowhere.fits", picture, dtype="uint16")
    here = Place("here", 283.1, -6.0)
    verdict = judge_file(path, sky, near=here, radius_deg=3.0, scale_arcsec_per_px=SCALE)
    assert verdict.stars >= 30
    assert not verdict.solved and verdict.reason


def bad_files(folder):
    """Readable pictures of nothing much, and files that are no pictures."""
    rng = np.random.default_rng(0)
    write_fits(folder / "tiny.fits", rng.normal(100, 5, (10, 10)))
    write_fits(folder / "constant.fits", np.full((200, 300), 700.0))
    write_fits(folder / "nan.fits", np.full((200, 300), np.nan))
    write_fits(folder / "one.fits", np.array([[5.0]]))
    write_fits(folder / "clipped.fits", np.full((200, 300), 65535.0), dtype="uint16")
    whole = (folder / "clipped.fits").read_bytes()
    (folder / "truncated.fits").write_bytes(whole[: len(whole) // 2])
    (folder / "empty.fits").write_bytes(b"")
    (folder / "words.fits").write_text("these are not pixels\n" * 50)
    import cv2

    cv2.imwrite(str(folder / "colour.jpg"), rng.integers(0, 80, (240, 320, 3)).astype(np.uint8))


UNREADABLE = {"truncated.fits", "empty.fits", "words.fits"}


def test_bad_files_get_a_verdict_each_and_stop_nothing(sky, tmp_path):
    bad_files(tmp_path)
    (tmp_path / "without").mkdir()
    seen = []
    verdicts = list(
        judge_paths(
            [tmp_path / "absent.fits", tmp_path / "without", tmp_path],
            sky,
            report=lambda stage, done, total: seen.append((stage, done, total)),
        )
    )
    names = {v.file.rsplit("/", 1)[-1]: v for v in verdicts}
    assert len(verdicts) == 11
    for name, verdict in names.items():
        line = json.dumps(verdict.to_json(), allow_nan=False)
        assert json.loads(line)["file"].endswith(name)
        assert not verdict.solved and not verdict.keeper
        assert verdict.reason and "\n" not in verdict.reason, name
        assert verdict.reasons and verdict.instruction, name
        assert (verdict.error is not None) is (name in UNREADABLE | {"absent.fits", "without"})
    assert "no pictures" in names["without"].error
    assert names["truncated.fits"].instruction.startswith("Copy the file again")
    assert names["constant.fits"].reasons[0].startswith("the picture is blank")
    assert seen[-1] == ("judged", 9, 9)


def test_one_unreadable_file_raises_when_asked_for_alone(sky, tmp_path):
    (tmp_path / "empty.fits").write_bytes(b"")
    with pytest.raises(UnreadableFile, match="empty"):
        judge_file(tmp_path / "empty.fits", sky)


def test_a_dark_by_its_header_is_not_solved(sky, m11, tmp_path):
    painted, _ = m11
    closed = np.random.default_rng(3).normal(400, 5, painted.pixels.shape).astype(np.uint16)
    dark = replace(painted, pixels=closed)
    path = save(dark, tmp_path / "dark.fits", IMAGETYP="Dark Frame")
    verdict = judge_file(path, sky)
    assert verdict.kind == "dark" and not verdict.solved and not verdict.keeper
    assert "dark frame" in verdict.reason and "not a light" in verdict.reasons[0]
    assert math.isfinite(verdict.seconds)


def test_a_dark_without_a_word_in_its_header_is_told_by_its_content(sky, tmp_path):
    rng = np.random.default_rng(4)
    path = write_fits(tmp_path / "shot_001.fits", rng.normal(512, 3, (400, 600)), dtype="uint16")
    verdict = judge_file(path, sky)
    assert not verdict.keeper and not verdict.solved
    assert verdict.kind in ("dark", "bias", "unknown")
    assert "no stars" in verdict.reasons[0] or "not a light" in verdict.reasons[0]


def test_a_light_in_a_folder_called_dark_is_still_a_light(sky, m11, tmp_path):
    painted, _ = m11
    folder = tmp_path / "dark sky site"
    folder.mkdir()
    fits.PrimaryHDU(painted.pixels).writeto(folder / "shot.fits")
    near = resolve_place("M11", sky)
    verdict = judge_file(folder / "shot.fits", sky, near=near, scale_arcsec_per_px=SCALE)
    assert verdict.solved and verdict.keeper
    assert "does not say what kind" in " ".join(verdict.cautions)


@pytest.mark.parametrize(
    ("name", "words"),
    [("shot_003.fits", "the sky fills 6"), ("flat_003.fits", "taken for a flat frame")],
)
def test_a_bright_even_picture_goes_by_its_name(sky, tmp_path, name, words):
    rng = np.random.default_rng(4)
    path = write_fits(tmp_path / name, rng.normal(42000, 90, (400, 600)), dtype="uint16")
    verdict = judge_file(path, sky)
    assert not verdict.keeper
    assert verdict.reasons[0].startswith(words)
