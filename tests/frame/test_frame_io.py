from __future__ import annotations

import gzip
from datetime import UTC, datetime, timedelta, timezone

import cv2
import numpy as np
import pytest
import tifffile
from astropy.io import fits
from hypothesis import given, settings
from hypothesis import strategies as st

from slowglass.errors import UnreadableFile, UsageError
from slowglass.frame.dng_io import write_dng
from slowglass.frame.fits_io import write_fits
from slowglass.frame.io import list_frames, read_frame
from slowglass.frame.picture_io import (
    write_jpeg,
    write_png,
    write_tiff16,
)
from slowglass.frame.screen import srgb_to_linear

RAMP = np.arange(48 * 60, dtype=np.uint16).reshape(48, 60) * 20
START = datetime(2026, 10, 11, 21, 3, 4, 250000, tzinfo=UTC)


def one_line(error: pytest.ExceptionInfo[UnreadableFile]) -> str:
    text = str(error.value)
    assert "\n" not in text and text.count(". ") >= 1, text  # what failed, then the cure
    return text


# --- FITS ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("dtype", [np.uint8, np.int16, np.uint16, np.int32, np.float32, np.float64])
def test_fits_of_every_type_keeps_its_values(tmp_path, dtype):
    data = (RAMP % 200).astype(dtype)
    path = tmp_path / "a.fits"
    fits.writeto(path, data)
    frame = read_frame(path)
    assert frame.pixels.dtype == np.float32
    np.testing.assert_array_equal(frame.pixels, data)


def test_fits_white_level_is_stated_or_the_types_own(tmp_path):
    for dtype, white in ((np.uint16, 65535.0), (np.int16, 32767.0), (np.uint8, 255.0)):
        path = tmp_path / f"{np.dtype(dtype).name}.fits"
        fits.writeto(path, (RAMP % 200).astype(dtype))
        assert read_frame(path).white_adu == white
    path = tmp_path / "stated.fits"
    fits.writeto(path, RAMP, fits.Header({"SATURATE": 50000.0}))
    assert read_frame(path).white_adu == 50000.0


def test_fits_scaling_is_applied(tmp_path):
    path = tmp_path / "scaled.fits"
    hdu = fits.PrimaryHDU((RAMP % 200).astype(np.uint8))
    hdu.header["BSCALE"], hdu.header["BZERO"] = 0.5, 10.0
    hdu.writeto(path)
    raw = fits.open(path, do_not_scale_image_data=True)
    raw.close()
    frame = read_frame(path)
    with fits.open(path) as hdus:
        np.testing.assert_allclose(frame.pixels, hdus[0].data, rtol=1e-6)


@pytest.mark.parametrize("planes_first", [True, False])
def test_fits_colour_in_either_axis_order(tmp_path, planes_first):
    colour = np.stack([RAMP, RAMP + 1, RAMP + 2], axis=2).astype(np.float32)
    path = tmp_path / "c.fits"
    fits.writeto(path, np.moveaxis(colour, 2, 0) if planes_first else colour)
    np.testing.assert_array_equal(read_frame(path).pixels, colour)


def test_fits_gzipped_and_tile_compressed(tmp_path):
    plain = tmp_path / "p.fits"
    fits.writeto(plain, RAMP, fits.Header({"EXPTIME": 12.5, "IMAGETYP": "Dark Frame"}))
    zipped = tmp_path / "odd.name"  # told by content, not by suffix
    zipped.write_bytes(gzip.compress(plain.read_bytes()))
    tiled = tmp_path / "t.fits.fz"
    header = fits.Header({"EXPTIME": 12.5, "IMAGETYP": "Dark Frame"})
    fits.HDUList(
        [fits.PrimaryHDU(), fits.CompImageHDU(RAMP, header, compression_type="RICE_1")]
    ).writeto(tiled)
    for path in (plain, zipped, tiled):
        frame = read_frame(path)
        np.testing.assert_array_equal(frame.pixels, RAMP)
        assert (frame.header.exposure_s, frame.header.kind) == (12.5, "dark")
        assert frame.white_adu == 65535.0


