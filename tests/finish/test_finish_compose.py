"""The cut, its coordinates and outlines; labels, report and caption, read by other libraries."""

import base64
import io
import re
from datetime import UTC, datetime

import cv2
import numpy as np
import pytest
import tifffile
from astropy.wcs import WCS
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from slowglass.finish.annotate import LONGEST_PX, Label, annotate
from slowglass.finish.compose import Cut, compose
from slowglass.finish.geometry import Box
from slowglass.finish.gradient import Outline
from slowglass.finish.known import find_glow, outline_of
from slowglass.finish.report import report_page
from slowglass.finish.specks import remove_specks
from slowglass.finish.story import Advice, Story
from slowglass.frame.caption import Caption
from slowglass.frame.picture_io import write_jpeg, write_png, write_tiff16
from slowglass.sky.wcs import TanWcs


def a_wcs(rotation_deg=0.0, parity=1, width=600, height=400):
    return TanWcs.from_simple(
        ra_deg=322.5, dec_deg=12.2, width_px=width, height_px=height, scale_arcsec_per_px=2.0,
        rotation_deg=rotation_deg, parity=parity,
    )  # fmt: skip


@settings(max_examples=40, deadline=None)
@given(
    x0=st.integers(0, 200), y0=st.integers(0, 150), turn=st.floats(-180, 180), flip=st.booleans(),
    rotation=st.floats(0, 359), parity=st.sampled_from([1, -1]),
    px=st.floats(0, 199), py=st.floats(0, 149),
)  # fmt: skip
def test_coordinates_follow_the_cut(x0, y0, turn, flip, rotation, parity, px, py):
    wcs = a_wcs(rotation, parity)
    cut = Cut(Box(x0, y0, x0 + 200, y0 + 150), turn, flip)
    moved = cut.wcs(wcs)
    # the place on the picture that lands on (px, py), by astropy's own solution of both headers
    ra, dec = WCS(moved.to_header()).wcs_pix2world(px, py, 0)
    there = WCS(wcs.to_header()).wcs_world2pix(ra, dec, 0)
    stars = cut.outline(Outline(float(there[0]), float(there[1]), 5, 3))
    assert (stars.x_px, stars.y_px) == pytest.approx((px, py), abs=1e-4)


@pytest.mark.parametrize("flip", [False, True])
@pytest.mark.parametrize("turn", [0.0, 30.0, -100.0])
def test_pixels_follow_the_cut(turn, flip):
    picture = np.zeros((400, 600), np.float32)
    cv2.circle(picture, (330, 210), 4, 1.0, -1)
    cut = Cut(Box(250, 120, 450, 280), turn, flip)
    out = cut.apply(picture)
    assert out.shape == (160, 200)
    y, x = np.mgrid[0:160, 0:200]
    spot = cut.outline(Outline(330, 210, 4, 4))
    found = (out * x).sum() / out.sum(), (out * y).sum() / out.sum()
    assert found == pytest.approx((spot.x_px, spot.y_px), abs=0.1)


@pytest.mark.parametrize("parity", [1, -1])
@pytest.mark.parametrize("rotation", [0.0, 37.0, 211.0])
def test_north_up_and_never_mirrored(rotation, parity):
    wcs = a_wcs(rotation, parity)
    cut = compose(600, 400, wcs=wcs, north_up=True)
    made = cut.wcs(wcs)
    x, y = made.crpix_x, made.crpix_y
    ra, dec = (float(v) for v in made.pixel_to_sky(x, y))
    nx, ny = made.sky_to_pixel(ra, dec + 0.01)
    ex, _ = made.sky_to_pixel(ra + 0.01, dec)
    assert float(nx) == pytest.approx(x, abs=0.2)
    assert float(ny) < y  # rows count downward: north is up
    assert float(ex) < x  # and east on the left, as on the sky
    corners = np.array([[0, 0], [cut.box.width_px - 1, cut.box.height_px - 1]], float)
    back = wcs.sky_to_pixel(*made.pixel_to_sky(corners[:, 0], corners[:, 1]))
    assert (np.array(back) > -1).all()
    assert (back[0] < 600).all()
    assert (back[1] < 400).all()


