from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from frame_scene import make_scene, matched

from slowglass.frame.detect import detect_stars
from slowglass.frame.hot import find_hot_pixels
from slowglass.frame.image import Frame
from slowglass.frame.stars import StarFlag, StarList, spread_evenly


@pytest.mark.parametrize("bayer", [None, "RGGB", "GBRG"])
def test_finds_the_stars_and_nothing_else_over_many_seeds(bayer):
    found = true = false = 0
    for seed in range(5):
        scene = make_scene(seed=seed, bayer=bayer, peaks=(80.0, 5000.0))
        detection = detect_stars(scene.frame)
        mine, theirs = matched(detection.stars, scene)
        found += len(set(theirs.tolist()))
        true += len(scene.x)
        false += len(detection.stars) - len(mine)
    assert found >= 0.98 * true
    assert false <= 2  # 5 sigma on 2.4 million pixels: 0.7 expected of pure noise


def test_positions_are_full_resolution_and_unbiased():
    for bayer in (None, "RGGB", "BGGR"):
        scene = make_scene(seed=3, bayer=bayer, peaks=(1000.0, 8000.0))
        stars = detect_stars(scene.frame).stars
        mine, theirs = matched(stars, scene)
        dx = stars.x_px[mine] - scene.x[theirs]
        dy = stars.y_px[mine] - scene.y[theirs]
        assert abs(np.median(dx)) < 0.02 and abs(np.median(dy)) < 0.02
        assert np.hypot(dx, dy).max() < 0.25


def test_fluxes_follow_the_truth():
    scene = make_scene(seed=4, bayer="RGGB", beta=None, peaks=(1000.0, 8000.0))
    stars = detect_stars(scene.frame).stars
    mine, theirs = matched(stars, scene)
    ratio = stars.flux_adu[mine] / scene.flux[theirs]
    assert np.median(ratio) == pytest.approx(1.0, abs=0.03)  # a Gaussian inside 1.5 FWHM: 0.998
    assert np.std(ratio) < 0.03


def test_a_photutils_search_finds_the_same_bright_stars():
    from photutils.detection import DAOStarFinder

    scene = make_scene(seed=5, peaks=(500.0, 8000.0))
    theirs = DAOStarFinder(threshold=100.0, fwhm=4.0)(scene.frame.pixels - 400.0)
    stars = detect_stars(scene.frame).stars
    columns = theirs.colnames
    x = np.asarray(theirs["x_centroid" if "x_centroid" in columns else "xcentroid"])
    y = np.asarray(theirs["y_centroid" if "y_centroid" in columns else "ycentroid"])
    distance = np.hypot(stars.x_px[:, None] - x, stars.y_px[:, None] - y)
    assert (distance.min(axis=0) < 1.0).mean() >= 0.98


@pytest.mark.parametrize("bayer", [None, "RGGB"])
def test_hot_pixels_are_counted_and_not_taken_for_stars(bayer):
    for seed in range(3):
        scene = make_scene(seed=seed, bayer=bayer, fwhm=3.0)
        rng = np.random.default_rng(100 + seed)
        pixels = scene.frame.pixels.copy()
        y = rng.integers(5, pixels.shape[0] - 5, 300)
        x = rng.integers(5, pixels.shape[1] - 5, 300)
        lonely = np.hypot(x[:, None] - scene.x, y[:, None] - scene.y).min(axis=1) > 15
        y, x = y[lonely], x[lonely]
        pixels[y, x] += rng.uniform(300, 20000, len(x)).astype(np.float32)
        frame = replace(scene.frame, pixels=pixels)
        detection = detect_stars(frame)
        assert detection.hot_pixels >= 0.97 * len(x)
        assert detection.hot_pixels <= 1.01 * len(x)
        mine, theirs = matched(detection.stars, scene)
        assert len(theirs) >= 0.97 * len(scene.x)
        assert len(detection.stars) - len(mine) <= 3


@pytest.mark.parametrize("fwhm", [1.6, 2.0, 3.0])
def test_sharp_stars_are_not_taken_for_hot_pixels(fwhm):
    for bayer in (None, "RGGB"):
        scene = make_scene(seed=8, fwhm=fwhm, bayer=bayer, peaks=(500.0, 20000.0))
        rows, _columns, _ = find_hot_pixels(scene.frame)
        assert len(rows) <= 0.02 * len(scene.x)


