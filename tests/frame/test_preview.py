import numpy as np
import pytest

from slowglass.frame.preview import SKY_GREY, crop_square, measure_stretch, shrink, to_8bit


def noisy_sky(shape, *, seed=1, level=200.0, sigma=8.0):
    return np.random.default_rng(seed).normal(level, sigma, shape).astype(np.float32)


def test_shrink_keeps_the_mean_and_never_enlarges():
    sky = noisy_sky((400, 600))
    small = shrink(sky, 150)
    assert small.shape == (100, 150)
    assert small.mean() == pytest.approx(sky.mean(), rel=1e-5)
    assert shrink(sky, 5000).shape == sky.shape
    assert shrink(np.dstack([sky] * 3), 60).shape == (40, 60, 3)


@pytest.mark.parametrize(("level", "sigma"), [(0.0, 1.0), (200.0, 8.0), (30000.0, 300.0)])
def test_the_sky_comes_out_at_its_grey_whatever_its_level(level, sigma):
    sky = noisy_sky((300, 300), level=level, sigma=sigma)
    sky[100:104, 100:104] += 400 * sigma
    picture = to_8bit(sky, measure_stretch(sky))
    # Half a grey step of rounding, and the asinh's bend over one sigma of sky noise.
    assert np.median(picture) == pytest.approx(255 * SKY_GREY, abs=3)
    assert picture[102, 102] > 200


def test_the_same_stretch_shows_less_noise_as_less_noise():
    one, many = noisy_sky((200, 200), sigma=9.0), noisy_sky((200, 200), sigma=3.0, seed=2)
    stretch = measure_stretch(one)
    # A third of the noise; the bent curve and rounding take a little of the difference.
    ratio = to_8bit(many, stretch).std() / to_8bit(one, stretch).std()
    assert 0.28 < ratio < 0.45


def test_colour_keeps_its_ratios_in_bright_light():
    picture = np.full((60, 60, 3), 100.0, np.float32)
    picture += noisy_sky((60, 60, 3), level=0.0, sigma=2.0)
    picture[30, 30] = (100 + 800, 100 + 400, 100 + 200)
    red, green, blue = to_8bit(picture, measure_stretch(picture))[30, 30].astype(float)
    assert red > green > blue
    assert green / red == pytest.approx(0.5, abs=0.06)


def test_a_constant_picture_and_gaps_do_no_harm():
    flat = np.full((20, 20), 7.0, np.float32)
    flat[3, 3] = np.nan
    picture = to_8bit(flat, measure_stretch(flat))
    assert picture.dtype == np.uint8
    assert picture[3, 3] == 0


def test_crop_moves_inward_at_the_edge():
    grid = np.arange(100 * 80).reshape(100, 80)
    assert crop_square(grid, 0, 0, 20).shape == (20, 20)
    assert crop_square(grid, 0, 0, 20)[0, 0] == 0
    assert crop_square(grid, 79, 99, 20)[-1, -1] == grid[-1, -1]
    assert crop_square(grid, 40, 50, 500).shape == (80, 80)
