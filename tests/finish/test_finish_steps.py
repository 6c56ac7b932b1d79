"""Calibration, bad pixels, sky, colour, stretch, grading, names and recipe, each on its own."""

from __future__ import annotations

import numpy as np
import pytest
from starfield import Field, Sensor

from slowglass.errors import ConfigError, UsageError
from slowglass.finish.badpixels import lone_pixels, odd_in_dark, recurring, repair
from slowglass.finish.calibrate import (
    Masters,
    calibrate,
    dark_factor,
    normalise_flat,
    trim_overscan,
)
from slowglass.finish.measure import ApertureLight, aperture_light, snr_ratio
from slowglass.finish.names import choose_names
from slowglass.finish.recipe import Recipe, parse_recipe, recipe_text
from slowglass.finish.skyflat import block_levels, fit_surface, subtract_surface
from slowglass.frame.image import Frame, FrameHeader


def test_overscan_is_trimmed_and_subtracted():
    rng = np.random.default_rng(0)
    pixels = rng.normal(1000, 2, (40, 60)).astype(np.float32)
    pixels[:, 50:] = rng.normal(300, 2, (40, 10))
    cards = {"TRIMSEC": "[2:49,1:40]", "BIASSEC": "[52:60,1:40]"}
    frame, level = trim_overscan(Frame(pixels, FrameHeader(cards=cards), bayer="RGGB"))
    assert frame.pixels.shape == (40, 48)
    assert level == pytest.approx(300, abs=1)
    assert frame.pixels.mean() == pytest.approx(700, abs=1)
    assert frame.bayer == "GRBG"  # one column was cut off the left
    assert trim_overscan(frame)[0] is frame  # nothing is trimmed twice


def test_calibration_recovers_the_light():
    rng = np.random.default_rng(1)
    sensor = Sensor.make(rng, 200, 160)
    even = np.full((160, 200, 3), 2000.0)
    bias = np.mean([sensor.expose(rng, None, 0) for _ in range(30)], axis=0, dtype=np.float32)
    dark = np.mean([sensor.expose(rng, None, 300) for _ in range(30)], axis=0, dtype=np.float32)
    flat = np.mean([sensor.expose(rng, even * 10, 1) for _ in range(30)], axis=0, dtype=np.float32)
    masters = Masters(bias, dark - bias, 300.0, False, normalise_flat(flat - bias, "RGGB"))
    factor, note = dark_factor(100.0, masters)
    assert factor == pytest.approx(1 / 3)
    assert note == "dark of 300 s scaled to 100 s"
    raw = np.mean([sensor.expose(rng, even, 100) for _ in range(30)], axis=0, dtype=np.float32)
    out = calibrate(raw, masters, dark_scale=factor)
    middle = np.median(out)
    # Flat to 1 % (photon noise of 30 frames of 4000 e: 0.3 %), with the dust and corners gone.
    assert np.std(out / middle) < 0.012
    assert np.abs(out[85:95, 95:105] / middle - 1).mean() < 0.01


def test_dark_is_not_stretched_beyond_reason():
    dark = np.ones((4, 4), np.float32)
    with_bias = Masters(dark=dark, dark_exposure_s=300.0, dark_has_bias=True)
    assert dark_factor(305.0, with_bias) == (1.0, "")
    factor, why = dark_factor(30.0, with_bias)
    assert factor is None
    assert "300 s" in why
    assert "30 s" in why
    assert "without bias" in why
    alone = Masters(dark=dark, dark_exposure_s=300.0)
    assert dark_factor(30.0, alone)[0] is None
    assert dark_factor(100.0, alone)[0] == pytest.approx(1 / 3)


def test_flat_keeps_the_colour_balance():
    flat = np.ones((8, 8), np.float32)
    flat[0::2, 0::2] *= 0.5
    flat[1::2, 1::2] *= 0.7
    flat[0, 1] = 0.01
    out = normalise_flat(flat, "RGGB")
    assert np.isnan(out[0, 1])
    np.testing.assert_allclose(out[np.isfinite(out)], 1.0, rtol=1e-6)


def test_lone_pixels_are_found_and_stars_left_alone():
    rng = np.random.default_rng(4)
    for pattern, fwhm in (("RGGB", 2.6), (None, 1.8)):
        field = Field.random(rng, width=300, height=240, stars=60)
        sensor = Sensor.make(rng, 300, 240, pattern=pattern, hot=0.0)
        light = field.image(fwhm=fwhm, channels=3 if pattern else 1)
        raw = sensor.expose(rng, light, 10).astype(np.float32)
        where = rng.choice(raw.size, 40, replace=False)
        raw.ravel()[where] += rng.uniform(400, 20000, 40)
        found = lone_pixels(raw, pattern)
        assert len(np.intersect1d(found, where)) >= 36
        false = np.setdiff1d(found, where)
        assert len(false) <= 2
        sane = repair(raw.copy(), found, pattern)
        assert np.abs(sane.ravel()[np.intersect1d(found, where)]).max() < 30000


def test_hot_pixels_in_the_dark_and_recurrence():
    rng = np.random.default_rng(5)
    dark = rng.normal(10, 1, (100, 100)).astype(np.float32)
    dark[30, 40] += 50
    assert 30 * 100 + 40 in odd_in_dark(dark, "RGGB")
    lists = [np.array([5, 9, 11]), np.array([5, 11]), np.array([5, 20])]
    np.testing.assert_array_equal(recurring(lists), [5, 11])
    np.testing.assert_array_equal(recurring(lists[:1]), [5, 9, 11])


