"""Cut files are told as cut, whole ones as whole, in every format a camera writes."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from PIL import Image

from slowglass.frame.dng_io import write_dng
from slowglass.frame.whole import missing_part

FOLDER = Path(os.environ.get("SLOWGLASS_FRAMES", Path(__file__).parents[3] / "shared" / "frames"))
PIXELS = np.random.default_rng(7).integers(400, 4000, (96, 128)).astype(np.uint16)


def write(path):
    """A small picture in the format that the name says."""
    if path.suffix == ".fits":
        fits.PrimaryHDU(PIXELS).writeto(path)
    elif path.suffix == ".dng":
        write_dng(path, PIXELS, bayer="RGGB", black_adu=256, white_adu=16383)
    elif path.suffix == ".tif":
        Image.fromarray(PIXELS).save(path)
    else:
        Image.fromarray((PIXELS >> 4).astype(np.uint8)).save(path)
    return path


def iso_boxes(path):
    """Three boxes of an ISO base media file, the last with a 64-bit length."""
    path.write_bytes(
        b"\x00\x00\x00\x14ftypcrx \x00\x00\x00\x01crx "
        + b"\x00\x00\x01\x00moov" + bytes(248)
        + b"\x00\x00\x00\x01mdat" + (5000).to_bytes(8, "big") + b"\x07" * 4984
    )  # fmt: skip
    return path


NAMES = ["a.fits", "a.dng", "a.tif", "a.png", "a.jpg"]


@pytest.mark.parametrize("name", NAMES)
def test_whole_files_are_whole(tmp_path, name):
    assert missing_part(write(tmp_path / name)) == ""


@pytest.mark.parametrize("share", [0.0, 0.02, 0.4, 0.9])
@pytest.mark.parametrize("name", [*NAMES, "a.cr3"])
def test_cut_files_are_told(tmp_path, name, share):
    path = tmp_path / name
    data = (iso_boxes(path) if name == "a.cr3" else write(path)).read_bytes()
    path.write_bytes(data[: int(len(data) * share)])
    assert missing_part(path)


def test_boxes_that_are_all_there(tmp_path):
    assert missing_part(iso_boxes(tmp_path / "a.cr3")) == ""


def test_a_file_given_its_size_before_its_content(tmp_path):
    path = write(tmp_path / "a.dng")
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 2] + bytes(len(data) - len(data) // 2))
    assert missing_part(path)


def test_a_locked_or_missing_file_is_not_there_yet(tmp_path):
    assert "cannot be opened" in missing_part(tmp_path / "gone.fits")


def test_unknown_formats_are_left_to_the_reader(tmp_path):
    path = tmp_path / "notes.raf"
    path.write_bytes(b"a raw format of its own")
    assert missing_part(path) == ""


@pytest.mark.frames
@pytest.mark.skipif(not FOLDER.is_dir(), reason="no folder of real frames")
def test_real_files_are_whole():
    told = {p.name: missing_part(p) for p in FOLDER.glob("*.*") if p.suffix != ".md"}
    assert len(told) > 10
    assert not any(told.values()), told