def test_subject_in_the_middle_with_room_around():
    cut = compose(6000, 4000, subject=Outline(2000, 1500, 300, 200))
    box = cut.box
    assert box.width_px / box.height_px == pytest.approx(1.5, rel=0.01)
    assert (box.x0 + box.width_px / 2, box.y0 + box.height_px / 2) == pytest.approx(
        (2000, 1500), abs=1
    )
    assert 1.5 < box.height_px / 600 < 3
    # near a corner the cut stays inside; a subject that fills the picture is shown whole
    corner = compose(6000, 4000, subject=Outline(100, 3900, 300, 200)).box
    assert (corner.x0, corner.y1) == (0, 4000)
    whole = compose(6000, 4000, subject=Outline(3000, 2000, 1500, 900)).box
    assert (whole.width_px, whole.height_px) == (6000, 4000)
    portrait = compose(4000, 6000, subject=Outline(2000, 3000, 300, 200)).box
    assert portrait.height_px > portrait.width_px
    assert compose(300, 200, subject=Outline(150, 100, 20, 20)).box == Box(0, 0, 300, 200)


def test_outline_lies_along_the_position_angle(sky):
    m82 = sky.objects.get("M82")
    wcs = TanWcs.from_simple(
        ra_deg=m82.ra_deg, dec_deg=m82.dec_deg, width_px=900, height_px=600,
        scale_arcsec_per_px=2.0, rotation_deg=0.0, parity=-1,
    )  # fmt: skip
    one = outline_of(m82, wcs)
    assert (one.x_px, one.y_px) == pytest.approx((449.5, 299.5), abs=0.1)
    assert one.long_px == pytest.approx(m82.major_arcmin * 30 / 2.0, rel=1e-6)
    # y runs north and x west here: a position angle t (north through east) lies at 90 + t
    assert np.cos(np.radians(one.angle_deg - 90 - m82.position_angle_deg)) == pytest.approx(
        1.0, abs=1e-3
    )


def test_glow_is_found_behind_stars_and_nothing_in_noise():
    rng = np.random.default_rng(1)
    y, x = np.mgrid[0:600, 0:900]
    noise = rng.normal(0, 5, (600, 900))
    for _ in range(60):
        cx, cy = rng.uniform(10, 890), rng.uniform(10, 590)
        noise += 2000 * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / 8)
    assert find_glow(noise.astype(np.float32)) is None
    glow = 40 * np.exp(-np.hypot((x - 300) / 60, (y - 350) / 40))
    found = find_glow((noise + glow).astype(np.float32))
    assert (found.x_px, found.y_px) == pytest.approx((300, 350), abs=12)
    assert 60 < found.long_px < 240
    assert found.short_px < found.long_px
    assert find_glow(np.zeros((600, 900), np.float32)) is None
    assert find_glow(np.zeros((50, 50), np.float32)) is None


def test_specks_go_and_stars_stay():
    rng = np.random.default_rng(2)
    y, x = np.mgrid[0:200, 0:300]
    picture = rng.normal(0, 3, (200, 300, 3))
    star = 900 * np.exp(-((x - 150) ** 2 + (y - 90) ** 2) / (2 * 1.7**2))
    picture = (picture + star[..., None]).astype(np.float32)
    before = picture.copy()
    picture[50, 60, 0] += 300
    picture[120, 200, 2] += 90
    assert remove_specks(picture, 4.0, (3.0, 3.0, 3.0)) == 2
    assert abs(picture[50, 60, 0]) < 10
    assert abs(picture[120, 200, 2]) < 10
    assert picture[80:100, 140:160] == pytest.approx(before[80:100, 140:160])
    assert remove_specks(picture, 2.0, (3.0, 3.0, 3.0)) == 0
    assert remove_specks(picture, float("nan"), (3.0, 3.0, 3.0)) == 0


def a_story(**changes):
    values = {
        "title": "M15 <cluster>", "frames_used": 7, "frames_in": 8, "exposure_s": 30.0,
        "total_s": 210.0, "start_utc": datetime(2026, 10, 9, 20, 15, tzinfo=UTC),
        "scale_arcsec_per_px": 0.619, "field_arcmin": (43.0, 29.0), "fwhm_px": 6.6,
        "fwhm_arcsec": 4.1, "object_snr": 75.0, "snr_gain": 2.64, "sky_shape": "plane",
        "sky_span_adu": 3.0, "sky_scatter_adu": 0.05, "colour_how": "catalogue",
        "colour_stars": 12, "colour_rms_mag": 0.012, "camera": None,
        "advice": (Advice(1.41, "Twice as many frames."), Advice(None, "Flats.")),
    }  # fmt: skip
    return Story(**(values | changes))


def test_labels_are_drawn_and_a_picture_without_coordinates_gets_its_strip():
    plain = np.full((400, 600), 30, np.uint8)
    label = Label(Outline(300, 200, 60, 40, 20.0), "M15")
    drawn = annotate(plain, a_wcs(), [label], title="M15", facts="7 x 30 s")
    bare = annotate(plain, None, [], title="", facts="")
    assert drawn.shape == bare.shape
    assert drawn.shape[1] == 600
    assert drawn.shape[0] > 400
    assert drawn.dtype == np.uint8
    assert np.abs(bare[5:395, 5:595].astype(int) - 30).max() <= 1
    # the ellipse's rightmost point, about (356, 220), is inked
    assert drawn[210:232, 350:362].max() > 120
    big = annotate(np.zeros((200, 4000, 3), np.uint8), None, [], title="", facts="")
    assert big.shape[1] == LONGEST_PX