def test_undersampled_stars_survive_by_the_frames_own_measure():
    scene = make_scene(seed=9, fwhm=1.3, beta=None, stars=200, gap=35, peaks=(400.0, 8000.0))
    detection = detect_stars(scene.frame)
    _, theirs = matched(detection.stars, scene)
    assert len(set(theirs.tolist())) >= 0.8 * len(scene.x)


def test_a_satellite_trail_and_bad_columns_are_no_stars():
    scene = make_scene(seed=10, fwhm=3.5)
    pixels = scene.frame.pixels.copy()
    gy, gx = np.mgrid[0 : pixels.shape[0], 0 : pixels.shape[1]]
    pixels += 900 * np.exp(-0.5 * ((gx * 0.6 - gy * 0.8 + 90) / 1.5) ** 2).astype(np.float32)
    pixels[100:420, 333] += 2000.0
    detection = detect_stars(replace(scene.frame, pixels=pixels))
    mine, theirs = matched(detection.stars, scene)
    assert len(theirs) >= 0.85 * len(scene.x)  # some lie under the trail
    assert len(detection.stars) - len(mine) <= 4


def test_cosmic_rays_are_no_stars():
    for bayer in (None, "RGGB"):
        scene = make_scene(seed=19, fwhm=4.0, bayer=bayer)
        rng = np.random.default_rng(19)
        pixels = scene.frame.pixels.copy()
        for _ in range(60):
            x, y, turn = rng.integers(20, 780), rng.integers(20, 580), rng.uniform(0, np.pi)
            for step in range(rng.integers(2, 7)):
                row, column = int(y + step * np.sin(turn)), int(x + step * np.cos(turn))
                pixels[row, column] += rng.uniform(300, 5000)
        detection = detect_stars(replace(scene.frame, pixels=pixels))
        mine, theirs = matched(detection.stars, scene)
        assert len(set(theirs.tolist())) >= 0.97 * len(scene.x)
        assert len(detection.stars) - len(mine) <= 3


def test_stars_whose_peaks_stop_growing_are_called_saturated():
    """As on a photographic plate: no pixel is at the top of the range, yet the cores are blunt."""
    scene = make_scene(seed=20, peaks=(200.0, 60000.0))
    light = scene.frame.pixels - 400.0
    plate = 400.0 + light / (1.0 + np.maximum(light, 0.0) / 6000.0)
    stars = detect_stars(replace(scene.frame, pixels=plate.astype(np.float32))).stars
    mine, theirs = matched(stars, scene)
    saturated = (stars.flags[mine] & int(StarFlag.SATURATED)) != 0
    bright = scene.flux[theirs] > np.quantile(scene.flux, 0.85)
    faint = scene.flux[theirs] < np.quantile(scene.flux, 0.5)
    assert saturated[bright].mean() > 0.8 and not saturated[faint].any()


def test_linear_frames_are_not_called_saturated():
    flagged = 0
    for seed in range(4):
        scene = make_scene(seed=60 + seed, bayer="RGGB" if seed % 2 else None)
        stars = detect_stars(scene.frame).stars
        flagged += int(((stars.flags & int(StarFlag.SATURATED)) != 0).sum())
    assert flagged == 0


def test_saturated_stars_are_kept_flagged_and_well_centred():
    scene = make_scene(seed=11, peaks=(5000.0, 100000.0), white=16000.0)
    detection = detect_stars(scene.frame)
    stars = detection.stars
    mine, theirs = matched(stars, scene)
    saturated = (stars.flags[mine] & int(StarFlag.SATURATED)) != 0
    assert saturated.sum() >= 20
    error = np.hypot(stars.x_px[mine] - scene.x[theirs], stars.y_px[mine] - scene.y[theirs])
    assert error[saturated].max() < 0.3
    assert np.isnan(stars.fwhm_px[mine][saturated]).all()
    assert detection.saturated_fraction == pytest.approx(
        np.mean(scene.frame.pixels >= 0.98 * 16000.0), rel=0.01
    )
    assert detection.fwhm_px == pytest.approx(4.0, rel=0.03)


