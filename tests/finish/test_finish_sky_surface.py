"""The sky surface, on invented skies and objects whose truth is known, measured by photutils."""

import numpy as np
import pytest
from photutils.aperture import EllipticalAperture, aperture_photometry

from slowglass.finish.gradient import Outline, fit_sky, sky_plane, subtract_sky

HEIGHT, WIDTH, LEVEL, NOISE = 640, 960, 400.0, 8.0


def slopes(kind):
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH]
    u, v = (x - WIDTH / 2) / (WIDTH / 2), (y - HEIGHT / 2) / (WIDTH / 2)
    r2 = u * u + v * v
    return (
        LEVEL
        * {
            "plane": 1 + 0.12 * u + 0.06 * v,
            "curved": 1 + 0.1 * u - 0.05 * v + 0.06 * u * u + 0.04 * u * v,
            "vignette": 1 - 0.12 * r2 - 0.05 * r2 * r2 + 0.04 * u,
            "edge glow": 1 + 0.03 * u + 0.1 * np.exp(-9 * (1 - u)) * np.exp(-((v / 0.5) ** 2)),
        }[kind]
    )


def galaxy():
    """An exponential disc whose catalogued outline lies at four scale lengths."""
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH]
    turn = np.radians(25.0)
    dx, dy = x - 470.0, y - 330.0
    along, across = dx * np.cos(turn) + dy * np.sin(turn), dy * np.cos(turn) - dx * np.sin(turn)
    light = 150.0 * np.exp(-np.hypot(along, across / 0.5) / 35.0)
    return light, Outline(470.0, 330.0, 140.0, 70.0, 25.0)


def stars(rng):
    out = np.zeros((HEIGHT, WIDTH))
    for _ in range(120):
        flux, cx, cy = 10 ** rng.uniform(2, 4.5), rng.uniform(0, WIDTH), rng.uniform(0, HEIGHT)
        x0, x1 = int(max(0, cx - 20)), int(min(WIDTH, cx + 20))
        y0, y1 = int(max(0, cy - 20)), int(min(HEIGHT, cy + 20))
        y, x = np.mgrid[y0:y1, x0:x1]
        out[y0:y1, x0:x1] += flux / 25.1 * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / 8.0)
    return out


@pytest.mark.parametrize("kind", ["plane", "curved", "vignette", "edge glow"])
def test_slope_goes_and_the_object_stays(kind):
    rng = np.random.default_rng(5)
    truth, (light, outline) = slopes(kind), galaxy()
    picture = truth + light + stars(rng) + rng.normal(0, NOISE, truth.shape)
    sky = fit_sky(picture.astype(np.float32), [outline])
    miss = sky_plane(sky.nodes_adu[0], HEIGHT, WIDTH) - truth
    # amplifier glow is steepest at the very edge, where cells of 30 px cannot follow
    inner = miss[:, : WIDTH - 30]
    assert inner.std() < 0.003 * LEVEL
    assert abs(inner.mean()) < 0.001 * LEVEL
    aperture = EllipticalAperture((470, 330), 170, 85, theta=np.radians(25.0))
    total = float(aperture_photometry(light, aperture)["aperture_sum"][0])
    changed = float(aperture_photometry(miss, aperture)["aperture_sum"][0])
    assert abs(changed) < 0.02 * total


def test_even_surface_where_nothing_asks_for_more():
    rng = np.random.default_rng(6)
    flat = rng.normal(LEVEL, NOISE, (HEIGHT, WIDTH)).astype(np.float32)
    # a plane through 864 cells of 0.38 ADU: 3.5 σ of its corners
    assert fit_sky(flat).span_adu < 0.16


def test_a_fixed_shape_is_kept_and_colours_share_it():
    rng = np.random.default_rng(7)
    base = slopes("curved") + rng.normal(0, NOISE, (HEIGHT, WIDTH))
    picture = np.stack([base, 1.5 * base, 0.7 * base], axis=-1).astype(np.float32)
    sky = fit_sky(picture, shape="curved")
    assert sky.shape == "curved"
    subtract_sky(picture, sky)
    # medians of the three: the mode's own error, 8 / sqrt(600 cells of 900 px)
    assert np.abs(np.median(picture, axis=(0, 1))).max() < 0.3
    assert fit_sky(picture, shape="curved").span_adu < 0.02 * LEVEL


