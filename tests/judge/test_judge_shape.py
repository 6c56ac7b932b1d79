"""Star shapes taken together: the common trail, the field's pattern, the defocused ring."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from slowglass.frame.stars import StarFlag, StarList
from slowglass.judge.shape import common_shape, radial_profile
from slowglass.judge.trails import (
    measure_trail,
    sky_angle_deg,
    sky_axis,
    trail_length_px,
)
from slowglass.sky.coords import position_angle_deg
from slowglass.sky.wcs import TanWcs

ANGLE = st.floats(0, 179.99)


def stars_with(elongation, angle_deg, *, x=None, y=None, flags=None, snr=100.0) -> StarList:
    n = len(elongation)
    rng = np.random.default_rng(1)
    x = rng.uniform(0, 600, n) if x is None else x
    y = rng.uniform(0, 400, n) if y is None else y
    return StarList(
        x_px=np.asarray(x, float),
        y_px=np.asarray(y, float),
        flux_adu=np.linspace(1e5, 1e4, n),
        peak_adu=np.full(n, 1000.0),
        snr=np.full(n, snr),
        fwhm_px=np.full(n, 3.0),
        hfd_px=np.full(n, 3.2),
        elongation=np.asarray(elongation, float),
        elongation_angle_deg=np.asarray(angle_deg, float) % 180.0,
        flags=np.zeros(n, np.int32) if flags is None else flags,
    )


def apart_deg(a: float, b: float) -> float:
    """Distance of two axes, 0–90."""
    return abs((a - b + 90.0) % 180.0 - 90.0)


@given(st.floats(1.15, 4.0), ANGLE)
def test_a_trail_shared_by_all_comes_back_whole(elongation, angle):
    shape = common_shape(stars_with([elongation] * 9, [angle] * 9), 600, 400)
    assert shape.elongation == pytest.approx(elongation, rel=1e-6)
    assert apart_deg(shape.angle_deg, angle) < 1e-6


def test_ellipticity_of_noise_cancels():
    rng = np.random.default_rng(7)
    stars = stars_with(1.0 + rng.exponential(0.25, 200), rng.uniform(0, 180, 200))
    shape = common_shape(stars, 600, 400)
    # 200 random vectors of size ~0.2: the median's noise is about 0.2·1.25/√200 = 0.018 each way.
    assert shape.elongation < 1.08
    assert shape.scatter > 1.15


def test_a_third_of_strays_does_not_turn_the_trail():
    rng = np.random.default_rng(3)
    elongation = np.r_[np.full(40, 1.6), 1 + rng.exponential(1.0, 20)]
    angle = np.r_[np.full(40, 30.0), rng.uniform(0, 180, 20)]
    shape = common_shape(stars_with(elongation, angle), 600, 400)
    assert shape.elongation == pytest.approx(1.6, abs=0.1)
    assert apart_deg(shape.angle_deg, 30.0) < 5.0


@pytest.mark.parametrize(("turn", "sign"), [(0.0, 1), (90.0, -1)])
def test_coma_points_at_the_centre_and_rotation_runs_around_it(turn, sign):
    rng = np.random.default_rng(5)
    x, y = rng.uniform(0, 400, 200), rng.uniform(0, 400, 200)
    toward = np.degrees(np.arctan2(y - 199.5, x - 199.5)) + turn
    shape = common_shape(stars_with([1.5] * 200, toward, x=x, y=y), 400, 400)
    assert shape.elongation < 1.15
    assert shape.radial * sign > 0.3


def test_saturated_and_edge_stars_are_left_out():
    flags = np.array([int(StarFlag.SATURATED)] * 5 + [0] * 5, np.int32)
    stars = stars_with([3.0] * 5 + [1.0] * 5, [45.0] * 10, flags=flags)
    shape = common_shape(stars, 600, 400)
    assert shape.stars == 5
    assert shape.elongation == pytest.approx(1.0)


def test_no_stars_is_no_shape():
    shape = common_shape(StarList.empty(), 600, 400)
    assert shape.stars == 0
    assert math.isnan(shape.elongation)


@pytest.mark.parametrize(("length_px", "fwhm_px"), [(2.0, 3.0), (6.0, 3.0), (12.0, 3.5)])
def test_trail_length_from_a_gaussian_fitted_to_a_smeared_star(length_px, fwhm_px):
    """The fit is scipy's, the smear an error function: a line convolved with a Gaussian."""
    from scipy.optimize import curve_fit
    from scipy.special import erf

    sigma = fwhm_px / 2.354820
    u = np.linspace(-40, 40, 8001)
    root = sigma * math.sqrt(2)
    star = erf((u + length_px / 2) / root) - erf((u - length_px / 2) / root)
    (_, major), _ = curve_fit(lambda t, a, s: a * np.exp(-0.5 * (t / s) ** 2), u, star, p0=(1, 3))
    assert trail_length_px(major / sigma, fwhm_px) == pytest.approx(length_px, rel=0.01)


