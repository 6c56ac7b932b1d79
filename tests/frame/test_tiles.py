"""Levels and squares: means kept, no seams, codes that resolve the noise and never turn back."""

from __future__ import annotations

import numpy as np
import pytest
from astropy.nddata import block_reduce
from hypothesis import given, settings
from hypothesis import strategies as st

from slowglass.frame.adjust import Adjustment, adjusted, finished_shade
from slowglass.frame.bayer import demosaic
from slowglass.frame.screen import srgb
from slowglass.frame.stretch import Stretch
from slowglass.frame.tiles import (
    TILE_PX,
    build_pyramid,
    cells,
    coarse_levels,
    compact,
    halve,
    level_light,
    tile,
)

FLOAT32 = 2e-6  # relative, of a mean of some values


def frame(rows, columns, *, seed=1, channels=0):
    """A sky of 600 ADU with noise of 9 and stars up to 14 000."""
    rng = np.random.default_rng(seed)
    shape = (rows, columns, channels) if channels else (rows, columns)
    picture = rng.normal(600.0, 9.0, shape)
    y, x = np.mgrid[:rows, :columns]
    for _ in range(12):
        cx, cy = rng.uniform(0, columns), rng.uniform(0, rows)
        spot = 13_000.0 * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / (2 * 1.6**2))
        picture += spot[..., None] if channels else spot
    return np.rint(picture).astype(np.float32)


