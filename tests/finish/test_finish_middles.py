"""Bright stars keep their colour and lose the rings of interpolation; the rest stays as it is."""

import cv2
import numpy as np
import pytest

from slowglass.finish.combined import FoundStars
from slowglass.finish.middles import heal_middles
from slowglass.finish.quiet import measure_noise, quieten
from slowglass.frame.stars import StarFlag, StarList

COLOUR = np.array([0.6, 1.0, 1.4])


def found(x, y, flags, fwhm=2.6):
    n = len(x)
    full = np.zeros(n)
    every = StarList(
        np.asarray(x, float), np.asarray(y, float), full + 1e5, full, full + 900.0, full + fwhm,
        full + fwhm, full + 1.0, full, np.asarray(flags, np.int32),
    )  # fmt: skip
    return FoundStars(every, every, fwhm)


def steep_star(peak, clip=None):
    """A blue star on a halo, each colour moved by another half pixel as by resampling."""
    y, x = np.mgrid[0:81, 0:81]
    planes = []
    for c, (dx, dy) in enumerate([(0.5, 0.0), (0.0, 0.5), (0.5, 0.5)]):
        r2 = (x - 40.0 + dx) ** 2 + (y - 40.0 + dy) ** 2
        plane = COLOUR[c] * (peak * np.exp(-r2 / 2.6) + 60.0 * np.exp(-np.sqrt(r2) / 6.0))
        plane = plane if clip is None else np.minimum(plane, clip)
        move = np.float32([[1, 0, dx], [0, 1, dy]])
        moved = cv2.warpAffine(
            plane.astype(np.float32), move, (81, 81), flags=cv2.INTER_LANCZOS4,
            borderMode=cv2.BORDER_REFLECT,
        )  # fmt: skip
        planes.append(moved if clip is None else np.minimum(moved, clip))
    return np.stack(planes, axis=-1)


def worst_colour(light, low, high):
    """Largest miss of a channel's share of the light from the star's own between two radii."""
    y, x = np.mgrid[0:81, 0:81]
    r = np.hypot(x - 40, y - 40)
    ring = light[(r >= low) & (r < high)]
    share = ring / ring.mean(axis=1, keepdims=True)
    return float(np.abs(share - COLOUR / COLOUR.mean()).max())


@pytest.mark.parametrize("clip", [None, 6000.0])
def test_rings_of_false_colour_go(clip):
    light = steep_star(20000.0, clip)
    before = light.copy()
    flag = int(StarFlag.SATURATED) if clip else 0
    assert worst_colour(light, 3, 6) > 0.5
    heal_middles(light, found([40], [40], [flag]), sigma_adu=1.0, ceiling_adu=clip)
    assert worst_colour(light, 3, 6) < 0.15
    y, x = np.mgrid[0:81, 0:81]
    outside = np.hypot(x - 40, y - 40) > 10
    assert np.array_equal(light[outside], before[outside])
    middle = light[40, 40]
    if clip:
        assert np.ptp(middle) < 0.01 * clip
    else:
        assert middle == pytest.approx(before[40, 40])
    profile = light[40, 40:52].mean(axis=1)
    assert (np.diff(profile) <= 1e-3 * profile[0]).all()


def test_faint_stars_and_bright_glows_are_left_alone():
    light = steep_star(100.0)
    y, x = np.mgrid[0:81, 0:81]
    core = 5000.0 * np.exp(-np.hypot(x - 40, y - 40) / 9.0)
    for picture in (light, np.stack([core] * 3, axis=-1).astype(np.float32)):
        before = picture.copy()
        heal_middles(picture, found([40], [40], [0]), sigma_adu=1.0, ceiling_adu=None)
        assert np.array_equal(picture, before)


def test_plain_pictures_and_places_outside_are_no_trouble():
    plain = np.ones((40, 40), np.float32)
    heal_middles(plain, found([5], [5], [0]), sigma_adu=0.001, ceiling_adu=1.0)
    assert (plain == 1).all()
    edge = steep_star(20000.0, 6000.0)[40:, 40:].copy()
    heal_middles(
        edge, found([0, 300], [0, -5], [int(StarFlag.SATURATED)] * 2), sigma_adu=1.0,
        ceiling_adu=6000.0,
    )  # fmt: skip
    assert np.isfinite(edge).all()


def test_colour_noise_goes_beside_a_star_as_well_and_its_colour_stays():
    rng = np.random.default_rng(1)
    y, x = np.mgrid[0:200, 0:200]
    star = 200.0 * np.exp(-((x - 100) ** 2 + (y - 100) ** 2) / 5.0)
    picture = (star[..., None] * COLOUR + rng.normal(0, 2, (200, 200, 3))).astype(np.float32)
    noise = measure_noise(picture, sky_adu=1.2, per_adu=0.0)
    quiet = quieten(picture, noise, strength=0.6)
    r = np.hypot(x - 100, y - 100)
    beside = (r > 9) & (r < 25)

    def spread(p):
        return float(np.std((p[..., 0] - p[..., 1])[beside]))

    assert spread(quiet) < 0.4 * spread(picture)
    inside = r < 5
    sums = quiet[inside].sum(axis=0)
    # 80 pixels of noise 2 on 3 000 ADU in each colour
    assert sums / sums.mean() == pytest.approx(COLOUR / COLOUR.mean(), abs=0.03)
