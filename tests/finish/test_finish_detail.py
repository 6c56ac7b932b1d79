"""Noise reduction, sharpening, star size and contrast, against known truth and photutils."""

import numpy as np
import pytest
from photutils.aperture import CircularAperture, aperture_photometry
from scipy.signal import fftconvolve

from slowglass.finish.quiet import measure_noise, quieten, wavelet
from slowglass.finish.sharpen import Blur, can_sharpen, moffat_blur, sharpen
from slowglass.finish.touch import local_contrast, smaller_stars
from slowglass.frame.stars import StarFlag, StarList


def star_list(x, y, flux, *, fwhm=4.0, elongation=1.0, flags=0):
    n = len(x)
    full = np.full(n, 0.0)
    return StarList(
        np.asarray(x, float), np.asarray(y, float), np.asarray(flux, float), full + 1.0,
        full + 100.0, full + fwhm, full + fwhm, full + elongation, full,
        np.full(n, flags, np.int32),
    )  # fmt: skip


def scene(shape=(300, 400), *, sigma_px=1.8):
    """A smooth galaxy and stars, noiseless, with the stars' places and light."""
    rng = np.random.default_rng(2)
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]]
    light = 25.0 * np.exp(-np.hypot(x - 250, (y - 150) / 0.6) / 25.0)
    places = [(60, 60), (120, 200), (330, 60), (60, 250), (180, 60), (350, 250), (130, 120)]
    flux = 10 ** rng.uniform(2.6, 3.8, len(places))
    for (cx, cy), f in zip(places, flux, strict=True):
        light += (
            f / (2 * np.pi * sigma_px**2)
            * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / (2 * sigma_px**2))
        )  # fmt: skip
    return light, np.array(places, float), flux


def noisy(light, sigma, seed=3, colour=False):
    rng = np.random.default_rng(seed)
    if colour:
        light = np.stack([0.8 * light, light, 0.9 * light], axis=-1)
    return (light + rng.normal(0, sigma, light.shape)).astype(np.float32)


def test_wavelet_scales_add_up():
    picture = noisy(scene()[0], 2.0)
    assert sum(wavelet(picture)) == pytest.approx(picture, abs=1e-3)


@pytest.mark.parametrize("colour", [False, True])
def test_noise_falls_and_light_stays(colour):
    light, places, flux = scene()
    picture = noisy(light, 2.0, colour=colour)
    noise = measure_noise(picture, sky_adu=2.0, per_adu=0.0)
    quiet = quieten(picture, noise, strength=0.8)
    truth = noisy(light, 0.0, colour=colour)
    sky = np.s_[100:140, 20:110]
    assert np.std(quiet[sky]) < 0.45 * np.std(picture[sky])
    assert np.sqrt(np.mean((quiet - truth) ** 2)) < 0.55 * np.sqrt(np.mean((picture - truth) ** 2))
    # what is dropped are lone dips more than peaks: a fortieth of a pixel's noise at most
    assert quiet.mean() == pytest.approx(picture.mean(), abs=2.0 / 40)
    plane = quiet[..., 1] if colour else quiet
    sums = aperture_photometry(plane, CircularAperture(places, 6.0))["aperture_sum"]
    base = aperture_photometry(light, CircularAperture(places, 6.0))["aperture_sum"]
    # noise of the aperture, 2 sqrt(113) = 21 ADU at 1 sigma, and 2 % of the star
    assert np.abs(np.array(sums - base)).max() < 60 + 0.02 * flux.max()


def test_no_dark_rings_and_no_clipping_of_the_sky():
    light, places, _ = scene()
    picture = noisy(light, 2.0)
    quiet = quieten(picture, measure_noise(picture, sky_adu=2.0, per_adu=0.0), strength=0.8)
    y, x = np.mgrid[0:300, 0:400]
    for cx, cy in places:
        away = np.hypot(x - cx, y - cy)
        ring = (away > 7) & (away < 16)
        # the ring's mean noise in the picture is 2 / sqrt(650) = 0.08
        assert (quiet - light)[ring].mean() > -0.3


def test_strength_zero_changes_nothing_and_strips_leave_no_seam():
    picture = noisy(np.zeros((1700, 60)), 2.0)
    noise = measure_noise(picture, sky_adu=2.0, per_adu=0.0)
    assert quieten(picture, noise, strength=0.0) is picture
    whole = quieten(picture, noise, strength=0.6)
    part = quieten(picture[500:1300], noise, strength=0.6)
    assert part[100:-100] == pytest.approx(whole[600:1200], abs=1e-4)


