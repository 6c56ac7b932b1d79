"""Drizzling: noise statistics as published, star light kept, and only where the data carry it."""

from __future__ import annotations

import numpy as np
import pytest
from photutils.aperture import CircularAperture, aperture_photometry
from starfield import CELL

from slowglass.finish.drizzled import Source, decide, drizzle_lights, phases_filled
from slowglass.finish.geometry import Box, Similarity
from slowglass.finish.measure import picture_noise
from slowglass.finish.place import Placed
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