def test_fits_picture_in_a_later_part_with_the_first_parts_cards(tmp_path):
    path = tmp_path / "later.fits"
    primary = fits.PrimaryHDU(header=fits.Header({"OBJECT": "M15"}))
    table = fits.BinTableHDU.from_columns([fits.Column("a", "J", array=[1, 2])])
    fits.HDUList([primary, table, fits.ImageHDU(RAMP)]).writeto(path)
    frame = read_frame(path)
    np.testing.assert_array_equal(frame.pixels, RAMP)
    assert frame.header.object_name == "M15"


@pytest.mark.parametrize(
    ("cards", "bayer"),
    [
        ({"BAYERPAT": "RGGB"}, "RGGB"),
        ({"BAYERPAT": "rggb "}, "RGGB"),
        ({"BAYERPAT": "RGGB", "XBAYROFF": 1}, "GRBG"),
        ({"BAYERPAT": "RGGB", "YBAYROFF": 1}, "GBRG"),
        ({"BAYERPAT": "RGGB", "XBAYROFF": 1, "YBAYROFF": 1}, "BGGR"),
        ({"BAYERPAT": "RGGB", "ROWORDER": "TOP-DOWN"}, "RGGB"),
        ({"BAYERPAT": "RGGB", "ROWORDER": "BOTTOM-UP"}, "GBRG"),  # 48 rows: the last is odd
        ({"BAYERPAT": "MONO"}, None),
        ({}, None),
    ],
)
def test_fits_bayer_phase(tmp_path, cards, bayer):
    path = tmp_path / "b.fits"
    fits.writeto(path, RAMP, fits.Header(cards))
    assert read_frame(path).bayer == bayer


def test_fits_gaps_are_filled_from_around(tmp_path):
    data = np.full((40, 40), 100.0, np.float32)
    data[20:] = 300.0
    data[5, 7] = np.nan
    data[30, 8:11] = np.inf
    path = tmp_path / "gaps.fits"
    fits.writeto(path, data)
    frame = read_frame(path)
    assert np.isfinite(frame.pixels).all()
    assert frame.pixels[5, 7] == 100.0 and frame.pixels[30, 9] == 300.0
    assert any("4 pixels" in step for step in frame.history)


def test_junk_cards_do_not_stop_the_reader(tmp_path):
    path = tmp_path / "junk.fits"
    fits.writeto(path, RAMP, fits.Header({"EXPTIME": 30.0, "OBJECT": "x"}))
    data = bytearray(path.read_bytes())
    at = data.index(b"OBJECT")
    data[at : at + 80] = b"OBJECT  = 'never closed \xe9\x01 and so on".ljust(80)
    path.write_bytes(bytes(data))
    frame = read_frame(path)
    assert frame.header.exposure_s == 30.0
    np.testing.assert_array_equal(frame.pixels, RAMP)