@pytest.mark.parametrize("fwhm", [2.5, 4.0, 8.0])
def test_blur_is_the_moffat_profile(fwhm):
    size = 121
    point = np.zeros((size, size), np.float32)
    point[60, 60] = 1.0
    made = moffat_blur(fwhm).apply(point)
    assert made.sum() == pytest.approx(1.0, abs=1e-3)
    # Moffat 1969 with beta 3.5: half the height at half the width
    half = made[60, 60:] / made[60, 60]
    r = np.arange(len(half))
    assert np.interp(0.5, half[::-1], r[::-1]) == pytest.approx(fwhm / 2, rel=0.08)


def test_sharper_stars_without_rings_or_lost_light():
    _, places, flux = scene()
    shape = (300, 400)
    blur = moffat_blur(5.0)
    points = np.zeros(shape, np.float32)
    for (cx, cy), f in zip(places.astype(int), flux, strict=True):
        points[cy, cx] = 5 * f
    kernel = np.zeros((61, 61), np.float32)
    kernel[30, 30] = 1.0
    blurred = fftconvolve(points, blur.apply(kernel), mode="same")
    picture = noisy(blurred, 0.5)
    stars = star_list(places[:, 0], places[:, 1], flux, fwhm=5.0)
    out = sharpen(picture, blur, strength=1.0, sigma_adu=0.5, per_adu=0.0, stars=stars)
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]]
    for cx, cy in places.astype(int):
        assert out[cy, cx] > 1.3 * picture[cy, cx]
        away = np.hypot(x - cx, y - cy)
        ring = (away > 8) & (away < 20)
        # no ring: nothing lies below the sky's own noise
        assert out[ring].min() > -5 * 0.5
        assert out[ring].mean() > -0.1
    sky = np.s_[100:110, 5:60]
    assert out[sky] == pytest.approx(picture[sky], abs=1e-4)


def test_clipped_stars_and_colours_are_left_alone():
    light, places, flux = scene()
    picture = noisy(20 * light, 0.5, colour=True)
    clipped = star_list(places[:, 0], places[:, 1], flux, flags=int(StarFlag.SATURATED))
    blur = moffat_blur(4.2)
    out = sharpen(picture, blur, strength=1.0, sigma_adu=0.5, per_adu=0.0, stars=clipped)
    for cx, cy in places.astype(int):
        assert out[cy, cx] == pytest.approx(picture[cy, cx], rel=1e-3)
    ratio = out[150, 250] / out[150, 250, 1]
    assert ratio == pytest.approx(picture[150, 250] / picture[150, 250, 1], rel=1e-4)
    assert isinstance(blur, Blur)


@pytest.mark.parametrize(
    ("count", "fwhm", "elongation", "word"),
    [(3, 4.0, 1.1, "too few stars"), (20, 1.8, 1.1, "narrow"), (20, 4.0, 1.8, "trailed"),
     (20, 4.0, 1.1, "")],
)  # fmt: skip
def test_when_sharpening_is_refused(count, fwhm, elongation, word):
    spots = np.arange(count) * 10.0
    why = can_sharpen(star_list(spots, spots, spots + 1, elongation=elongation), fwhm)
    assert word in why
    assert bool(why) == bool(word)


def test_smaller_stars_leave_the_nebula():
    light, places, flux = scene()
    picture = light.astype(np.float32)
    stars = star_list(places[:, 0], places[:, 1], flux)
    out = smaller_stars(picture, stars, 4.2, strength=0.8)
    assert smaller_stars(picture, stars, 4.2, strength=0.0) is picture
    for cx, cy in places.astype(int):
        assert out[cy, cx] < 0.8 * picture[cy, cx]
    assert out[140:160, 240:260] == pytest.approx(picture[140:160, 240:260])
    assert out.min() >= picture.min() - 1e-4


def test_local_contrast_lifts_structure_and_not_the_sky():
    y, x = np.mgrid[0:400, 0:600]
    object_ = 0.35 * np.exp(-np.hypot(x - 300, y - 200) / 90.0)
    arms = 0.06 * np.sin(x / 9.0) * (object_ > 0.1)
    screen = (0.1 + object_ + arms).astype(np.float32)
    out = local_contrast(screen, strength=0.6, sky_shade=0.1)
    assert local_contrast(screen, strength=0.0, sky_shade=0.1) is screen
    middle = np.s_[190:210, 250:350]
    assert np.std(out[middle]) > 1.05 * np.std(screen[middle])
    assert out[:20] == pytest.approx(screen[:20], abs=2e-3)
    assert out.min() >= 0.0
    assert out.max() <= 1.0
