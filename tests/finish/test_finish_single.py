"""One frame is enough: the same path without combining, from FITS and from a camera's JPEG."""

from pathlib import Path

import cv2
import numpy as np
import pytest
from astropy.io import fits
from PIL import Image

from slowglass.errors import UnreadableFile, UsageError
from slowglass.finish.combined import FoundStars, NoiseModel
from slowglass.finish.compose import Cut
from slowglass.finish.develop import screen_of
from slowglass.finish.geometry import Box
from slowglass.finish.gradient import Outline
from slowglass.finish.known import Scene
from slowglass.finish.levels import Prepared, settle_levels
from slowglass.finish.recipe import Recipe, load_recipe
from slowglass.finish.service import finish_path
from slowglass.frame.preview import shrink
from slowglass.frame.screen import srgb
from slowglass.frame.stars import StarList


def sky_with_cluster(rng, shape=(560, 840)):
    """Linear light above a coloured, sloping sky: field stars round a globular-like glow."""
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]]
    light = np.zeros((*shape, 3))
    for _ in range(160):
        flux, cx, cy = 10 ** rng.uniform(2.5, 4.2), rng.uniform(0, 839), rng.uniform(0, 559)
        colour = np.array([1.0, 1.0, 1.0]) + rng.normal(0, 0.15) * np.array([1.0, 0.0, -1.0])
        star = flux / 20 * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / 6.4)
        light += star[..., None] * colour
    glow = 60 * np.exp(-np.hypot(x - 500, y - 240) / 30.0)
    slope = 1 + 0.1 * (x - 420) / 420
    sky = slope[..., None] * np.array([140.0, 90.0, 110.0])
    return light + glow[..., None] + sky


@pytest.fixture(scope="module")
def jpeg(tmp_path_factory):
    """A camera's JPEG of it: noise, one hot pixel, sRGB in 8 bits."""
    rng = np.random.default_rng(4)
    light = sky_with_cluster(rng)
    light += rng.normal(0, 5, light.shape)
    light[100, 200] = (20, 20, 900)
    path = tmp_path_factory.mktemp("camera") / "IMG_0001.JPG"
    codes = np.rint(srgb(light / 1500.0) * 255).astype(np.uint8)
    cv2.imwrite(str(path), codes[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 97])
    return path


@pytest.fixture(scope="module")
def finished(jpeg, tmp_path_factory):
    before = jpeg.read_bytes()
    result = finish_path(jpeg, tmp_path_factory.mktemp("out"))
    assert jpeg.read_bytes() == before
    return result


def test_a_jpeg_becomes_a_picture(finished):
    assert (finished.frames_in, finished.frames_used) == (1, 1)
    names = [Path(p).name for p in finished.outputs]
    assert names == [
        "IMG_0001.fits", "IMG_0001.tiff", "IMG_0001.png", "IMG_0001.jpg",
        "IMG_0001-labelled.jpg", "IMG_0001-report.html", "IMG_0001.recipe.toml",
    ]  # fmt: skip
    assert not any("no dark" in note for note in finished.notes)
    assert finished.placed_by == "single"


def test_its_sky_is_dark_flat_and_neutral_and_nothing_is_clipped(finished):
    with Image.open(finished.outputs[2]) as picture:
        pixels = np.asarray(picture).astype(float)
        assert picture.info["icc_profile"]
    medians = np.median(pixels, axis=(0, 1))
    assert np.ptp(medians) <= 3
    assert 15 < medians.mean() < 45
    # the goal: less than one pixel in a thousand at black
    assert (pixels == 0).all(axis=2).mean() < 1e-3
    left, right = (np.median(part) for part in (pixels[:, :150], pixels[:, -150:]))
    assert abs(left - right) < 4


def test_the_core_is_bright_and_not_burnt(finished):
    x0, y0, *_ = finished.shown
    with Image.open(finished.outputs[2]) as picture:
        pixels = np.asarray(picture).astype(float)
    core = pixels[240 - y0 - 4 : 240 - y0 + 5, 500 - x0 - 4 : 500 - x0 + 5]
    assert 120 < core.mean() < 250