def test_a_glow_in_no_catalogue_is_not_taken_for_sky():
    rng = np.random.default_rng(8)
    truth, (light, outline) = slopes("plane"), galaxy()
    picture = (truth + light + rng.normal(0, NOISE, truth.shape)).astype(np.float32)
    miss = sky_plane(fit_sky(picture).nodes_adu[0], HEIGHT, WIDTH) - truth
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH]
    inside = outline.depth(x, y) < 1.2
    assert miss[inside].sum() < 0.04 * light[inside].sum()


@pytest.mark.parametrize("size", [(20, 20), (40, 300), (100, 90)])
def test_small_pictures_come_back_sane(size):
    flat = np.full(size, 7.0, np.float32)
    subtract_sky(flat, fit_sky(flat))
    assert np.abs(flat).max() < 1e-3


def test_of_an_object_that_fills_the_picture_nothing_is_claimed():
    rng = np.random.default_rng(9)
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH]
    nebula = 60.0 * np.exp(-((np.hypot(x - 500, y - 300) / 400.0) ** 2))
    picture = (LEVEL + nebula + rng.normal(0, NOISE, nebula.shape)).astype(np.float32)
    sky = fit_sky(picture, [Outline(480, 320, 900, 900, regular=False)])
    assert (sky.told, sky.shape, sky.hidden) == (False, "constant", ())
    # the level of the darkest tenth: its faintest part is no more than that above the sky
    darkest = np.quantile(nebula, 0.1)
    assert sky.span_adu == 0.0
    assert LEVEL - 1.0 < float(sky.nodes_adu[0][0, 0]) < LEVEL + darkest + 1.0
    assert fit_sky(picture, [Outline(480, 320, 900, 900)], shape="plane").shape == "plane"


@pytest.mark.parametrize("kind", ["curved", "vignette"])
def test_the_stated_error_covers_the_miss(kind):
    truth, (light, outline) = slopes(kind), galaxy()
    inside = np.s_[240:420, 330:610]
    pulls = []
    for seed in range(4):
        rng = np.random.default_rng(20 + seed)
        picture = truth + light + rng.normal(0, NOISE, truth.shape)
        sky = fit_sky(picture.astype(np.float32), [outline])
        (beneath,) = sky.hidden
        miss = sky_plane(sky.nodes_adu[0], HEIGHT, WIDTH) - truth
        y, x = np.mgrid[inside]
        pulls.append(float(miss[inside][outline.depth(x, y) <= 1.0].mean()) / beneath.sky_error_adu)
        assert 0.0 < beneath.share < 0.03
    # four draws of a normal spread: 2.2 is passed by chance once in a thousand
    assert np.sqrt(np.mean(np.square(pulls))) < 2.2


def test_an_amplifier_in_a_corner_is_followed_and_no_object():
    rng = np.random.default_rng(12)
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH]
    truth = LEVEL * (1 + 0.15 * np.exp(-np.hypot(x / 480.0, (y - HEIGHT + 1) / 480.0) / 0.18))
    sky = fit_sky((truth + rng.normal(0, NOISE, truth.shape)).astype(np.float32))
    miss = sky_plane(sky.nodes_adu[0], HEIGHT, WIDTH) - truth
    assert miss.std() < 0.003 * LEVEL


def test_two_surfaces_make_one():
    rng = np.random.default_rng(13)
    picture = (slopes("curved") + rng.normal(0, NOISE, (HEIGHT, WIDTH))).astype(np.float32)
    left = picture.copy()
    first = fit_sky(left, shape="plane")
    subtract_sky(left, first)
    second = fit_sky(left)
    subtract_sky(left, second)
    subtract_sky(picture, second.over(first))
    assert np.abs(left - picture).max() < 0.01
