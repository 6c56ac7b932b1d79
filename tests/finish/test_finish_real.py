"""Real frames: a calibrated field, a very faint drifting series, and two unlike exposures."""

from __future__ import annotations

import os
import tomllib
from pathlib import Path

import cv2
import numpy as np
import pytest
from astropy.io import fits

from slowglass.finish.measure import aperture_light
from slowglass.finish.service import finish_path
from slowglass.finish.sort import kind_from_pixels
from slowglass.frame.io import read_frame

FRAMES = Path(
    os.environ.get("SLOWGLASS_FRAMES") or Path(__file__).resolve().parents[3] / "shared" / "frames"
)
pytestmark = [
    pytest.mark.frames,
    pytest.mark.slow,
    pytest.mark.skipif(not FRAMES.is_dir(), reason="no folder of real frames"),
]


def gather(folder: Path, pattern: str) -> Path:
    folder.mkdir()
    found = sorted(FRAMES.glob(pattern))
    for file in found:
        (folder / file.name).write_bytes(file.read_bytes())
    assert found
    return folder


def record(result):
    return tomllib.loads(Path(result.recipe).read_text())["record"]


@pytest.fixture(scope="module")
def faint(tmp_path_factory):
    folder = tmp_path_factory.mktemp("faint")
    return finish_path(gather(folder / "in", "m13_blue_5s_*"), folder / "out")


def test_faint_series_moves_with_the_sky_and_not_with_the_pattern(faint):
    # README of the frames: drift (0,0) (-11,0) (-24,3) (-34,3) (-46,3), "rough"
    assert faint.frames_used == 5
    assert faint.placed_by == "drift"
    rough = np.array([(0, 0), (-11, 0), (-24, 3), (-34, 3), (-46, 3)])
    found = np.array([(f["shift_x_px"], f["shift_y_px"]) for f in record(faint)["frames"]])
    # a placement moves the frame back by what the sky drifted
    assert np.abs(found - found[0] + rough).max() < 2.0


def test_faint_series_gains(faint):
    # five frames: 2.24 at best
    assert 1.5 < faint.snr_gain < 2.4


def test_faint_stars_stand_out_more_than_in_any_single_frame(faint):
    picture = np.ascontiguousarray(fits.getdata(faint.outputs[0]), dtype=np.float32)
    x0, y0, x1, y1 = record(faint)["crop"]
    # five lone stars, read off the finished picture
    stars = np.array([(1147, 463), (1234, 67), (563, 200), (852, 370), (1293, 227)], dtype=float)
    combined = aperture_light(picture, stars[:, 0], stars[:, 1], 8.0)
    together = combined.flux_adu.sum() / combined.noise_adu
    for frame in record(faint)["frames"]:
        raw = fits.getdata(FRAMES / frame["file"]).astype(np.float32)
        at = stars + np.array([x0 - frame["shift_x_px"], y0 - frame["shift_y_px"]])
        single = aperture_light(raw, at[:, 0], at[:, 1], 8.0)
        assert together > 1.5 * single.flux_adu.sum() / single.noise_adu
    assert picture.shape == (y1 - y0, x1 - x0)


def test_calibrated_field_and_its_asteroid(tmp_path, sky):
    folder = gather(tmp_path / "in", "lowell42in_*")
    result = finish_path(folder, tmp_path / "out", sky=sky)
    assert (result.frames_in, result.frames_used) == (3, 3)
    assert "no dark frames: finished without" in result.notes
    assert 1.4 < result.snr_gain < 1.9  # three frames: 1.73
    assert 1.5 < result.fwhm_px < 2.6
    data = fits.getdata(result.outputs[0])
    assert data.shape[0] > 1340  # the overscan is trimmed, the shared area kept
    assert 1340 < data.shape[1] <= 1365
    screen = cv2.imread(result.outputs[2], cv2.IMREAD_UNCHANGED)
    assert (screen == 0).mean() < 1e-3
    assert 20 < np.median(screen) < 40
    header = fits.getheader(result.outputs[0])
    if result.solved:  # centre by the frames' README, within 3 arcmin of the crop's centre
        assert header["CTYPE1"] == "RA---TAN"
        assert abs(header["CRVAL1"] - 124.619) < 0.3
        assert abs(header["CRVAL2"] - 25.329) < 0.3


def test_unlike_exposures_register(tmp_path):
    folder = tmp_path / "in"
    folder.mkdir()
    for name in ("umd14in_st8_fov_30s.fits.gz", "umd14in_st8_light_300s_001.fits.gz"):
        (folder / name).write_bytes((FRAMES / name).read_bytes())
    result = finish_path(folder, tmp_path / "out")
    frames = {f["file"]: f for f in record(result)["frames"]}
    fov = frames["umd14in_st8_fov_30s.fits.gz"]
    # README of the frames: fov -> 001 is (+23.3, +132.6) px, -0.01 deg, scale 1.000
    sign = 1.0 if record(result)["reference"].endswith("001.fits.gz") else -1.0
    other = fov if sign > 0 else frames["umd14in_st8_light_300s_001.fits.gz"]
    assert sign * other["shift_x_px"] == pytest.approx(23.3, abs=1.0)
    assert sign * other["shift_y_px"] == pytest.approx(132.6, abs=1.0)
    assert abs(other["turn_deg"]) < 0.03
    assert result.frames_used == 2


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("lowell42in_5945_light_300s_0135", "light"),  # a sky of 2 % of the range
        ("umd14in_st8_fov_30s", "light"),
        ("lowell42in_flat_0110", "flat"),  # twilight: some stars show
        ("umd14in_st8_flat_001", "flat"),
        ("lowell42in_zero_0001", "bias"),
    ],
)
def test_kinds_from_pixels_alone(name, kind):
    assert kind_from_pixels(read_frame(FRAMES / f"{name}.fits.gz")) == kind