def test_the_same_recipe_gives_the_same_bits(finished, jpeg, tmp_path):
    again = finish_path(jpeg, tmp_path / "again", recipe=finished.recipe)
    for first, second in zip(finished.outputs[1:5], again.outputs[1:5], strict=True):
        assert Path(first).read_bytes() == Path(second).read_bytes()
    assert load_recipe(again.recipe) == load_recipe(finished.recipe)


def test_a_look_can_be_chosen(finished, jpeg, tmp_path):
    recipe = load_recipe(finished.recipe)
    grey = recipe.model_copy(
        update={"colour": recipe.colour.model_copy(update={"saturation": 0.0})}
    )
    out = finish_path(jpeg, tmp_path / "grey", recipe=grey, whole=True)
    with Image.open(out.outputs[2]) as picture:
        pixels = np.asarray(picture).astype(int)
    assert pixels.shape == (560, 840, 3)
    assert np.ptp(pixels, axis=2).max() <= 1
    assert out.shown == (0, 0, 840, 560)


def test_linear_picture_keeps_the_light(finished):
    data = np.moveaxis(fits.getdata(finished.outputs[0]), 0, 2)
    assert data.shape == (560, 840, 3)
    assert np.abs(np.median(data, axis=(0, 1))).max() < 0.05 * 65535 * 90 / 1500


def test_bad_inputs_are_named(tmp_path, jpeg):
    text = tmp_path / "notes.fits"
    text.write_text("not a picture at all")
    with pytest.raises(UnreadableFile, match="notes"):
        finish_path(text, tmp_path / "out")
    with pytest.raises(UsageError, match="no such folder or frame"):
        finish_path(tmp_path / "nowhere.jpg", tmp_path / "out")
    cut = tmp_path / "cut.jpg"
    cut.write_bytes(jpeg.read_bytes()[:5000])
    with pytest.raises(UnreadableFile, match="has no end"):
        finish_path(cut, tmp_path / "out")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["cut.jpg", "notes.fits"]


def test_a_plain_frame_without_stars_is_still_finished(tmp_path):
    flat = np.random.default_rng(0).normal(500, 5, (120, 160)).astype(np.float32)
    path = tmp_path / "dim.fits"
    fits.writeto(path, flat)
    result = finish_path(path, tmp_path / "out")
    assert result.fwhm_px is None or np.isfinite(result.fwhm_px)
    with Image.open(result.outputs[2]) as picture:
        assert picture.size == (160, 120)
        assert picture.mode == "L"


def test_sliders_on_a_small_copy_show_what_the_full_picture_will():
    rng = np.random.default_rng(9)
    light = (sky_with_cluster(rng) - np.array([140.0, 90.0, 110.0])).astype(np.float32)
    light += rng.normal(0, 3, light.shape).astype(np.float32)
    height, width = light.shape[:2]
    none = FoundStars(StarList.empty(), StarList.empty(), 4.0)
    noise = NoiseModel((3.0,) * 3, (0.0,) * 3, (1.0,) * 3)
    subject = Outline(500, 240, 90, 90)
    whole = Prepared(
        light, Scene(none, noise, subject=subject), Cut(Box(0, 0, width, height)), True
    )
    recipe = settle_levels(whole, Recipe())
    brighter = recipe.model_copy(
        update={"stretch": recipe.stretch.model_copy(update={"softening_adu": 2.0})}
    )
    for each in (recipe, brighter):
        small = screen_of(whole.smaller(280), each)
        full = shrink(screen_of(whole, each), 280)
        assert small.shape == full.shape
        # stretching before or after averaging differs where stars are narrower than a new pixel
        assert np.median(np.abs(small - full)) < 0.02
        assert np.quantile(np.abs(small - full), 0.9) < 0.08
    assert whole.smaller(5000) is whole
