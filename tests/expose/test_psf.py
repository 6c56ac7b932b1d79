"""The star image against optics textbooks and scipy."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.special import j1

from slowglass.expose.psf import air_transfer, aperture_transfer, star_image
from slowglass.kit.model import Optics


def tube(obstruction: float = 0.32) -> Optics:
    return Optics(aperture_mm=102.0, focal_length_mm=1300.0, obstruction_fraction=obstruction)


def image(**changes):
    settings = {
        "scale_arcsec_per_px": 0.61879,
        "wavelengths_nm": (550.0,),
        "seeing_arcsec": 3.0,
    } | changes
    return star_image(tube(settings.pop("obstruction", 0.32)), **settings)


@pytest.mark.parametrize("obstruction", [0.0, 0.33, 0.5])
def test_aperture_transfer_is_that_of_the_airy_pattern(obstruction):
    """Hankel transform of the closed-form pattern I ∝ [2J1(x)/x − ε²·2J1(εx)/(εx)]²."""
    angle = np.linspace(1e-4, 120.0, 400_001)  # in λ/D
    x = np.pi * angle
    amplitude = 2 * j1(x) / x
    if obstruction:
        amplitude = amplitude - obstruction**2 * 2 * j1(obstruction * x) / (obstruction * x)
    pattern = amplitude**2
    from scipy.special import j0

    whole = np.trapezoid(pattern * angle, angle)
    for nu in (0.1, 0.35, 0.6, 0.85):
        part = np.trapezoid(pattern * angle * j0(2 * np.pi * nu * angle), angle) / whole
        # The pattern's tail beyond 120 λ/D holds a few thousandths of the light.
        assert aperture_transfer(np.array([nu]), obstruction)[0] == pytest.approx(part, abs=6e-3)
    assert aperture_transfer(np.array([0.0, 1.0]), obstruction) == pytest.approx([1.0, 0.0])


def test_air_makes_the_stated_width():
    """Hankel transform of the transfer: half maximum at half the FWHM (constant 0.976, Fried)."""
    from scipy.special import j0

    f = np.linspace(0, 3, 60_001)
    transfer = air_transfer(f, 3.0)
    peak, half = (np.trapezoid(transfer * f * j0(2 * np.pi * f * r), f) for r in (0.0, 1.5))
    assert half / peak == pytest.approx(0.5, abs=0.005)


def test_width_follows_quadrature():
    # Seeing and diffraction in quadrature: 3″ ⊕ 1.35″ (Airy FWHM of 102 mm at 550 nm, 1.029 λ/D
    # = 1.145″ clear). Quadrature is exact for Gaussians only, hence 4 %.
    table = image(obstruction=0.0).table[0]
    peak = table.max()
    area = np.count_nonzero(table > 0.5 * peak) / image(obstruction=0.0).oversample ** 2
    fwhm_arcsec = 2 * math.sqrt(area / math.pi) * 0.61879
    assert fwhm_arcsec == pytest.approx(math.hypot(3.0, 1.145, 0.61879 * 0.7), rel=0.04)


def test_every_phase_sums_to_one():
    psf = image()
    k = psf.oversample
    for dy in range(k):
        for dx in range(k):
            assert psf.table[0, dy::k, dx::k].sum() == pytest.approx(1.0, abs=2e-4)


def test_trail_widens_along_itself_only():
    steps = np.linspace(-6, 6, 97)
    still = image()
    trailed = image(path_px=(steps * 0.8, steps * 0.6))
    n = still.table.shape[1]
    axis = (np.arange(n) - n // 2) / still.oversample
    x, y = np.meshgrid(axis, axis)
    core = np.hypot(x, y) < 40

    def spread(psf, along):
        u = x * along[0] + y * along[1]
        weights = psf.table[0] * core
        return (weights * u**2).sum() / weights.sum()

    # A steady trail of 12 px adds 12²/12 = 12 px² along itself and nothing across.
    added = spread(trailed, (0.8, 0.6)) - spread(still, (0.8, 0.6))
    assert added == pytest.approx(np.var(steps), rel=0.03)
    across = spread(trailed, (-0.6, 0.8)) - spread(still, (-0.6, 0.8))
    assert across == pytest.approx(0.0, abs=0.15)


def test_defocus_spreads_a_ring():
    blurred = image(blur_px=20.0, seeing_arcsec=1.0)
    n = blurred.table.shape[1]
    row = blurred.table[0, n // 2, n // 2 :: blurred.oversample]
    # The obstruction's shadow makes the middle darker than the ring at 7 px.
    assert row[0] < 0.3 * row[7]
    assert row[14] < 0.1 * row[7]


def test_stamp_radius_leaves_little_outside():
    psf = image()
    faint, bright = psf.stamp_radius_px(np.array([200.0, 3e6]))
    assert psf.enclosed[faint] >= 0.985
    assert bright > faint
    n, k = psf.table.shape[1] // 2, psf.oversample
    assert psf.table[0, n, n + int(bright) * k] * 3e6 < 0.06 or bright == psf.half_px


def test_strong_defocus_keeps_its_light():
    """A disc 300 px across fits its table: flat inside, nothing outside, all the light."""
    blurred = image(blur_px=300.0, obstruction=0.0)
    assert blurred.half_px > 190
    n = blurred.table.shape[1] // 2
    row = blurred.table[0, n, n :: blurred.oversample]
    flat = 1.0 / (math.pi * 150.0**2)
    np.testing.assert_allclose(row[20:130], flat, rtol=0.03)
    assert row[165:].max() < 0.02 * flat
