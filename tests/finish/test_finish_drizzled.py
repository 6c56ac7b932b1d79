"""Drizzling: noise statistics as published, star light kept, and only where the data carry it."""

from __future__ import annotations

import numpy as np
import pytest
from astropy.io import fits
from photutils.aperture import CircularAperture, aperture_photometry
from starfield import CELL, Field, write
from test_finish_folder import load_record

from slowglass.finish.drizzled import Source, decide, drizzle_lights, phases_filled
from slowglass.finish.geometry import Box, Similarity
from slowglass.finish.measure import picture_noise
from slowglass.finish.place import Placed
from slowglass.finish.service import finish_path
from slowglass.finish.skyflat import Surface

SIZE = 260
DARK = Surface(SIZE, SIZE, ((0, 0),), (0.0,))
BOX = Box(12, 12, SIZE - 12, SIZE - 12)


def placed(shifts, *, weight=1.0, colours=1):
    return [
        Placed(Similarity(1.0, complex(*s)), (DARK,) * colours, 1.0, weight, 1.0) for s in shifts
    ]


def dithers(rng, count, *, reach=6.0):
    return rng.uniform(-reach, reach, (count, 2))


def drizzled(frames, places, *, bayer=None, pixfrac=0.8, first=None, limit=1e9):
    channels = 3 if bayer else 1
    shape = (BOX.height_px, BOX.width_px, 3) if bayer else (BOX.height_px, BOX.width_px)
    return drizzle_lights(
        [
            Source(lambda box, f=f: f[box.y0 : box.y1, box.x0 : box.x1].copy(), bayer, SIZE, SIZE)
            for f in frames
        ],
        places,
        np.zeros(shape, dtype=np.float32) if first is None else first,
        BOX,
        pixfrac=pixfrac,
        limit=lambda light: np.full_like(light, limit),
        report=lambda *a: None,
    ), channels


@pytest.mark.parametrize(("pixfrac", "published"), [(0.5, 1.2), (0.8, 1.3636), (1.0, 1.5)])
def test_noise_correlation_is_fruchter_and_hooks(pixfrac, published):
    # Fruchter & Hook 2002, PASP 114, 144, section 7: noise on large scales over that of a pixel
    # is 1/(1 - r/3) with r = pixfrac/scale <= 1. The formula holds for many dithers.
    rng = np.random.default_rng(1)
    frames = [rng.normal(0, 10, (SIZE, SIZE)).astype(np.float32) for _ in range(120)]
    (picture, coverage, lost), _ = drizzled(frames, placed(dithers(rng, 120)), pixfrac=pixfrac)
    noise = picture_noise(picture, per_adu=0.0)
    assert noise.blend[0] == pytest.approx(published, rel=0.08)  # 17 x 17 blocks: 4 per cent
    assert lost == 0
    assert coverage.min() > 0.8