def test_clipping_below_the_files_range_is_noticed():
    scene = make_scene(seed=12, peaks=(5000.0, 100000.0), white=16000.0)
    detection = detect_stars(replace(scene.frame, white_adu=65535.0))
    assert detection.clip_adu == pytest.approx(16000.0, rel=0.01)
    assert (detection.stars.flags & int(StarFlag.SATURATED)).astype(bool).sum() >= 20


def test_sky_level_and_noise_of_one_pixel():
    scene = make_scene(seed=13, sky=1200.0, noise=17.0)
    detection = detect_stars(scene.frame)
    assert detection.sky_adu == pytest.approx(1200.0, abs=1.0)
    assert detection.sky_rms_adu == pytest.approx(17.0, rel=0.03)
    mosaic = make_scene(seed=13, sky=1200.0, noise=17.0, bayer="RGGB")
    detection = detect_stars(mosaic.frame)
    assert detection.sky_adu == pytest.approx(1200.0 * 0.85, abs=1.0)  # the cell's mean tint
    assert detection.sky_rms_adu == pytest.approx(17.0, rel=0.03)


def test_stars_on_a_steep_sky_and_in_overscan():
    scene = make_scene(seed=14)
    pixels = scene.frame.pixels + np.linspace(0, 3000, 800, dtype=np.float32)
    pixels[:, :18] = 90.0 + np.random.default_rng(0).normal(0, 2, (600, 18))
    header = replace(scene.frame.header, cards={"TRIMSEC": "[19:800,1:600]"})
    detection = detect_stars(replace(scene.frame, pixels=pixels, header=header))
    mine, theirs = matched(detection.stars, scene)
    assert len(theirs) >= 0.97 * len(scene.x)
    assert len(detection.stars) - len(mine) <= 1
    assert detection.stars.x_px.min() > 18


def test_large_defocused_stars_are_found_whole():
    scene = make_scene(seed=15, fwhm=24.0, stars=15, size=(900, 1200), peaks=(400.0, 3000.0))
    detection = detect_stars(scene.frame)
    mine, theirs = matched(detection.stars, scene, within=3.0)
    assert len(set(theirs.tolist())) >= 14
    assert len(detection.stars) - len(mine) <= 1
    assert detection.fwhm_px == pytest.approx(24.0, rel=0.05)


def test_no_stars_gives_an_empty_list_of_the_same_type():
    noise = np.random.default_rng(1).normal(500, 8, (300, 400)).astype(np.float32)
    for pixels in (noise, np.full((300, 400), 7.0, np.float32), np.zeros((4, 4), np.float32)):
        for bayer in (None, "RGGB"):
            detection = detect_stars(Frame(pixels=pixels, bayer=bayer))
            assert isinstance(detection.stars, StarList)
            assert len(detection.stars) <= 1
            assert np.isnan(detection.fwhm_px)


def test_the_cap_takes_the_brightest_or_spreads_over_the_frame():
    scene = make_scene(seed=16, size=(1000, 1200), stars=500, fwhm=3.0)
    brightest = detect_stars(scene.frame, max_stars=60)
    assert len(brightest.stars) == 60 and brightest.found > 400
    assert (np.diff(brightest.stars.flux_adu) <= 0).all()
    every = detect_stars(scene.frame, max_stars=2000).stars
    crowded = every.take(np.argsort(-(every.flux_adu + 1e6 * (every.x_px < 600))))
    spread = spread_evenly(crowded, 60, width_px=1200, height_px=1000)
    assert len(spread) == 60
    halves = (spread.x_px < 600).sum()
    assert 22 <= halves <= 38


def test_five_thousand_stars_do_not_overflow():
    scene = make_scene(seed=17, size=(2000, 2600), stars=5000, fwhm=2.6, gap=24.0)
    detection = detect_stars(scene.frame, max_stars=6000)
    _, theirs = matched(detection.stars, scene)
    assert len(set(theirs.tolist())) >= 0.97 * len(scene.x)


def test_the_same_frame_gives_the_same_answer():
    scene = make_scene(seed=18, bayer="RGGB")
    first, second = detect_stars(scene.frame), detect_stars(scene.frame)
    np.testing.assert_array_equal(first.stars.x_px, second.stars.x_px)
    np.testing.assert_array_equal(first.stars.fwhm_px, second.stars.fwhm_px)