@settings(max_examples=50)
@given(
    st.floats(0, 359.9), st.floats(-80, 80), st.floats(0, 359.9), st.sampled_from([-1, 1]), ANGLE
)
def test_image_angle_to_sky_angle_against_two_points_on_the_sky(ra, dec, rotation, parity, angle):
    wcs = TanWcs.from_simple(
        ra_deg=ra,
        dec_deg=dec,
        width_px=600,
        height_px=400,
        scale_arcsec_per_px=1.0,
        rotation_deg=rotation,
        parity=parity,
    )
    x0, y0 = 299.5, 199.5
    dx, dy = math.cos(math.radians(angle)), math.sin(math.radians(angle))
    here, there = wcs.pixel_to_sky(x0, y0), wcs.pixel_to_sky(x0 + 5 * dx, y0 + 5 * dy)
    expected = float(position_angle_deg(*here, *there)) % 180.0
    assert apart_deg(sky_angle_deg(angle, wcs), expected) < 0.05


def test_axes_have_names():
    assert sky_axis(90.0) == "RA"
    assert sky_axis(112.0) == "RA"
    assert sky_axis(2.0) == sky_axis(178.0) == "Dec"
    assert sky_axis(45.0) == sky_axis(135.0) == "between"


def test_an_unsolved_trail_has_pixels_only():
    trail = measure_trail(1.5, 30.0, 4.0, None)
    assert trail is not None and trail.axis is None and trail.length_px > 0
    assert measure_trail(math.nan, math.nan, 4.0, None) is None


def painted(kind: str, n: int = 6, noise: float = 0.0) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """A plane of equal stars: sharp Gaussians, discs, or rings with a third of a hole."""
    rng = np.random.default_rng(2)
    plane = np.zeros((120, 120 * n))
    yy, xx = np.mgrid[:120, : 120 * n]
    xs = 60 + 120 * np.arange(n) + rng.uniform(-0.5, 0.5, n)
    ys = 60 + rng.uniform(-0.5, 0.5, n)
    for x, y in zip(xs, ys, strict=True):
        r = np.hypot(xx - x, yy - y)
        if kind == "gauss":
            plane += np.exp(-0.5 * (r / (8 / 2.3548)) ** 2)
        elif kind == "wings":
            plane += (1 + (r / 6.0) ** 2 * (2 ** (1 / 2.5) - 1)) ** -2.5
        else:
            hole = 6.0 if kind == "ring" else 0.0
            soft = 1 / (1 + np.exp((r - 18) / 1.2))
            plane += soft * (1 / (1 + np.exp((hole - r) / 1.2)) if hole else 1.0)
    plane += rng.normal(0, noise, plane.shape)
    return plane.astype(np.float32), xs, ys


@pytest.mark.parametrize("noise", [0.0, 0.05])
@pytest.mark.parametrize(
    ("kind", "defocused", "width"),
    [("gauss", False, 8), ("wings", False, 12), ("disc", True, 36), ("ring", True, 36)],
)
def test_discs_and_rings_are_told_from_points(kind, defocused, width, noise):
    plane, xs, ys = painted(kind, noise=noise)
    profile = radial_profile(plane, xs, ys, 40 if width > 20 else 24)
    assert profile is not None
    assert profile.defocused is defocused
    assert profile.diameter_px == pytest.approx(width, rel=0.08)
    assert (profile.centre_dip < 0.8) is (kind == "ring")


def test_profile_without_room_is_none():
    assert (
        radial_profile(np.zeros((10, 10), np.float32), np.array([5.0]), np.array([5.0]), 8) is None
    )
