"""Numbers of stars on the sky against published counts."""

from __future__ import annotations

import numpy as np
import pytest
from astropy.coordinates import SkyCoord

from slowglass.expose import population
from slowglass.sky.coords import separation_deg


@pytest.mark.parametrize(
    ("mag", "count"),
    [(6, 5042), (8, 43152), (10, 334965), (12, 2.28e6), (14, 1.32e7), (16, 6.26e7)],
)
def test_all_sky_law(mag, count):
    # log N = −0.0003m³ + 0.0019m² + 0.484m + 0.795, tabulated values.
    assert population.stars_brighter(mag) == pytest.approx(count, rel=5e-3)


def test_galactic_latitude_against_astropy():
    rng = np.random.default_rng(1)
    ra, dec = rng.uniform(0, 360, 100), np.degrees(np.arcsin(rng.uniform(-1, 1, 100)))
    outside = SkyCoord(ra, dec, unit="deg").galactic.b.deg
    np.testing.assert_allclose(population.galactic_latitude_deg(ra, dec), outside, atol=2e-3)


def test_density_agrees_with_the_gaia_catalogue(sky):
    # G < 10 stars per square degree: |b| < 5° 24.3, 5–20 17.3, 20–40 10.0, 40–60 6.5, > 60 5.2.
    ra, dec = sky.stars.column("ra_deg"), sky.stars.column("dec_deg")
    b = np.abs(population.galactic_latitude_deg(ra, dec))
    for low, high in ((0, 5), (5, 20), (20, 40), (40, 60), (60, 90)):
        area = population.SKY_DEG2 * (np.sin(np.radians(high)) - np.sin(np.radians(low)))
        counted = np.count_nonzero((b >= low) & (b < high)) / area
        latitudes = np.degrees(np.arcsin(np.linspace(*np.sin(np.radians([low, high])), 50)))
        modelled = population.density_factor(latitudes).mean() * len(ra) / population.SKY_DEG2
        assert modelled == pytest.approx(counted, rel=0.12)


@pytest.mark.parametrize(("ra", "dec"), [(120.0, 25.0), (192.86, 27.13), (283.0, -6.0)])
def test_counts_follow_the_law(ra, dec):
    radius = 1.5
    found = population.faint_stars(ra, dec, radius, from_mag=10.0, to_mag=15.0)
    inside = separation_deg(ra, dec, found.ra_deg, found.dec_deg) < radius
    area = 2 * np.pi * (1 - np.cos(np.radians(radius))) * np.degrees(1) ** 2
    law = population.stars_brighter(15.0) - population.stars_brighter(10.0)
    expected = law * area / population.SKY_DEG2
    # Density changes by a quarter across such a cone near the plane, by less elsewhere.
    factor = population.density_factor(population.galactic_latitude_deg(ra, dec))
    assert inside.sum() == pytest.approx(expected * factor, rel=0.15)


@pytest.mark.parametrize(("ra", "dec"), [(0.05, 10.0), (359.9, -40.0), (77.0, 89.8), (3.0, -89.9)])
def test_the_same_stars_come_back(ra, dec):
    """Two overlapping cones agree on the stars both hold, also over 0h and the poles."""
    one = population.faint_stars(ra, dec, 0.6, from_mag=10.0, to_mag=14.0)
    two = population.faint_stars(
        (ra + 0.3) % 360, max(-90, dec - 0.2), 1.2, from_mag=10.0, to_mag=14.0
    )

    def held(stars):
        near = separation_deg(ra, dec, stars.ra_deg, stars.dec_deg) < 0.55
        return {
            (round(a, 9), round(d, 9), round(m, 9))
            for a, d, m in zip(
                stars.ra_deg[near], stars.dec_deg[near], stars.mag[near], strict=True
            )
        }

    assert held(one) == held(two)
    assert len(held(one)) > 20


def test_limits_are_kept():
    found = population.faint_stars(50.0, 50.0, 0.5, from_mag=11.0, to_mag=13.0)
    assert found.mag.min() >= 11.0 and found.mag.max() < 13.0
    assert len(population.faint_stars(50.0, 50.0, 0.5, from_mag=16.0, to_mag=12.0).mag) == 0
