"""Optics formulae against published and independently computed values."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import j1

from slowglass.kit import optics


@pytest.mark.parametrize(
    ("pixel_um", "focal_length_mm", "expected"),
    [
        # 206.264806 p/f by hand calculator
        (3.72, 1250.0, 0.61384),
        (4.30, 1250.0, 0.70955),
        (5.36, 1250.0, 0.88446),
        (3.90, 1300.0, 0.61879),
    ],
)
def test_pixel_scale(pixel_um, focal_length_mm, expected):
    assert optics.scale_arcsec_per_px(pixel_um, focal_length_mm) == pytest.approx(
        expected, abs=1e-5
    )


def test_field_of_22_3_by_14_9_mm_at_1250_mm():
    # 2 atan(d / 2f): 61.328′ × 40.977′
    width = optics.field_deg(22300, 1.0, 1250.0) * 60
    height = optics.field_deg(14900, 1.0, 1250.0) * 60
    assert width == pytest.approx(61.328, abs=0.01)
    assert height == pytest.approx(40.977, abs=0.01)


@pytest.mark.parametrize(
    ("obstruction", "ring"),
    # Schroeder, Astronomical Optics, 1987, table of annular apertures: first dark ring in λ/D
    [(0.0, 1.220), (0.2, 1.167), (0.33, 1.098), (0.4, 1.058), (0.5, 1.000)],
)
def test_first_dark_ring_of_obstructed_apertures(obstruction, ring):
    one_wave_arcsec = 550e-6 / 100.0 * 206264.806
    radius = optics.airy_radius_arcsec(100.0, obstruction_fraction=obstruction)
    assert radius / one_wave_arcsec == pytest.approx(ring, abs=0.001)


def test_90_mm_at_f_13_9():
    # Airy radius 1.537″, FWHM 1.297″, Nyquist pixel 3.82 µm at 550 nm
    assert optics.airy_radius_arcsec(90.0) == pytest.approx(1.537, abs=0.001)
    assert optics.airy_fwhm_arcsec(90.0) == pytest.approx(1.297, abs=0.001)
    assert optics.nyquist_pixel_um(13.9) == pytest.approx(3.82, abs=0.01)


def test_rayleigh_limit_of_the_scenario_tube():
    assert optics.airy_radius_arcsec(102.0) == pytest.approx(1.357, abs=0.001)


@given(st.floats(0.0, 0.7))
def test_dark_ring_is_a_zero_of_the_annular_pattern_by_scipy(obstruction):
    wave = 550e-6 / 100.0 * 206264.80624709636
    x = math.pi * optics.airy_radius_arcsec(100.0, obstruction_fraction=obstruction) / wave
    hole = obstruction**2
    inner = 2 * j1(obstruction * x) / (obstruction * x) if obstruction * x > 1e-9 else 1.0
    amplitude = (2 * j1(x) / x - hole * inner) / (1 - hole)
    assert abs(amplitude) < 2e-6  # the obstruction is rounded to 1e-6


def test_blurs_add_in_quadrature():
    # 3″ with 1.30″ gives 3.27″
    assert optics.star_fwhm_arcsec(3.0, 1.30) == pytest.approx(3.27, abs=0.005)


@pytest.mark.parametrize(
    ("fwhm_px", "word"), [(1.2, "coarse"), (2.0, "good"), (3.5, "good"), (4.9, "fine")]
)
def test_sampling_words(fwhm_px, word):
    assert optics.sampling(fwhm_px) == word
