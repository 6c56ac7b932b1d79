"""Lines of RA and Dec lie where astropy puts them, everywhere on the sky; positions as text."""

from __future__ import annotations

import numpy as np
import pytest
from astropy.coordinates import Angle
from astropy.io import fits
from astropy.wcs import WCS
from hypothesis import given, settings
from hypothesis import strategies as st

from slowglass.frame.header import header_wcs
from slowglass.sky.graticule import graticule
from slowglass.sky.sexagesimal import dec_text, ra_text
from slowglass.sky.sip import SipWcs, bent_by_cards
from slowglass.sky.wcs import TanWcs

BENT = {
    "A_ORDER": 3, "B_ORDER": 3, "A_2_0": 2.1e-6, "A_1_1": -1.2e-6, "A_0_3": 3.0e-10,
    "B_0_2": -1.8e-6, "B_2_1": 4.0e-10, "B_1_1": 7.0e-7,
}  # fmt: skip


def tan(ra=322.5, dec=12.2, *, scale=3.0, parity=1):
    return TanWcs.from_simple(
        ra_deg=ra, dec_deg=dec, width_px=1200, height_px=800, scale_arcsec_per_px=scale,
        rotation_deg=33.0, parity=parity,
    )  # fmt: skip


def bent_cards(wcs):
    return {**wcs.to_header(), **BENT, "CTYPE1": "RA---TAN-SIP", "CTYPE2": "DEC--TAN-SIP"}


@pytest.mark.parametrize("dec", [-71.0, 0.0, 12.2, 84.0])
def test_bent_cards_mean_what_they_mean_to_astropy(dec):
    """Against astropy.wcs (wcslib and its own SIP), to a millionth of a pixel."""
    straight = tan(dec=dec)
    cards = bent_cards(straight)
    linear = header_wcs(cards)
    assert linear is not None
    ours = bent_by_cards(linear, cards)
    assert isinstance(ours, SipWcs)
    theirs = WCS(fits.Header(cards))
    x, y = np.meshgrid(np.linspace(-0.5, 1199.5, 13), np.linspace(-0.5, 799.5, 9))
    ra, dec_deg = ours.pixel_to_sky(x, y)
    wanted_ra, wanted_dec = theirs.all_pix2world(x, y, 0)
    apart = np.hypot((ra - wanted_ra) * np.cos(np.radians(dec_deg)), dec_deg - wanted_dec)
    assert apart.max() * 3600.0 / 3.0 < 1e-6
    back_x, back_y = ours.sky_to_pixel(ra, dec_deg)
    np.testing.assert_allclose(back_x, x, atol=1e-5)
    np.testing.assert_allclose(back_y, y, atol=1e-5)


def test_damaged_terms_leave_the_plain_solution():
    straight = tan()
    assert bent_by_cards(straight, {"CTYPE1": "RA---TAN", "A_2_0": 1e-6}) is straight
    for damaged in ("x", None, float("nan")):
        assert bent_by_cards(straight, bent_cards(straight) | {"A_2_0": damaged}) is straight


@pytest.mark.parametrize(("ra", "dec"), [(322.5, 12.2), (0.01, -33.0), (180.0, 0.0), (40.0, 88.9)])
def test_every_point_of_a_line_has_the_value_it_is_named_for(ra, dec):
    wcs = tan(ra, dec)
    box = (-0.5, -0.5, 1199.5, 799.5)
    lines = graticule(wcs, box)
    for kind in ("ra", "dec"):
        assert 2 <= sum(line.kind == kind for line in lines) <= 30
    theirs = WCS(fits.Header(wcs.to_header()))
    for line in lines:
        points = np.array(line.points)
        sky_ra, sky_dec = theirs.all_pix2world(points[:, 0], points[:, 1], 0)
        if line.kind == "dec":
            named = Angle(line.label.replace("−", "-").replace("°", "d").replace("′", "m")
                          .replace("″", "s").replace(" ", "")).degree  # fmt: skip
            np.testing.assert_allclose(sky_dec, named, atol=1e-6)
        else:
            named = Angle(line.label.replace(" ", "")).degree
            apart = (sky_ra - named + 180.0) % 360.0 - 180.0
            assert np.abs(apart * np.cos(np.radians(sky_dec))).max() < 1e-6


@settings(max_examples=60, deadline=None)
@given(
    ra=st.floats(0, 360),
    dec=st.floats(-90, 90),
    scale=st.floats(0.3, 30),
    x=st.floats(0, 1100),
    y=st.floats(0, 700),
    side=st.floats(3, 1200),
)
def test_any_part_of_any_picture_has_some_lines(ra, dec, scale, x, y, side):
    lines = graticule(tan(ra, dec, scale=scale), (x, y, x + side, y + side * 2 / 3))
    assert 2 <= len(lines) <= 90
    assert all(np.isfinite(line.points).all() for line in lines)


@given(ra=st.floats(0, 360, exclude_max=True), decimals=st.integers(0, 3))
def test_right_ascension_as_text_says_the_value(ra, decimals):
    back = Angle(ra_text(ra, decimals=decimals).replace(" ", "")).degree
    apart = abs((back - ra + 180.0) % 360.0 - 180.0)
    assert apart * 240.0 <= 0.5001 * 10.0**-decimals + 1e-7
    assert "60" not in ra_text(ra, decimals=0).replace(" h ", "m").split("m", 1)[1]


@given(dec=st.floats(-90, 90), decimals=st.integers(0, 3))
def test_declination_as_text_says_the_value(dec, decimals):
    text = dec_text(dec, decimals=decimals)
    plain = text.replace("−", "-").replace("° ", "d").replace("′ ", "m").replace("″", "s")
    assert abs(Angle(plain).degree - dec) * 3600.0 <= 0.5001 * 10.0**-decimals + 1e-7


def test_rounding_carries_over():
    assert ra_text(359.99999999) == "00 h 00 m 00.00 s"
    assert ra_text(14.9999999) == "01 h 00 m 00.00 s"
    assert dec_text(-0.00000001) == "+00° 00′ 00.0″"
    assert dec_text(12.99999999) == "+13° 00′ 00.0″"