def test_repair_stays_within_the_colour():
    pixels = np.zeros((10, 10), np.float32)
    pixels[0::2, 0::2] = 7.0
    pixels[4, 4] = np.nan
    assert repair(pixels, np.array([2 * 10 + 2]), "RGGB")[4, 4] == 7.0
    assert pixels[2, 2] == 7.0


def test_injected_plane_is_recovered_behind_stars_and_a_galaxy():
    rng = np.random.default_rng(6)
    height, width = 400, 600
    yy, xx = np.mgrid[:height, :width].astype(np.float32)
    plane = 500 + 80 * (2 * xx / (width - 1) - 1) - 30 * (2 * yy / (height - 1) - 1)
    field = Field.random(rng, width=width, height=height, stars=150)
    stars = field.image(channels=1)[..., 0] - np.mean(field.sky)
    stars -= field.image(channels=1, light=0.0)[..., 0] - np.mean(field.sky)
    galaxy = 400 * np.exp(-(((xx - 300) / 50) ** 2 + ((yy - 200) / 25) ** 2) / 2)
    picture = (plane + stars + galaxy + rng.normal(0, 10, plane.shape)).astype(np.float32)
    surface = fit_surface(block_levels(picture), width, height, order=1)
    terms = dict(zip(surface.powers, surface.terms_adu, strict=True))
    assert terms[0, 0] == pytest.approx(500, abs=2)
    assert terms[1, 0] == pytest.approx(80, abs=2)
    assert terms[0, 1] == pytest.approx(-30, abs=2)
    before = picture[200, 300]
    subtract_surface(picture, surface)
    assert before - picture[200, 300] == pytest.approx(500, abs=3)  # the galaxy is still there


def test_second_order_only_where_it_pays():
    rng = np.random.default_rng(7)
    flat = rng.normal(100, 5, (300, 300)).astype(np.float32)
    assert len(fit_surface(block_levels(flat), 300, 300).powers) == 3
    r2 = (np.mgrid[:300, :300] - 150.0) ** 2
    bowl = (flat + 1e-3 * r2.sum(axis=0)).astype(np.float32)
    surface = fit_surface(block_levels(bowl), 300, 300)
    assert len(surface.powers) == 6
    subtract_surface(bowl, surface)
    assert np.median(bowl[:40, :40]) == pytest.approx(np.median(bowl[130:170, 130:170]), abs=1.0)


def test_aperture_noise_counts_correlation():
    from scipy.ndimage import gaussian_filter

    rng = np.random.default_rng(11)
    white = rng.normal(0, 1, (600, 600)).astype(np.float32)
    none = np.empty(0)
    alone = aperture_light(white, none, none, 4.0).noise_adu
    # circle of 4 px (50 px²) less its ring (251 px²): sqrt(50.3 (1 + 50.3 / 251)) = 7.76
    assert alone == pytest.approx(7.76, rel=0.04)
    smooth = gaussian_filter(white, 1.0)
    # smoothing kills pixel noise 3.5-fold but hardly touches the light in a circle
    assert aperture_light(smooth, none, none, 4.0).noise_adu > 0.7 * alone
    ratio = snr_ratio(ApertureLight(np.array([100.0]), 1.0), ApertureLight(np.array([100.0]), 3.0))
    assert ratio == pytest.approx(3.0)


def test_recipe_goes_through_toml_unchanged():
    recipe = Recipe.model_validate(
        {"register": {"scale_tolerance": 0.01}, "stretch": {"black_adu": -1 / 3}}
    )
    text = recipe_text(recipe, {"frames": [{"file": "a.fits", "used": True}]})
    assert parse_recipe(text) == recipe
    assert "[register]" in text


def test_bad_recipe_names_key_and_value():
    with pytest.raises(ConfigError, match=r"combine\.clip_low_sigma = 0\.5"):
        parse_recipe("[combine]\nclip_low_sigma = 0.5\n")
    with pytest.raises(ConfigError, match="not valid TOML"):
        parse_recipe("[combine\n")
    with pytest.raises(ConfigError, match=r"combine\.nonsense"):
        parse_recipe("[combine]\nnonsense = 1\n")


def test_names(tmp_path):
    folder = tmp_path / "night"
    folder.mkdir()
    assert choose_names(folder, tmp_path / "m15.fits").png == tmp_path / "m15.png"
    assert choose_names(folder, tmp_path / "m15.v2").fits == tmp_path / "m15.v2.fits"
    assert choose_names(folder, tmp_path / "m15").recipe == tmp_path / "m15.recipe.toml"
    assert choose_names(folder, tmp_path).stem == "night"
    (tmp_path / "night.png").touch()
    assert choose_names(folder, tmp_path).stem == "night-2"
    with pytest.raises(UsageError, match="lies inside the folder of frames"):
        choose_names(folder, folder / "out" / "m15")
    with pytest.raises(UsageError, match="no such folder or frame"):
        choose_names(tmp_path / "nowhere", tmp_path / "m15")
    frame = tmp_path / "one.fits.gz"
    frame.touch()
    assert choose_names(frame, tmp_path).png == tmp_path / "one.png"
    frame = tmp_path / "shot.JPG"
    frame.touch()
    assert choose_names(frame, tmp_path).jpeg == tmp_path / "shot.jpg"
    frame = tmp_path / "shot2.jpg"
    frame.touch()
    assert choose_names(frame, tmp_path).jpeg == tmp_path / "shot2-2.jpg"
    with pytest.raises(UsageError, match="would replace the frame"):
        choose_names(frame, tmp_path / "shot2.png")