def test_damaged_fits_files_say_so(tmp_path):
    whole = tmp_path / "whole.fits"
    fits.writeto(whole, np.zeros((500, 500), np.uint16))
    data = whole.read_bytes()
    for name, content in {
        "half.fits": data[: len(data) // 2],
        "headless.fits": data[:1000],
        "text.fits": b"SIMPLE text that is not a header\n" * 20,
        "zip.fits.gz": gzip.compress(data)[:-700],
        "zipped_text.gz": gzip.compress(b"hello"),
    }.items():
        path = tmp_path / name
        path.write_bytes(content)
        with pytest.raises(UnreadableFile) as error:
            read_frame(path)
        assert name in one_line(error)
    with pytest.raises(UnreadableFile, match=r"promises 0\.5 MB .* holds 0\.2|0\.3 MB"):
        read_frame(tmp_path / "half.fits")


def test_fits_without_a_picture_or_with_too_many_planes(tmp_path):
    fits.HDUList([fits.PrimaryHDU()]).writeto(tmp_path / "none.fits")
    fits.writeto(tmp_path / "cube.fits", np.zeros((5, 8, 9), np.float32))
    with pytest.raises(UnreadableFile, match="without a picture"):
        read_frame(tmp_path / "none.fits")
    with pytest.raises(UnreadableFile, match="5 x 8 x 9"):
        read_frame(tmp_path / "cube.fits")


def test_written_fits_reads_back(tmp_path):
    colour = np.random.default_rng(0).normal(100, 9, (20, 30, 3)).astype(np.float32)
    path = write_fits(
        tmp_path / "sub" / "out.fits",
        colour,
        cards={"EXPTIME": 60.0, "OBJECT": "M11 é", "NAXIS": 9, "TOO-LONG-A-KEY": 1, "BAD": np.nan},
        history=["first step", "Zweiter Schritt ü"],
    )
    frame = read_frame(path)
    np.testing.assert_array_equal(frame.pixels, colour)
    assert frame.header.exposure_s == 60.0
    with fits.open(path) as hdus:
        hdus.verify("exception")
        assert "first step" in hdus[0].header["HISTORY"]
    path = write_fits(tmp_path / "u.fits", np.array([[-5.0, 70000.0, 9.6]]), dtype="uint16")
    np.testing.assert_array_equal(read_frame(path).pixels, [[0, 65535, 10]])


def test_a_failed_write_leaves_the_old_file_and_no_litter(tmp_path):
    path = write_png(tmp_path / "a.png", np.zeros((4, 4), np.uint8))
    before = path.read_bytes()
    with pytest.raises(TypeError):
        write_png(path, np.zeros((4, 4), np.float32))
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["a.png"]
    with pytest.raises(UsageError, match="is a folder"):
        write_png(tmp_path, np.zeros((4, 4), np.uint8))


# --- camera raw ---------------------------------------------------------------------------------


@pytest.mark.parametrize("bayer", ["RGGB", "BGGR", "GRBG", "GBRG"])
@pytest.mark.parametrize("area", [None, (2, 4, 102, 124), (4, 6, 102, 124)])
def test_dng_keeps_the_mosaic_of_the_active_area(tmp_path, bayer, area):
    level = {"R": 3000, "G": 5000, "B": 7000}
    mosaic = np.full((110, 130), 999, np.uint16)
    top, left, bottom, right = area or (0, 0, 110, 130)
    inside = mosaic[top:bottom, left:right]
    for i, colour in enumerate(bayer):
        inside[i // 2 :: 2, i % 2 :: 2] = level[colour]
    path = write_dng(
        tmp_path / "a.dng",
        mosaic,
        bayer=bayer,
        black_adu=(500, 510, 520, 530),
        white_adu=16000,
        exposure_s=42.5,
        start_utc=START,
        iso=800,
        focal_length_mm=1300,
        active_area=area,
    )
    frame = read_frame(path)
    assert frame.bayer == bayer
    assert frame.pixels.shape == inside.shape
    for i, (colour, black) in enumerate(zip(bayer, (500, 510, 520, 530), strict=True)):
        assert (frame.pixels[i // 2 :: 2, i % 2 :: 2] == level[colour] - black).all()
    assert frame.white_adu == 16000 - 530
    header = frame.header
    assert (header.exposure_s, header.iso, header.focal_length_mm) == (42.5, 800, 1300.0)
    assert header.start_utc == START


def test_odd_margins_keep_the_colours_in_place(tmp_path):
    mosaic = np.zeros((110, 130), np.uint16)
    for i, colour in enumerate("RGGB"):
        mosaic[3 + i // 2 :: 2, 5 + i % 2 :: 2] = {"R": 3000, "G": 5000, "B": 7000}[colour]
    path = write_dng(
        tmp_path / "odd.dng", mosaic, bayer="RGGB", white_adu=16000, active_area=(3, 5, 103, 125)
    )
    frame = read_frame(path)
    level = {"R": 3000, "G": 5000, "B": 7000}
    for i, colour in enumerate(frame.bayer):
        assert (frame.pixels[i // 2 :: 2, i % 2 :: 2] == level[colour]).all()


def test_monochrome_dng(tmp_path):
    path = write_dng(tmp_path / "m.dng", RAMP, bayer=None, black_adu=100, white_adu=60000)
    frame = read_frame(path)
    assert frame.bayer is None and frame.black_adu == 100
    np.testing.assert_array_equal(frame.pixels, RAMP.astype(np.float32) - 100)
    assert frame.header.exposure_s is None and frame.header.start_utc is None


def test_camera_clock_zones(tmp_path):
    paris = timezone(timedelta(hours=2))
    stated = write_dng(tmp_path / "z.dng", RAMP, bayer="RGGB", start_utc=START.astimezone(paris))
    assert read_frame(stated, clock_zone=timezone(timedelta(hours=-5))).header.start_utc == START
    picture = tmp_path / "plain.tif"
    tifffile.imwrite(picture, RAMP, datetime=datetime(2026, 10, 11, 23, 3, 4), metadata=None)
    frame = read_frame(picture, clock_zone=paris)
    assert frame.header.start_utc == datetime(2026, 10, 11, 21, 3, 4, tzinfo=UTC)
    assert any("no time zone" in step for step in frame.history)


# --- pictures -----------------------------------------------------------------------------------


@pytest.mark.parametrize("compression", [None, "adobe_deflate", "lzw", "zstd"])
def test_tiff_of_every_depth(tmp_path, compression):
    for data in (
        (RAMP % 256).astype(np.uint8),
        RAMP,
        RAMP.astype(np.float32) / 65535,
        np.stack([RAMP] * 3, axis=2),
    ):
        path = tmp_path / "a.tif"
        tifffile.imwrite(
            path,
            data,
            compression=compression,
            photometric="rgb" if data.ndim == 3 else "minisblack",
        )
        frame = read_frame(path)
        np.testing.assert_array_equal(frame.pixels, data.astype(np.float32))
        top = {1: 255.0, 2: 65535.0, 4: 1.0}[data.dtype.itemsize]
        assert frame.white_adu == top


def test_planar_and_transparent_tiff(tmp_path):
    colour = np.stack([RAMP, RAMP + 1, RAMP + 2])
    tifffile.imwrite(tmp_path / "p.tif", colour, photometric="rgb", planarconfig="separate")
    np.testing.assert_array_equal(
        read_frame(tmp_path / "p.tif").pixels, np.moveaxis(colour, 0, 2).astype(np.float32)
    )
    tifffile.imwrite(
        tmp_path / "a.tif", np.stack([RAMP] * 4, axis=2), photometric="rgb", extrasamples=[2]
    )
    assert read_frame(tmp_path / "a.tif").pixels.shape == (48, 60, 3)


def test_png_and_jpeg_colour_order_and_linear_light(tmp_path):
    colour = np.zeros((32, 40, 3), np.uint8)
    colour[..., 0], colour[..., 1], colour[..., 2] = 188, 100, 20
    for path in (
        write_png(tmp_path / "c.png", colour),
        write_jpeg(tmp_path / "c.jpg", colour, quality=98),
    ):
        frame = read_frame(path)
        expected = srgb_to_linear(np.array([188, 100, 20]) / 255) * 65535
        np.testing.assert_allclose(frame.pixels.mean(axis=(0, 1)), expected, rtol=0.04, atol=40)
        assert any("linear light" in step for step in frame.history)
    deep = np.stack([RAMP, RAMP // 2, RAMP // 3], axis=2)
    np.testing.assert_array_equal(read_frame(write_png(tmp_path / "d.png", deep)).pixels, deep)


def test_srgb_check_values():
    # IEC 61966-2-1: linear 0.18, 0.5 and 0.214041 are coded 0.461356, 0.735357 and 0.5
    np.testing.assert_allclose(
        srgb_to_linear([0.461356, 0.735357, 0.5]), [0.18, 0.5, 0.214041], atol=2e-6
    )


def test_written_tiff_reads_back(tmp_path):
    path = write_tiff16(tmp_path / "o.tif", RAMP)
    np.testing.assert_array_equal(read_frame(path).pixels, RAMP)


def test_jpeg_orientation_is_left_as_stored(tmp_path):
    grey = np.tile(np.arange(64, dtype=np.uint8) * 3, (32, 1))
    frame = read_frame(write_jpeg(tmp_path / "g.jpg", grey))
    assert frame.pixels.shape == (32, 64)
    assert frame.pixels[:, 60].mean() > frame.pixels[:, 5].mean()


# --- what is no picture -------------------------------------------------------------------------


def test_files_that_are_no_pictures(tmp_path):
    good = write_png(tmp_path / "good.png", RAMP)
    jpeg = write_jpeg(tmp_path / "good.jpg", (RAMP // 256).astype(np.uint8))
    tifffile.imwrite(tmp_path / "good.tif", RAMP)
    rng = np.random.default_rng(3)
    cases = {
        "empty.fits": b"",
        "words.fits": b"this is a letter, not a frame\n",
        "words.cr2": "só uma carta\n".encode(),
        "noise.cr2": rng.bytes(5000),
        "noise.bin": rng.bytes(5000),
        "fake.cr2": b"II*\x00\x10\x00\x00\x00CR\x02\x00" + rng.bytes(4000),
        "fake.cr3": b"\x00\x00\x00\x18ftypcrx " + rng.bytes(4000),
        "cut.png": good.read_bytes()[:200],
        "cut.jpg": jpeg.read_bytes()[: jpeg.stat().st_size // 2],
        "cut.tif": (tmp_path / "good.tif").read_bytes()[:3000],
        "head.tif": b"II*\x00\xff\xff\xff\xff",
    }
    for name, content in cases.items():
        path = tmp_path / name
        path.write_bytes(content)
        with pytest.raises(UnreadableFile) as error:
            read_frame(path)
        assert name in one_line(error)
    with pytest.raises(UnreadableFile, match="a folder"):
        read_frame(tmp_path)
    with pytest.raises(UnreadableFile, match="no such file"):
        read_frame(tmp_path / "absent.fits")


@settings(max_examples=60, deadline=None)
@given(
    start=st.sampled_from(
        [
            b"",
            b"SIMPLE  =                    T",
            b"II*\x00",
            b"MM\x00*",
            b"\x1f\x8b\x08",
            b"\x89PNG\r\n\x1a\n",
            b"\xff\xd8\xff",
            b"\x00\x00\x00\x18ftypcrx ",
        ]
    ),
    rest=st.binary(max_size=400),
    suffix=st.sampled_from([".fits", ".dng", ".tif", ".nef", ".jpg", ""]),
)
def test_no_bytes_can_raise_anything_else(tmp_path_factory, start, rest, suffix):
    path = tmp_path_factory.mktemp("fuzz") / f"f{suffix}"
    path.write_bytes(start + rest)
    with pytest.raises(UnreadableFile) as error:
        read_frame(path)
    assert "\n" not in str(error.value)


def test_list_frames(tmp_path):
    for name in ("b.FIT", "a.fits.gz", "sub/c.CR2", "notes.txt", ".hidden.fits", "x.tar.gz"):
        path = tmp_path / name
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(b"x")
    (tmp_path / ".cache").mkdir()
    (tmp_path / ".cache" / "d.fits").write_bytes(b"x")
    names = [p.relative_to(tmp_path).as_posix() for p in list_frames(tmp_path)]
    assert names == ["a.fits.gz", "b.FIT", "sub/c.CR2"]
    with pytest.raises(UsageError, match="not a folder"):
        list_frames(tmp_path / "notes.txt")


def test_eight_bit_mono_png_is_linear(tmp_path):
    grey = (RAMP % 256).astype(np.uint8)
    assert cv2.imwrite(str(tmp_path / "g.png"), grey)
    frame = read_frame(tmp_path / "g.png")
    np.testing.assert_array_equal(frame.pixels, grey)
    assert frame.white_adu == 255.0