@pytest.mark.parametrize("channels", [0, 3])
@pytest.mark.parametrize(("rows", "columns"), [(64, 96), (65, 97), (1, 7)])
def test_halves_are_block_means(rows, columns, channels):
    image = frame(rows, columns, channels=channels)
    half = halve(image)
    even = image[: rows // 2 * 2, : columns // 2 * 2]
    size = (2, 2, 1) if channels else (2, 2)
    if even.size:
        wanted = block_reduce(even, size, np.mean)
        got = half[: rows // 2, : columns // 2]
        np.testing.assert_allclose(got if channels else got[..., 0], wanted, rtol=FLOAT32)
    if columns % 2:  # the last column is the mean of what is there
        column = image[: rows // 2 * 2, -1]
        wanted = (column[0::2] + column[1::2]) / 2
        got = half[: rows // 2, -1]
        np.testing.assert_allclose(got if channels else got[..., 0], wanted, rtol=FLOAT32)


def test_deep_levels_are_means_of_ever_larger_blocks():
    image = frame(2048, 3072)
    levels = coarse_levels(image)
    assert [a.shape[:2] for a in levels] == [(1024, 1536), (512, 768), (256, 384)]
    for depth, level in enumerate(levels, 1):
        wanted = block_reduce(image, 2**depth, np.mean)
        np.testing.assert_allclose(level[..., 0], wanted, rtol=1e-5)


@pytest.mark.parametrize("bayer", ["RGGB", "BGGR", "GRBG", "GBRG"])
def test_every_colour_of_a_cell_is_told_for_its_middle(bayer):
    """A slope is the same slope in all colours: red and blue are not half a pixel apart."""
    y, x = np.mgrid[:60, :80].astype(np.float32)
    slope = 3.0 * x + 2.0 * y + 100.0
    level = cells(slope, bayer)
    middle = slope[::2, ::2] + 1.5 + 1.0
    for colour in range(3):
        inner = level[2:-2, 2:-2, colour]
        np.testing.assert_allclose(inner, middle[2:-2, 2:-2], atol=1e-3)


@settings(max_examples=20, deadline=None)
@given(cx=st.floats(20, 40), cy=st.floats(20, 40))
def test_a_star_keeps_its_light_and_place_in_every_colour(cx, cy):
    y, x = np.mgrid[:64, :64].astype(np.float32)
    star = np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / (2 * 2.5**2)).astype(np.float32)
    level = cells(star, "RGGB")
    for colour in range(3):
        plane = level[..., colour].astype(float)
        total = plane.sum()
        assert total == pytest.approx(star.sum() / 4, rel=1e-3)
        rows, columns = np.mgrid[:32, :32]
        # on the cells' own grid a place x is (x − 1/2) / 2
        assert (plane * columns).sum() / total == pytest.approx((cx - 0.5) / 2, abs=0.01)
        assert (plane * rows).sum() / total == pytest.approx((cy - 0.5) / 2, abs=0.01)


def assembled(pyramid, level, coding):
    width, height = pyramid.sizes[level]
    rows = [
        np.concatenate(
            [tile(pyramid, level, c, r, coding) for c in range(-(-width // TILE_PX))], axis=1
        )
        for r in range(-(-height // TILE_PX))
    ]
    return np.concatenate(rows, axis=0)


@pytest.mark.parametrize("bayer", [None, "GRBG"])
def test_squares_join_without_a_seam(bayer):
    """Put together they are the whole, demosaiced and coded in one piece."""
    image = frame(701, 1303)
    pyramid = build_pyramid(image, bayer=bayer)
    whole = image[..., None] if bayer is None else demosaic(image, bayer)
    coding = pyramid.codings[2]
    share = coding.share(whole - np.asarray(pyramid.sky, dtype=np.float32))
    wanted = np.rint(share * np.float32(255)).astype(np.uint8)
    got = assembled(pyramid, 0, 2)
    assert got.shape[:2] == (701, 1303)
    wanted = wanted[..., 0] if bayer is None else wanted
    assert np.abs(got.astype(int) - wanted).max() <= 1  # the last bit of float32
    assert (got != wanted).mean() < 1e-3


def test_coarse_squares_say_what_the_level_holds():
    image = frame(1100, 1500)
    pyramid = build_pyramid(image, bayer="RGGB")
    level = coarse_levels(image, "RGGB")[0]
    held = level_light(pyramid, 1)
    # the 16-bit code resolves a thousandth of the noise, or 0.03 % of what is bright
    allowed = np.maximum(0.001 * pyramid.sigma, 3e-4 * np.abs(level - 600.0))
    assert (np.abs(held - level) <= allowed + 1e-2).all()
    for k, coding in enumerate(pyramid.codings):
        square = tile(pyramid, 1, 0, 0, k)
        light = coding.light(square / 255.0) + np.asarray(pyramid.sky)
        again = coding.share(light - np.asarray(pyramid.sky)) * 255.0
        np.testing.assert_allclose(again, square, atol=0.01)


def test_some_coding_resolves_the_noise_and_some_the_brightest():
    pyramid = build_pyramid(frame(900, 1200))
    codes = np.arange(256) / 255.0
    at_sky = [float(np.diff(c.light(codes))[np.searchsorted(c.light(codes), 0.0)])
              for c in pyramid.codings]  # fmt: skip
    assert min(at_sky) < 0.05 * pyramid.sigma
    top = [float(np.diff(c.light(codes))[-1] / c.light(1.0)) for c in pyramid.codings]
    assert min(top) < 0.006
    for coding in pyramid.codings:
        assert (np.diff(coding.light(codes)) > 0).all()


def test_values_are_those_of_the_file():
    image = frame(300, 400)
    image[7, 9], image[8, 8] = -3.0, 16383.0
    pyramid = build_pyramid(image, bayer="RGGB")
    assert pyramid.pixels.dtype == np.uint16
    assert pyramid.value(9, 7) == (-3.0,) and pyramid.value(8, 8) == (16383.0,)
    assert [pyramid.colour(x, y) for y in (0, 1) for x in (0, 1)] == ["R", "G", "G", "B"]
    for x, y in ((-1, 0), (400, 0), (0, 300)):
        with pytest.raises(IndexError):
            pyramid.value(x, y)


def test_fractions_and_wide_ranges_are_kept_as_they_are():
    image = frame(40, 50) / np.float32(65535.0)
    exact, offset = compact(image)
    assert offset == 0.0 and np.array_equal(exact, image)
    wide = np.array([[0.0, 70_000.0]], dtype=np.float32)
    assert compact(wide)[0].dtype == np.float32


@pytest.mark.parametrize(
    "place", [(9, 0, 0, 0), (-1, 0, 0, 0), (0, 3, 0, 0), (0, 0, 2, 0), (0, -1, 0, 0), (0, 0, 0, 99)]
)
def test_there_are_no_other_squares(place):
    pyramid = build_pyramid(frame(600, 1400))
    with pytest.raises(IndexError):
        tile(pyramid, *place)


def test_a_flat_and_a_tiny_picture_have_levels_too():
    for image in (np.full((700, 900), 512.0, np.float32), np.ones((1, 1), np.float32)):
        pyramid = build_pyramid(image)
        assert tile(pyramid, 0, 0, 0, 0).dtype == np.uint8
        assert pyramid.sizes[0] == image.shape[::-1]
        assert np.isfinite(pyramid.codings[0].light(np.linspace(0, 1, 9))).all()


def test_a_finished_picture_leaves_as_it_is():
    codes = np.random.default_rng(4).integers(0, 256, (600, 700, 3)).astype(np.uint8)
    linear = np.where(codes <= 10, codes / 255 / 12.92, ((codes / 255 + 0.055) / 1.055) ** 2.4)
    pyramid = build_pyramid((linear * 65535).astype(np.float32), finished=True)
    assert np.array_equal(assembled(pyramid, 0, 0), codes)


hands = st.integers(-100, 100)
AUTOMATIC = Stretch((590.0, 700.0, 650.0), 30.0, 9000.0)


@given(black=hands, brightness=hands, contrast=hands)
def test_no_position_of_the_hands_turns_the_curve_back(black, brightness, contrast):
    by = Adjustment(black, brightness, contrast)
    made = adjusted(AUTOMATIC, (600.0, 712.0, 661.0), by)
    light = np.linspace(-50.0, 16_000.0, 400)
    assert (np.diff(made.shade(light)) >= 0).all()
    assert made.shade(made.white) == pytest.approx(1.0)
    shade = finished_shade(np.linspace(0, 1, 400), by)
    assert (np.diff(shade) >= 0).all() and shade.min() >= 0 and shade.max() <= 1


def test_hands_at_rest_change_nothing():
    assert adjusted(AUTOMATIC, (600.0, 712.0, 661.0), Adjustment()) == AUTOMATIC
    light = np.linspace(0, 1, 50)
    np.testing.assert_allclose(finished_shade(light, Adjustment()), srgb(light), atol=1e-12)
    with pytest.raises(ValueError, match="brightness 101"):
        Adjustment(brightness=101)
