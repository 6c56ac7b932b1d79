"""Resampling against the function itself, against OpenCV, and its noise against its weights."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from slowglass.finish.resample import cut_rings, develop, warp
from slowglass.frame.bayer import demosaic

HEIGHT, WIDTH = 240, 320
YY, XX = np.mgrid[:HEIGHT, :WIDTH].astype(float)


def sky(x, y):
    """Three Gaussian stars of FWHM 3.1 to 4.7 px, anywhere."""
    stars = ((100.3, 80.7, 1.3, 900.0), (220.6, 150.2, 1.7, 2000.0), (160.1, 40.4, 2.0, 500.0))
    return sum(f * np.exp(-((x - a) ** 2 + (y - b) ** 2) / 2 / s**2) for a, b, s, f in stars)


def turned(turn_deg, shift, scale=1.0):
    """Output to source: a turn about the middle, then a shift."""
    t = np.radians(turn_deg)
    m = scale * np.array([[np.cos(t), -np.sin(t)], [np.sin(t), np.cos(t)]])
    c = np.array([WIDTH / 2, HEIGHT / 2])
    return np.column_stack([m, c - m @ c + shift])


@pytest.mark.parametrize("bayer", ["RGGB", "BGGR", "GRBG", "GBRG"])
def test_development_is_the_frame_rooms_demosaicing(bayer):
    mosaic = np.random.default_rng(1).normal(50, 20, (60, 85)).astype(np.float32)
    planes = develop(mosaic, bayer)
    np.testing.assert_allclose(np.moveaxis(planes, 0, 2), demosaic(mosaic, bayer), atol=1e-4)


@pytest.mark.parametrize("turn", [0.0, 0.02, 0.4, 1.1, 179.9, 180.0, 7.0, 90.0])
def test_stars_land_where_they_belong(turn):
    matrix = turned(turn, (3.37, -2.61))
    planes = np.stack([sky(XX, YY), 2 * sky(XX, YY)]).astype(np.float32)
    out = warp(planes, matrix, HEIGHT, WIDTH)
    x, y = np.tensordot(matrix[:, :2], np.stack([XX, YY]), 1) + matrix[:, 2][:, None, None]
    seen = np.isfinite(out[0])
    assert seen.mean() > (0.6 if turn == 90.0 else 0.9)
    # Lanczos of four lobes on a star of FWHM 3.1 px: 0.9 % of its peak of 900 at worst. OpenCV
    # rounds positions to 1/32 px, which on the steepest star is 14 more.
    np.testing.assert_allclose(out[0][seen], sky(x, y)[seen], atol=8.0)
    np.testing.assert_allclose(out[1][seen], 2 * out[0][seen], rtol=1e-4, atol=1e-3)
    other = cv2.warpAffine(
        planes[0], matrix, (WIDTH, HEIGHT), flags=cv2.INTER_LANCZOS4 | cv2.WARP_INVERSE_MAP,
        borderValue=(np.nan,) * 4,
    )  # fmt: skip
    both = seen & np.isfinite(other)
    np.testing.assert_allclose(out[0][both], other[both], atol=20.0)
    assert np.isfinite(other)[~seen].mean() < 0.02


def test_noise_is_what_the_weights_say():
    # Noise of an interpolated value: sqrt(sum of squared weights), by axis.
    rng = np.random.default_rng(3)
    planes = rng.normal(0, 1, (1, 500, 500)).astype(np.float32)
    for shift in ((0.0, 0.0), (0.5, 0.5), (0.25, 0.0)):
        matrix = np.column_stack([np.eye(2), np.array(shift)])
        out = warp(planes, matrix, 480, 480)
        sigma = float(np.nanstd(out))

        def axis(phase):
            apart = phase + 3 - np.arange(8)
            w = np.sinc(apart) * np.sinc(apart / 4)
            return (w**2).sum() / w.sum() ** 2

        expected = np.sqrt(axis(shift[0]) * axis(shift[1]))
        assert sigma == pytest.approx(expected, rel=0.01)


def test_nothing_is_made_up_beyond_the_edge():
    planes = np.ones((1, 40, 50), dtype=np.float32)
    out = warp(planes, np.column_stack([np.eye(2), [30.0, 0.0]]), 40, 50)
    assert np.isnan(out[0, :, 25:]).all()
    assert np.isfinite(out[0, 10:30, 5:15]).all()
    far = warp(planes, np.column_stack([np.eye(2), [500.0, 900.0]]), 40, 50)
    assert np.isnan(far).all()


def test_rings_are_cut_and_noise_left_alone():
    rng = np.random.default_rng(4)
    noise = rng.normal(0, 1, (1, 200, 200)).astype(np.float32)
    planes = noise.copy()
    planes[0, 100, 99:102] = 200.0, 500.0, 200.0
    planes[0, 100, 102] = -40.0  # a ring
    planes[0, 20, 20] = -40.0  # far from any star
    before = planes.copy()
    cut_rings(planes, 1.0, 20.0)
    assert planes[0, 100, 102] == -1.0
    assert planes[0, 20, 20] == -40.0
    assert planes.sum() == pytest.approx(before.sum(), abs=0.01)  # the star keeps its light
    assert planes[0, 100, 100] == pytest.approx(500.0 * (1 - 39 / 900), rel=0.02)
    changed = planes[0] != before[0]
    changed[97:104, 99:106] = False
    changed[96:105, 95:105] = False
    assert not changed.any()
