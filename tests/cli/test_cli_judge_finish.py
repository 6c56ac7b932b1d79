"""``slowglass judge`` and ``slowglass finish`` on small painted frames."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from slowglass.sky.wcs import TanWcs

CENTRE = (322.493, 12.167)  # M15
WIDTH, HEIGHT, SCALE = 900, 600, 4.0
EPOCH = 2026.7
FWHM_PX = 3.0
VERDICT_KEYS = {
    "file", "width_px", "height_px", "exposure_s", "stars", "solved", "reason", "ra_deg",
    "dec_deg", "scale_arcsec_per_px", "rotation_deg", "parity", "matched", "rms_arcsec",
    "odds_log10", "fwhm_px", "hfd_px", "elongation", "elongation_angle_deg", "sky_adu",
    "saturated_fraction", "keeper", "reasons", "nudge", "seconds",
}  # fmt: skip
FINISH_KEYS = {
    "frames_in", "frames_used", "rejected", "snr_gain", "fwhm_px", "outputs", "recipe",
    "seconds", "peak_memory_mb",
}  # fmt: skip


def write_frame(path: Path, sky, *, seed: int, shift_px: float = 0.0) -> Path:
    """A frame of round Gaussian stars at catalogue places, with photon and read noise."""
    wcs = TanWcs.from_simple(
        ra_deg=CENTRE[0], dec_deg=CENTRE[1], width_px=WIDTH, height_px=HEIGHT,
        scale_arcsec_per_px=SCALE, rotation_deg=15.0, parity=1,
    )  # fmt: skip
    stars = sky.stars.cone(*CENTRE, 0.7, epoch_year=EPOCH)
    x, y = wcs.sky_to_pixel(stars.ra_deg, stars.dec_deg)
    extra = np.random.default_rng(1)  # fainter than the catalogue, the same in each frame
    x = np.r_[x, extra.uniform(0, WIDTH, 80)] + shift_px
    y = np.r_[y, extra.uniform(0, HEIGHT, 80)]
    flux = 8e4 * 10 ** (-0.4 * (np.r_[stars.mag, extra.uniform(10.5, 12.5, 80)] - 9.0))
    sigma = FWHM_PX / 2.354820
    columns, rows = np.arange(WIDTH), np.arange(HEIGHT)
    across = np.exp(-0.5 * ((columns[None, :] - x[:, None]) / sigma) ** 2)
    down = np.exp(-0.5 * ((rows[None, :] - y[:, None]) / sigma) ** 2)
    scene = 300.0 + (down * (flux / (2 * np.pi * sigma**2))[:, None]).T @ across
    rng = np.random.default_rng(seed)
    noisy = scene + rng.normal(size=scene.shape) * np.sqrt(scene / 1.9 + 9.0)
    hdu = fits.PrimaryHDU(np.clip(np.round(noisy), 0, 65535).astype(np.uint16))
    hdu.header["IMAGETYP"] = "Light Frame"
    hdu.header["EXPTIME"] = 30.0
    hdu.header["DATE-OBS"] = f"2026-09-12T21:{seed:02d}:00"
    hdu.writeto(path)
    return path


@pytest.fixture(scope="module")
def lights(sky, tmp_path_factory) -> Path:
    """A folder of five frames, the mount drifting 1.5 px from one to the next."""
    folder = tmp_path_factory.mktemp("night") / "lights"
    folder.mkdir()
    for number in range(5):
        write_frame(folder / f"m15_{number}.fits", sky, seed=number + 1, shift_px=1.5 * number)
    return folder


def test_a_json_object_a_line_with_the_keys_of_the_contract(slowglass, lights):
    outcome = slowglass("judge", lights, "--near", "M15", "--scale", SCALE, "--json")
    assert outcome.code == 0
    assert outcome.err == ""
    verdicts = outcome.lines
    assert len(verdicts) == 5
    for verdict in verdicts:
        assert set(verdict) >= VERDICT_KEYS
        assert verdict["solved"] is True
        assert verdict["reason"] == ""
        assert (verdict["width_px"], verdict["height_px"]) == (WIDTH, HEIGHT)
        assert verdict["scale_arcsec_per_px"] == pytest.approx(SCALE, rel=1e-3)
        assert verdict["rotation_deg"] == pytest.approx(15.0, abs=0.1)
        assert verdict["parity"] == 1
        assert verdict["fwhm_px"] == pytest.approx(FWHM_PX, rel=0.1)
        assert verdict["elongation"] < 1.15
        assert verdict["nudge"] is None
    assert verdicts[0]["ra_deg"] == pytest.approx(CENTRE[0], abs=0.002)
    assert verdicts[0]["dec_deg"] == pytest.approx(CENTRE[1], abs=0.002)


def test_a_target_brings_a_nudge(slowglass, lights):
    arguments = ("judge", lights / "m15_0.fits", "--near", "M15", "--scale", SCALE, "--json")
    (verdict,) = slowglass(*arguments, "--target", "322.493 12.367").lines
    assert set(verdict["nudge"]) == {"ra_deg", "dec_deg", "separation_deg", "text"}
    assert verdict["nudge"]["separation_deg"] == pytest.approx(0.2, abs=0.002)
    assert verdict["nudge"]["dec_deg"] == pytest.approx(0.2, abs=0.002)


def test_coordinates_are_saved_beside_the_frame_on_request(slowglass, sky, tmp_path):
    path = write_frame(tmp_path / "one.fits", sky, seed=9)
    before = path.read_bytes()
    outcome = slowglass("judge", path, "--near", "M15", "--scale", SCALE, "--write-wcs", "--json")
    written = Path(outcome.lines[0]["wcs_file"])
    assert written.parent == tmp_path
    assert fits.getheader(written)["CTYPE1"] == "RA---TAN"
    assert path.read_bytes() == before


def test_bad_files_do_not_stop_the_good_ones(slowglass, lights, tmp_path):
    broken = tmp_path / "broken.fits"
    broken.write_bytes(b"SIMPLE  = no such thing")
    outcome = slowglass(
        "judge", broken, lights / "m15_1.fits", tmp_path / "absent.fits",
        "--near", "M15", "--scale", SCALE, "--json",
    )  # fmt: skip
    assert outcome.code == 2
    judged = [verdict for verdict in outcome.lines if verdict["solved"]]
    assert [Path(verdict["file"]).name for verdict in judged] == ["m15_1.fits"]
    complaints = outcome.err.splitlines()
    assert len(complaints) == 2
    assert all(line.startswith("slowglass: ") for line in complaints)
    assert "broken.fits" in outcome.err
    assert "absent.fits" in outcome.err


def test_judging_in_words(slowglass, lights):
    one = slowglass("judge", lights / "m15_0.fits", "--near", "M15", "--scale", SCALE)
    assert one.code == 0
    assert "21h29m" in one.out
    many = slowglass("judge", lights, "--near", "M15", "--scale", SCALE)
    assert "5 frames: " in many.out
    assert "5 placed on the sky" in many.out
    assert "drifts" in many.out


def test_a_stand_in_kit_says_nothing_about_frames(slowglass, lights):
    arguments = ("judge", lights / "m15_0.fits", "--near", "M15", "--scale", SCALE, "--json")
    (verdict,) = slowglass(*arguments).lines
    assert not any("kit's camera" in caution for caution in verdict["cautions"])


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--near", "Nowhere at all"], "Nowhere at all"),
        (["--near", "400 10"], "400"),
        (["--scale", "-1"], "scale"),
        (["--near", "M15", "--radius", "-5"], "radius"),
    ],
)
def test_senseless_hints_are_bad_usage(slowglass, lights, arguments, words):
    outcome = slowglass("judge", lights / "m15_0.fits", *arguments, "--json")
    assert outcome.code == 2
    assert outcome.out == ""
    assert words in outcome.err


def test_finish_follows_the_contract(slowglass, lights, tmp_path):
    outcome = slowglass("finish", lights.parent, "-o", tmp_path / "m15", "--json")
    assert outcome.code == 0
    found = outcome.document
    assert set(found) >= FINISH_KEYS
    assert (found["frames_in"], found["frames_used"], found["rejected"]) == (5, 5, [])
    outputs = [Path(path) for path in found["outputs"]]
    assert all(path.is_absolute() and path.is_file() for path in outputs)
    assert any(path.suffix == ".fits" for path in outputs)
    # five equal frames: √5 = 2.24 at most, a little less for the weights and resampling
    assert found["snr_gain"] == pytest.approx(5**0.5, rel=0.2)
    again = slowglass(
        "finish", lights.parent, "-o", tmp_path / "again", "--recipe", found["recipe"], "--json"
    )
    assert again.code == 0
    assert again.document["frames_used"] == 5


def test_finish_of_an_empty_folder_is_unreadable_input(slowglass, tmp_path):
    (tmp_path / "empty").mkdir()
    outcome = slowglass("finish", tmp_path / "empty", "-o", tmp_path / "x", "--json")
    assert outcome.code == 2
    assert outcome.out == ""
    assert "no frames at all" in outcome.err


def test_finish_of_nothing_there_is_bad_usage(slowglass, tmp_path):
    assert slowglass("finish", tmp_path / "absent", "-o", tmp_path / "x").code == 2
