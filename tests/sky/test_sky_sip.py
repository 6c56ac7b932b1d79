"""SIP distortion against its published convention and astropy."""

from __future__ import annotations

import numpy as np
import pytest
from astropy.io import fits
from astropy.wcs import WCS

from slowglass.sky.sip import SipWcs, polynomial


@pytest.fixture
def bent() -> SipWcs:
    return SipWcs(
        83.8, -5.4, 2999.5, 1999.5,
        ((-1.7e-4, 3e-6), (2e-6, 1.7e-4)),
        a=((2, 0, 2e-7), (1, 1, -1e-7), (3, 0, 1e-9), (1, 2, 1e-9)),
        b=((0, 2, 1e-7), (0, 3, 1e-9), (2, 1, 1e-9)),
        reach_px=3600.0,
    )  # fmt: skip


def test_published_form_of_the_polynomial():
    """Shupe et al. 2005: u' = u + Σ A_pq u^p v^q. With A_30 = A_12 = B_03 = B_21 = 1e-9,
    u = 3000, v = 2000: u' = 3039, v' = 2026 exactly (also astropy's pix2foc)."""
    u, v = np.array([3000.0]), np.array([2000.0])
    assert u + polynomial(((3, 0, 1e-9), (1, 2, 1e-9)), u, v) == pytest.approx(3039.0, abs=1e-9)
    assert v + polynomial(((0, 3, 1e-9), (2, 1, 1e-9)), u, v) == pytest.approx(2026.0, abs=1e-9)


def test_agrees_with_astropy(bent):
    wcs = WCS(fits.Header(bent.to_header()))
    x, y = (a.ravel() for a in np.meshgrid([0.0, 1500.0, 5999.0], [0.0, 2500.0, 3999.0]))
    ra, dec = bent.pixel_to_sky(x, y)
    their_ra, their_dec = wcs.all_pix2world(x, y, 0)
    assert np.max(np.abs(ra - their_ra)) < 1e-9
    assert np.max(np.abs(dec - their_dec)) < 1e-9


def test_round_trip(bent):
    rng = np.random.default_rng(1)
    x, y = rng.uniform(0, 6000, 200), rng.uniform(0, 4000, 200)
    back_x, back_y = bent.sky_to_pixel(*bent.pixel_to_sky(x, y))
    assert np.max(np.hypot(back_x - x, back_y - y)) < 1e-5  # px


def test_far_outside_the_frame_stays_tame(bent):
    x, y = bent.sky_to_pixel([83.8, 90.0, 83.8 + 180.0], [-5.4, 10.0, 5.4])
    assert np.hypot(x[0] - 2999.5, y[0] - 1999.5) < 1e-6
    assert np.isfinite(x[1]) and np.isfinite(y[1])
    assert np.isnan(x[2])