def test_mosaic_keeps_star_light_in_each_colour_and_drops_strays():
    rng = np.random.default_rng(2)
    star, width = np.array([80.3, 77.8]), 1.1
    flux = np.array([9000.0, 14000.0, 7000.0])
    yy, xx = np.mgrid[:SIZE, :SIZE].astype(float)
    cell = np.array(CELL["RGGB"])
    colour = np.tile(cell, (SIZE // 2, SIZE // 2))
    shifts = dithers(rng, 60)
    frames, truth = [], None
    for s in shifts:
        # the frame sees the sky shifted back
        x, y = star - s
        light = np.exp(-((xx - x) ** 2 + (yy - y) ** 2) / 2 / width**2) / (2 * np.pi * width**2)
        frames.append((flux[colour] * light + rng.normal(0, 2, light.shape)).astype(np.float32))
    frames[7][100:103] += 500.0  # a trail
    truth = np.exp(-((xx - star[0]) ** 2 + (yy - star[1]) ** 2) / 2 / width**2)
    truth = (truth / (2 * np.pi * width**2))[..., None] * flux
    first = truth[BOX.y0 : BOX.y1, BOX.x0 : BOX.x1].astype(np.float32)
    limit = 0.15 * first.max() + 20.0
    (picture, _, lost), _ = drizzled(
        frames, placed(shifts, colours=4), bayer="RGGB", pixfrac=0.9, first=first, limit=limit
    )
    at = star - [BOX.x0, BOX.y0]
    for c in range(3):
        light = aperture_photometry(picture[..., c].astype(float), CircularAperture(at, 8.0))
        assert float(light["aperture_sum"][0]) == pytest.approx(flux[c], rel=0.02)
    assert 0 < lost < 0.002
    dark = np.ones(picture.shape[:2], bool)
    dark[int(at[1]) - 12 : int(at[1]) + 13, int(at[0]) - 12 : int(at[0]) + 13] = False
    assert np.abs(picture[dark]).max() < 8  # noise 2, some 15 values a pixel; the trail had 500


def test_the_data_decide():
    rng = np.random.default_rng(3)
    size = {"width_px": SIZE, "height_px": SIZE}
    spread = placed(dithers(rng, 90))
    still = placed([(0.1, 0.2)] * 90)
    assert decide(spread, "RGGB", 2.5, **size).pays
    assert "would gain" in decide(spread, "RGGB", 5.0, **size).text
    assert "24 needed" in decide(spread[:10], "RGGB", 2.5, **size).text
    assert "move the pointing" in decide(still, "RGGB", 2.5, **size).text
    assert not decide(spread, None, float("nan"), **size).pays
    assert decide(spread[:40], None, 1.6, **size).pays
    assert phases_filled(still, 2, **size) == 1 / 16


def test_finer_pixels_want_sharp_stars_many_frames_and_spread_shifts():
    rng = np.random.default_rng(4)
    size = {"width_px": SIZE, "height_px": SIZE}
    spread = placed(dithers(rng, 150))
    assert decide(spread, "RGGB", 1.6, **size).finer == 2.0
    assert decide(spread, "RGGB", 2.2, **size).finer == 1.5
    enough = decide(spread, "RGGB", 2.8, **size)
    assert (enough.pays, enough.finer) == (True, 1.0)
    assert "sampled well enough" in enough.text
    few = decide(spread[:40], "RGGB", 1.6, **size)
    assert (few.pays, few.finer) == (True, 1.0)
    assert "54 frames needed for 1.5 times" in few.text
    large = decide(spread, "RGGB", 1.6, width_px=9000, height_px=6000)
    assert "megapixels would be too many" in large.text
    assert decide(spread[:60], None, 1.5, **size).finer == 2.0


def test_a_finer_picture_separates_what_the_camera_did_not(tmp_path):
    """Two stars 1.8 px apart: one knot in a frame, two stars on the grid that the data chose."""
    rng = np.random.default_rng(5)
    wide, high, fwhm, apart = 200, 160, 1.5, 1.8
    field = Field.random(rng, width=wide, height=high, stars=45, brightest=40000.0)
    far = np.hypot(field.x - 100, field.y - 80) > 12
    x = np.append(field.x[far], [100.0, 100.0 + apart])
    y = np.append(field.y[far], [80.0, 80.0])
    flux = np.vstack([field.flux[far], np.full((2, 3), 30000.0)])
    field = Field(x, y, flux, wide, high, sky=(200.0, 200.0, 200.0))
    for k, shift in enumerate(dithers(rng, 44, reach=3.0)):
        light = field.image(channels=1, fwhm=fwhm, shift=tuple(shift))[..., 0] + 300.0
        raw = rng.poisson(light).astype(np.uint16)
        write(tmp_path / f"in/l{k:02d}.fits", raw, kind="LIGHT", exposure_s=30.0)
    result = finish_path(tmp_path / "in", tmp_path / "out", whole=True)
    record = load_record(result)
    assert record["drizzled"], record["drizzle_because"]
    assert record["finer"] == 2.0, record["drizzle_because"]
    picture = fits.getdata(result.outputs[0]).astype(float)
    assert picture.shape[1] > 1.8 * wide
    plain = finish_path(tmp_path / "in", tmp_path / "plain", whole=True, finer=1.0)
    assert load_record(plain)["finer"] == 1.0
    coarse = fits.getdata(plain.outputs[0]).astype(float)
    assert dip(picture, 2.0 * apart) < dip(coarse, apart) - 0.05
    # all light is still there: the grid's pixels hold a quarter each
    assert picture.sum() / coarse.sum() == pytest.approx(1.0, abs=0.05)
    assert plain.fwhm_px * 2 >= result.fwhm_px > 2.4


def dip(picture, apart_px):
    """Light half-way between the two equal stars over the stars' own, by splines."""
    from scipy.ndimage import map_coordinates

    high, wide = picture.shape
    j, i = high // 2, wide // 2
    part = picture[j - high // 8 : j + high // 8, i - wide // 8 : i + wide // 8]
    y, x = np.unravel_index(np.argmax(part), part.shape)
    best = 1.0
    for first in np.arange(x - apart_px - 1, x + 1.01, 0.25):
        at = np.array([first, first + apart_px / 2, first + apart_px])
        a, m, b = map_coordinates(part, [np.full(3, y), at], order=3)
        if min(a, b) > 0.6 * part.max():
            best = min(best, m / min(a, b))
    return best
