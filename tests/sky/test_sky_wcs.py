"""TAN coordinates against astropy's WCSLIB, SOFA and the worked header of Paper II."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from slowglass.frame.header import header_wcs
from slowglass.sky.coords import position_angle_deg, separation_deg
from slowglass.sky.wcs import TanWcs, deproject_tan, project_tan

# Calabretta & Greisen 2002, the header-interpretation example: CRPIX 256, 257.
PAPER_II = TanWcs(45.83, 63.57, 255.0, 256.0, ((-0.003, 0.0), (0.0, 0.003)))

frames = st.builds(
    TanWcs.from_simple,
    ra_deg=st.floats(0, 359.99),
    dec_deg=st.floats(-90, 90),
    width_px=st.just(6000),
    height_px=st.just(4000),
    scale_arcsec_per_px=st.floats(0.2, 10.0),
    rotation_deg=st.floats(0, 359.99),
    parity=st.sampled_from([1, -1]),
)


@pytest.mark.parametrize(
    ("x", "y", "ra", "dec"),
    [
        (1, 2, 47.503264, 62.795111),
        (1, 512, 47.595581, 64.324332),
        (511, 512, 44.064419, 64.324332),
    ],
)
def test_paper_ii_worked_header(x, y, ra, dec):
    assert PAPER_II.pixel_to_sky(x - 1, y - 1) == pytest.approx((ra, dec), abs=1e-6)


def test_sofa_tangent_plane_case():
    # SOFA t_sofa_c tpxes: a 1.3, b 1.55, a0 2.3, b0 1.5 rad.
    xi, eta = project_tan(*np.degrees([1.3, 1.55, 2.3, 1.5]))
    assert np.radians(xi) == pytest.approx(-0.01753200983236980595, abs=1e-12)
    assert np.radians(eta) == pytest.approx(0.05962940005778712891, abs=1e-12)


@settings(deadline=None)
@given(frames, st.floats(0, 5999), st.floats(0, 3999))
def test_agrees_with_astropy(wcs, x, y):
    from astropy.io import fits
    from astropy.wcs import WCS

    theirs = WCS(fits.Header(wcs.to_header()))
    sky = theirs.all_pix2world(x, y, 0)
    assert separation_deg(*wcs.pixel_to_sky(x, y), *sky) * 3600 < 1e-6 * wcs.scale_arcsec_per_px
    assert wcs.sky_to_pixel(*sky) == pytest.approx((x, y), abs=1e-6)


@given(frames, st.floats(0, 5999), st.floats(0, 3999))
def test_pixels_round_trip(wcs, x, y):
    assert wcs.sky_to_pixel(*wcs.pixel_to_sky(x, y)) == pytest.approx((x, y), abs=1e-6)


@given(frames)
def test_headers_round_trip(wcs):
    back = header_wcs(wcs.to_header())
    assert back.cd == wcs.cd
    assert (back.ra0_deg, back.dec0_deg) == (wcs.ra0_deg, wcs.dec0_deg)
    assert (back.crpix_x, back.crpix_y) == pytest.approx((wcs.crpix_x, wcs.crpix_y))


@given(frames)
def test_scale_rotation_and_parity_are_what_the_sky_shows(wcs):
    if abs(wcs.dec0_deg) > 89.9:
        return
    x0, y0 = wcs.crpix_x, wcs.crpix_y
    centre, up, right = (wcs.pixel_to_sky(x0 + dx, y0 + dy) for dx, dy in ((0, 0), (0, 1), (1, 0)))
    assert separation_deg(*centre, *up) * 3600 == pytest.approx(wcs.scale_arcsec_per_px, rel=1e-5)
    pa_y = float(position_angle_deg(*centre, *up))
    pa_x = float(position_angle_deg(*centre, *right))
    assert abs((pa_y - wcs.rotation_deg + 180) % 360 - 180) < 0.05
    # Unmirrored and stored top row first: +x lies 90° clockwise of the sky's east-turning
    # angle from +y, so PA(x) = PA(y) + 90° for parity +1 and −90° for −1.
    assert abs((pa_x - pa_y - 90 * wcs.parity + 180) % 360 - 180) < 0.05


def test_the_far_hemisphere_has_no_pixel():
    x, y = PAPER_II.sky_to_pixel(225.83, -63.57)
    assert np.isnan(x)
    assert np.isnan(y)
    assert np.isnan(project_tan(100.0, 0.0, 10.0, 0.0)[0])


def test_projection_at_the_pole_round_trips():
    ra = np.linspace(0, 350, 36)
    xi, eta = project_tan(ra, 89.0, 0.0, 90.0)
    back_ra, back_dec = deproject_tan(xi, eta, 0.0, 90.0)
    assert separation_deg(ra, 89.0, back_ra, back_dec).max() < 1e-10
