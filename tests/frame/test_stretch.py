import io

import numpy as np
import pytest
from astropy.visualization import AsinhStretch, LuptonAsinhStretch
from PIL import Image, ImageCms

from slowglass.frame.preview import crop_square, shrink
from slowglass.frame.screen import icc_profile, srgb, srgb_to_linear
from slowglass.frame.stretch import (
    SKY_SHADE,
    Stretch,
    choose_levels,
    measure_stretch,
    to_8bit,
    to_screen,
)


def noisy_sky(shape, *, seed=1, level=200.0, sigma=8.0):
    return np.random.default_rng(seed).normal(level, sigma, shape).astype(np.float32)


def test_shrink_keeps_the_mean_and_never_enlarges():
    sky = noisy_sky((400, 600))
    small = shrink(sky, 150)
    assert small.shape == (100, 150)
    assert small.mean() == pytest.approx(sky.mean(), rel=1e-5)
    assert shrink(sky, 5000).shape == sky.shape
    assert shrink(np.dstack([sky] * 3), 60).shape == (40, 60, 3)


def test_crop_moves_inward_at_the_edge():
    grid = np.arange(100 * 80).reshape(100, 80)
    assert crop_square(grid, 0, 0, 20).shape == (20, 20)
    assert crop_square(grid, 0, 0, 20)[0, 0] == 0
    assert crop_square(grid, 79, 99, 20)[-1, -1] == grid[-1, -1]
    assert crop_square(grid, 40, 50, 500).shape == (80, 80)


def test_srgb_published_values():
    # IEC 61966-2-1, computed with colour-science 0.4.7
    assert srgb([0.18, 0.5, 0.214041]) == pytest.approx([0.461356, 0.735357, 0.5], abs=2e-6)
    ramp = np.linspace(0, 1, 501)
    assert srgb_to_linear(srgb(ramp)) == pytest.approx(ramp, abs=1e-12)


@pytest.mark.parametrize("share", [0.01, 0.1, 0.5])
def test_curve_is_the_published_asinh(share):
    light = np.linspace(0, 1, 101)
    stretch = Stretch((0.0,), share, 1.0)
    assert stretch.shade(light) == pytest.approx(AsinhStretch(share)(light), abs=1e-12)


@pytest.mark.parametrize(("scale", "softening"), [(5.0, 8.0), (50.0, 4.0), (0.5, 20.0)])
def test_curve_is_that_of_lupton_and_others(scale, softening):
    # Lupton et al. 2004 as astropy has it: the same curve, its white where it reaches one
    theirs = LuptonAsinhStretch(stretch=scale, Q=softening)
    soft = scale / softening
    ours = Stretch((0.0,), soft, soft * np.sinh(np.arcsinh(0.1 * softening) / 0.1))
    light = scale * np.linspace(0.0, 3.0, 50)
    assert ours.shade(light) == pytest.approx(theirs(light, clip=False), rel=1e-9)


@pytest.mark.parametrize(("level", "sigma"), [(0.0, 1.0), (200.0, 8.0), (30000.0, 300.0)])
def test_the_sky_comes_out_at_its_grey_whatever_its_level(level, sigma):
    sky = noisy_sky((300, 300), level=level, sigma=sigma)
    sky[100:104, 100:104] += 400 * sigma
    picture = to_8bit(sky, measure_stretch(sky))
    # Half a grey step of rounding, and room below the sky for its noise.
    assert np.median(picture) == pytest.approx(255 * SKY_SHADE, abs=8)
    assert np.mean(picture == 0) < 1e-3
    assert picture[102, 102] > 200


def test_the_same_stretch_shows_less_noise_as_less_noise():
    one, many = noisy_sky((200, 200), sigma=9.0), noisy_sky((200, 200), sigma=3.0, seed=2)
    stretch = measure_stretch(one)
    # A third of the noise; the bent curve and rounding take a little of the difference.
    ratio = to_8bit(many, stretch).std() / to_8bit(one, stretch).std()
    assert 0.28 < ratio < 0.45


@pytest.mark.parametrize(
    ("sigma", "core", "white"), [(1.0, None, 900.0), (1.0, 40.0, 900.0), (5.0, 9.0, 60.0),
                                 (0.1, 400.0, 500.0)]
)  # fmt: skip
def test_levels_keep_noise_and_core_within_bounds(sigma, core, white):
    made = choose_levels(
        sky=7.0, sigma=sigma, white=white, highlight=core and core + 7.0, sky_shade=0.1,
        noise_shade=0.02, highlight_shade=0.9,
    )  # fmt: skip
    offset = 7.0 - made.black[0]
    assert made.shade(offset) == pytest.approx(0.1, abs=1e-6)
    noise = made.steepness(offset) * sigma
    shown = 0.0 if core is None else float(made.shade(offset + core))
    assert noise <= 0.0201
    assert shown <= 0.9001
    # and not weaker than one of the two bounds asks for
    assert noise > 0.0199 or shown > 0.899


def test_ratios_of_channels_survive_in_linear_light():
    rng = np.random.default_rng(4)
    light = rng.uniform(0.5, 30.0, (40, 40, 3)).astype(np.float32)
    shown = srgb_to_linear(to_screen(light, Stretch((0.0,), 3.0, 400.0)))
    assert shown[..., 0] / shown[..., 1] == pytest.approx(light[..., 0] / light[..., 1], rel=2e-4)
    assert shown[..., 2] / shown[..., 1] == pytest.approx(light[..., 2] / light[..., 1], rel=2e-4)


def test_a_bright_star_keeps_its_hue():
    light = np.array([[[4000.0, 2000.0, 1000.0]]], np.float32)
    shown = srgb_to_linear(to_screen(light, Stretch((0.0,), 3.0, 400.0)))[0, 0]
    assert shown.max() == pytest.approx(1.0, abs=1e-5)
    assert shown[1] / shown[0] == pytest.approx(0.5, rel=1e-3)


def test_saturation_leaves_grey_alone_and_spreads_the_rest():
    light = np.array([[[20.0, 20.0, 20.0], [30.0, 20.0, 10.0]]], np.float32)
    stretch = Stretch((0.0,), 3.0, 400.0)
    plain, more = to_screen(light, stretch), to_screen(light, stretch, saturation=1.5)
    assert more[0, 0] == pytest.approx(plain[0, 0], abs=1e-6)
    assert np.ptp(more[0, 1]) > 1.2 * np.ptp(plain[0, 1])


def test_a_constant_picture_and_gaps_do_no_harm():
    flat = np.full((20, 20), 7.0, np.float32)
    flat[3, 3] = np.nan
    picture = to_8bit(flat, measure_stretch(flat))
    assert picture.dtype == np.uint8
    assert picture[3, 3] == 0


@pytest.mark.parametrize("grey", [False, True])
def test_profile_is_read_and_means_srgb(grey):
    ours = ImageCms.getOpenProfile(io.BytesIO(icc_profile(grey=grey)))
    mode = "L" if grey else "RGB"
    turn = ImageCms.buildTransform(ours, ImageCms.createProfile("sRGB"), mode, "RGB")
    shape = (64, 64) if grey else (64, 64, 3)
    codes = np.random.default_rng(1).integers(0, 256, shape, dtype=np.uint8)
    there = np.asarray(ImageCms.applyTransform(Image.fromarray(codes), turn)).astype(int)
    # the colour engine's own sRGB; one step of rounding
    assert np.abs(there - (codes[..., None] if grey else codes)).max() <= 1