@pytest.mark.parametrize("dec", [89.9, -89.95, 0.0])
def test_grid_over_poles_and_zero_hours(dec):
    wcs = TanWcs.from_simple(
        ra_deg=0.01, dec_deg=dec, width_px=300, height_px=200, scale_arcsec_per_px=6.0
    )
    drawn = annotate(np.zeros((200, 300, 3), np.uint8), wcs, [], title="", facts="")
    assert drawn[:200].max() > 40


def test_report_says_what_it_should_and_needs_no_network(tmp_path):
    picture = np.random.default_rng(0).integers(0, 255, (300, 450, 3), dtype=np.uint8)
    page = report_page(
        a_story(), picture, pair=picture[:100, :206], rejected=[("l4.fits", "trailed & soft")],
        notes=["no flat frames"], recipe=tmp_path / "m15.recipe.toml", files=[tmp_path / "m15.png"],
    )  # fmt: skip
    told = (
        "M15 &lt;cluster&gt;", "7 × 30 s (of 8)", "6.60 px (4.1″)", "2.64", "× 1.41",
        "12 catalogue stars", "0.012 mag", "trailed &amp; soft", "m15.recipe.toml",
    )  # fmt: skip
    for text in told:
        assert text in page
    assert not re.search(r"(src|href)=\"?https?:", page)
    codes = re.findall(r"data:image/jpeg;base64,([A-Za-z0-9+/=]+)", page)
    sizes = [Image.open(io.BytesIO(base64.b64decode(code))).size for code in codes]
    assert sizes == [(450, 300), (206, 100)]
    bare = a_story(
        title="", exposure_s=None, total_s=None, start_utc=None, scale_arcsec_per_px=None,
        field_arcmin=None, fwhm_px=None, fwhm_arcsec=None, object_snr=None, snr_gain=None,
        colour_how="none", colour_stars=0, colour_rms_mag=None, frames_used=1, frames_in=1,
        sky_span_adu=None, sky_scatter_adu=None, advice=(),
    )  # fmt: skip
    empty = report_page(
        bare, picture, pair=None, rejected=[], notes=[], recipe=tmp_path / "r", files=[]
    )
    assert "None" not in empty
    assert "nan" not in empty.replace("finance", "")


@pytest.mark.parametrize("grey", [False, True])
def test_pictures_carry_profile_and_caption(tmp_path, grey):
    shape = (40, 60) if grey else (40, 60, 3)
    pixels = np.random.default_rng(0).integers(0, 255, shape, dtype=np.uint8)
    caption = Caption(
        "M15", "7 × 30 s = 3.5 min · 43′ × 29′", datetime(2026, 10, 9, 20, 15, 2, tzinfo=UTC), 210.0
    )
    deep = pixels.astype(np.uint16) * 257
    files = (
        write_png(tmp_path / "a.png", pixels, caption=caption),
        write_jpeg(tmp_path / "a.jpg", pixels, caption=caption),
        write_tiff16(tmp_path / "a.tiff", deep, caption=caption),
    )
    png, jpeg = (Image.open(io.BytesIO(file.read_bytes())) for file in files[:2])
    with tifffile.TiffFile(files[2]) as tiff:
        tiff_profile = tiff.pages[0].tags["InterColorProfile"].value
        assert tiff.pages[0].description.startswith("M15. 7 x 30 s")
    assert np.array_equal(np.asarray(png), pixels)
    for profile in (png.info["icc_profile"], jpeg.info["icc_profile"], tiff_profile):
        assert profile[36:40] == b"acsp"
        assert profile[16:20] == (b"GRAY" if grey else b"RGB ")
    assert png.text["Title"] == "M15"
    assert png.text["Description"] == caption.description
    for picture in (png, jpeg):
        exif = picture.getexif()
        assert exif[0x010E] == "M15. 7 x 30 s = 3.5 min * 43' x 29'"
        assert exif[0x0131] == "slowglass"
        detail = exif.get_ifd(0x8769)
        assert float(detail[0x829A]) == 210.0
        assert detail[0x9003] == "2026:10:09 20:15:02"
    again = write_png(tmp_path / "b.png", pixels, caption=caption)
    assert again.read_bytes() == (tmp_path / "a.png").read_bytes()
