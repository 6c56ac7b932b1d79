"""What one frame says: from its header, and from its stars."""

from __future__ import annotations

import os
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from slowglass.frame.image import Frame, FrameHeader
from slowglass.judge.introduce import (
    file_facts,
    introduce,
    mirror_fact,
    site_of_cards,
    star_facts,
    stated_pixel_um,
)
from slowglass.judge.verdict import Verdict

FOLDER = Path(os.environ.get("SLOWGLASS_FRAMES", Path(__file__).parents[3] / "shared" / "frames"))


def frame(**cards):
    header = FrameHeader(exposure_s=30.0, iso=1600, cards=cards, camera="a camera")
    return Frame(np.zeros((40, 60), np.float32), header, bayer="RGGB", white_adu=15871.0,
                 black_adu=512.0)  # fmt: skip


def answers(facts):
    return {key: text for fact in facts for key, text in fact.answers.items()}


def test_the_pixel_pitch_comes_from_focal_plane_resolution_or_fits_cards():
    # 6515.66 pixels to the inch are 3.898 µm
    exif = {"EXIF FocalPlaneXResolution": "651566/100", "EXIF FocalPlaneResolutionUnit": "2"}
    assert stated_pixel_um(frame(**exif)) == pytest.approx(3.898, abs=1e-3)
    exif = {"EXIF FocalPlaneXResolution": "2564.1", "EXIF FocalPlaneResolutionUnit": "Centimeter"}
    assert stated_pixel_um(frame(**exif)) == pytest.approx(3.9, abs=1e-3)
    assert stated_pixel_um(frame(XPIXSZ=3.76)) == 3.76
    for bad in ({}, {"EXIF FocalPlaneXResolution": "0/0"}, {"XPIXSZ": 9000.0}):
        assert stated_pixel_um(frame(**bad)) is None


@pytest.mark.parametrize(
    "cards",
    [
        {"SITELAT": "-34:27:00", "SITELONG": "116:01:48"},
        {"LAT-OBS": -34.45, "LONG-OBS": 116.03},
        {
            "GPS GPSLatitude": "[34, 27, 0]", "GPS GPSLatitudeRef": "S",
            "GPS GPSLongitude": "[116, 1, 240/5]", "GPS GPSLongitudeRef": "E",
        },
    ],
)  # fmt: skip
def test_a_place_is_read_from_fits_and_exif(cards):
    assert site_of_cards(cards) == pytest.approx((-34.45, 116.03), abs=1e-6)


@pytest.mark.parametrize(
    "cards",
    [{}, {"SITELAT": "here", "SITELONG": "there"}, {"SITELAT": "0", "SITELONG": "0"},
     {"SITELAT": "91", "SITELONG": "10"}, {"GPS GPSLatitude": "[0/0, 1, 2]"}],
)  # fmt: skip
def test_what_is_no_place_is_none(cards):
    assert site_of_cards(cards) is None


def test_a_file_tells_size_colours_bits_and_setting():
    said = answers(file_facts(frame(XPIXSZ=3.9), raw=True))
    assert said["width_px"] == "60"
    assert said["sensor_width_mm"] == "0.234"
    assert (said["bayer"], said["bits"], said["iso"], said["black_adu"]) == (
        "RGGB", "14", "1600", "512",
    )  # fmt: skip
    assert "bits" not in answers(file_facts(frame(), raw=False))


def test_stars_tell_focal_length_and_mirror_image():
    verdict = Verdict("x", solved=True, scale_arcsec_per_px=0.61879, parity=1, matched=12)
    said = answers(star_facts(verdict, 3.9))
    assert float(said["focal_length_mm"]) == pytest.approx(1300.0, abs=0.2)
    assert answers(star_facts(verdict, None))["scale_arcsec_per_px"] == "0.61879"
    assert star_facts(Verdict("x"), 3.9) == []
    assert mirror_fact(True, 2).answers["reflections"] == "1"
    assert mirror_fact(False, 2).answers["reflections"] == "2"
    assert mirror_fact(False, 1).answers["reflections"] == "0"
    assert mirror_fact(True, 0).answers["reflections"] == "1"


@pytest.mark.frames
def test_a_real_plate_tells_its_scale_without_any_hint(sky):
    path = FOLDER / "pleiades_dss1_1p65deg.fits"
    if not path.is_file():
        pytest.skip("the real frames are not here")
    told = introduce(path, sky)
    assert told.solved
    scale = float(answers(told.facts)["scale_arcsec_per_px"])
    assert scale == pytest.approx(6.789, rel=3e-3)  # the plate's catalogued scale


def test_a_picture_without_stars_says_what_it_can(tmp_path, sky):
    from astropy.io import fits

    path = tmp_path / "blank.fits"
    noise = np.random.default_rng(1).normal(500.0, 5.0, (200, 300)).astype(np.uint16)
    card = fits.Header({"EXPTIME": 10.0, "DATE-OBS": "2026-10-09T20:00:00"})
    fits.writeto(path, noise, card)
    told = introduce(path, sky, answers={"aperture_mm": "nonsense"})
    assert not told.solved
    assert told.reason
    names = [fact.name for fact in told.facts]
    assert names[0] == "Sensor"
    assert datetime(2026, 10, 9, 20, tzinfo=UTC).strftime("%Y-%m-%d %H:%M") in str(told.facts)
