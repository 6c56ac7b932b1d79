"""Frames as they come, from pixels to place: JPEG, cut, binned, dewed, glowing, out of focus.

One forecast frame of the scenario's field (62′ × 41′, sensor binned 3 × 3, no colour mosaic) whose
place is known, changed in each way a night or a camera may. Right is within a star's width.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from PIL import Image
from scipy.ndimage import gaussian_filter

from slowglass.expose.forecast import render_with_truth
from slowglass.frame.detect import detect_stars
from slowglass.frame.image import Frame
from slowglass.frame.io import read_frame
from slowglass.kit.io import load_kit, load_site
from slowglass.solve.service import solve_stars
from slowglass.solve.types import Prior

WIDTH, HEIGHT = 2000, 1333
PLACE = 290.0, 22.0
RIGHT_PX = 1.0


def take(sky, **changes):
    kit, site = load_kit("long 102"), load_site("Fig Tree Yard")
    camera = {"width_px": WIDTH, "height_px": HEIGHT, "pixel_um": 11.7, "bayer": None}
    kit = kit.model_copy(update={"camera": kit.camera.model_copy(update=camera)})
    told = {"exposure_s": 30.0, "faintest_mag": 14.0, "rotation_deg": 33.0, "seed": 4}
    return render_with_truth(kit, site, sky, PLACE, **(told | changes))


@pytest.fixture(scope="module")
def plain(sky):
    return take(sky)


def with_pixels(frame: Frame, pixels) -> Frame:
    return replace(frame, pixels=np.ascontiguousarray(pixels, dtype=np.float32))


def solved_at(sky, frame: Frame, truth, *, scale=1.0, shift=(0.0, 0.0), whole_sky=True):
    """Solve with a rough pointing and over the whole sky; both must be right.

    ``scale`` and ``shift`` lay the frame's pixels on the truth's: x = scale · x' + shift.
    """
    stars = detect_stars(frame).stars
    size = frame.width_px, frame.height_px
    rough = Prior(
        ra_deg=PLACE[0] + 3.0, dec_deg=PLACE[1] - 3.0, radius_deg=10.0,
        scale_arcsec_per_px=truth.wcs.scale_arcsec_per_px * scale * 1.02,
    )  # fmt: skip
    for prior in (rough, Prior()) if whole_sky else (rough,):
        found = solve_stars(stars, *size, sky, prior)
        assert found.solved, found.reason
        x, y = (size[0] - 1) / 2, (size[1] - 1) / 2
        tx, ty = truth.wcs.sky_to_pixel(*found.wcs.pixel_to_sky(x, y))
        off = np.hypot(tx - (scale * x + shift[0]), ty - (scale * y + shift[1]))
        assert off < RIGHT_PX * max(1.0, scale)
    return found


def test_as_taken(sky, plain):
    solved_at(sky, *plain)


def test_an_eight_bit_jpeg(sky, plain, tmp_path):
    frame, truth = plain
    low, high = np.percentile(frame.pixels, [0.5, 99.8])
    linear = np.clip((frame.pixels - low) / (high - low), 0, 1)
    # IEC 61966-2-1
    code = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    path = tmp_path / "frame.jpg"
    Image.fromarray(np.round(255 * code).astype(np.uint8)).save(path, quality=80)
    solved_at(sky, read_frame(path), truth)


def test_a_crop_of_a_corner(sky, plain):
    frame, truth = plain
    cut = with_pixels(frame, frame.pixels[330:1330, 500:1990])
    solved_at(sky, cut, truth, shift=(500.0, 330.0))


@pytest.mark.parametrize("n", [2, 3])
def test_binned_after_the_exposure(sky, plain, n):
    frame, truth = plain
    rows, columns = HEIGHT // n * n, WIDTH // n * n
    pixels = frame.pixels[:rows, :columns].reshape(rows // n, n, columns // n, n).mean(axis=(1, 3))
    middle = (n - 1) / 2.0
    solved_at(sky, with_pixels(frame, pixels), truth, scale=float(n), shift=(middle, middle))


def test_dew_dims_the_stars_and_spreads_a_halo(sky, plain):
    """Two magnitudes lost, and of what is left three fifths in a halo 40 px wide."""
    frame, truth = plain
    sky_level = np.median(frame.pixels)
    light = 0.16 * (frame.pixels - sky_level)
    halo = gaussian_filter(np.maximum(light, 0.0), 17.0)
    noise = np.random.default_rng(1).normal(0, 3.0, light.shape)
    solved_at(sky, with_pixels(frame, sky_level + 0.4 * light + 0.6 * halo + noise), truth)


@pytest.mark.parametrize("glow", ["moon", "nebula"])
def test_glow_across_the_frame(sky, plain, glow):
    frame, truth = plain
    rng = np.random.default_rng(2)
    yy, xx = np.mgrid[:HEIGHT, :WIDTH].astype(np.float32)
    if glow == "moon":  # its scattered light, brightest in a corner outside the frame
        extra = 6000.0 * np.exp(-np.hypot(xx + 200, yy + 200) / 700.0)
    else:  # a bright knotty nebula over a third of the frame
        knots = gaussian_filter(rng.normal(0, 1, (HEIGHT, WIDTH)), 12.0)
        extra = 3000.0 * np.exp(-((xx - 1100) ** 2 + (yy - 700) ** 2) / 2 / 260.0**2)
        extra *= 1.0 + 0.5 * knots / knots.std()
    extra = np.maximum(extra, 0.0)
    noisy = frame.pixels + extra + rng.normal(0, 1, extra.shape) * np.sqrt(extra / 1.9)
    solved_at(sky, with_pixels(frame, noisy), truth)


def test_rings_of_a_central_obstruction(sky):
    """Out of focus by 18 px: discs with the hole of the 32 % obstruction."""
    solved_at(sky, *take(sky, blur_px=18.0))


def test_trailed_stars(sky):
    frame, truth = take(sky, exposure_s=150.0)
    assert np.hypot(*truth.trail_px) > 4.0
    solved_at(sky, frame, truth)


def test_hot_pixels(sky, plain):
    frame, truth = plain
    rng = np.random.default_rng(3)
    pixels = frame.pixels.copy()
    n = 3000  # one in nine hundred: a warm sensor without a dark
    pixels[rng.integers(0, HEIGHT, n), rng.integers(0, WIDTH, n)] += rng.exponential(4000.0, n)
    solved_at(sky, with_pixels(frame, pixels), truth)


def test_an_aircraft_crosses(sky, plain):
    """Two bright parallel lines and a row of flashes."""
    frame, truth = plain
    pixels = frame.pixels.copy()
    x = np.arange(10, WIDTH - 10)
    for offset in (0, 14):
        y = (250 + 0.4 * x + offset).astype(int)
        for step in range(3):
            pixels[y + step, x] += 2500.0
    for k in range(12):
        at = 100 + 150 * k
        pixels[int(250 + 0.4 * at) + 6 : int(250 + 0.4 * at) + 12, at : at + 6] += 9000.0
    solved_at(sky, with_pixels(frame, pixels), truth)


def test_pictures_without_stars_are_refused(sky):
    """Noise, glow and lines alone, told a place: never solved."""
    rng = np.random.default_rng(5)
    yy, xx = np.mgrid[:900, :1300].astype(np.float32)
    noise = rng.normal(500.0, 10.0, xx.shape)
    lines = noise + 400.0 * (np.abs((yy - 0.5 * xx) % 300.0) < 2.0)
    glow = noise + 3000.0 * np.exp(-np.hypot(xx - 600, yy - 400) / 200.0)
    hot = noise.copy()
    hot[rng.integers(0, 900, 2000), rng.integers(0, 1300, 2000)] += 5000.0
    for pixels in (noise, lines, glow, hot):
        stars = detect_stars(Frame(pixels.astype(np.float32))).stars
        found = solve_stars(
            stars, 1300, 900, sky,
            Prior(ra_deg=290.0, dec_deg=22.0, radius_deg=10.0, scale_arcsec_per_px=1.86),
        )  # fmt: skip
        assert not found.solved
        assert found.reason
