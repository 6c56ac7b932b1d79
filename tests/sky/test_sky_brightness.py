"""Air mass, extinction and sky brightness against published values and pvlib."""

from __future__ import annotations

import numpy as np
import pytest

from slowglass.sky.brightness import (
    Moonlight,
    dark_sky_nl,
    mag_arcsec2,
    moonlight_nl,
    naked_eye_limit_mag,
    nanolamberts,
    sky_mag_arcsec2,
    twilight_nl,
)
from slowglass.sky.extinction import airmass, extinction_mag_per_airmass


@pytest.mark.parametrize(
    ("alt", "path"),
    [(90, 0.9997), (45, 1.4126), (30, 1.9943), (20, 2.9031), (10, 5.5860), (5, 10.306), (0, 37.92)],
)
def test_airmass_table(alt, path):
    # Kasten & Young 1989 through pvlib 0.16.1.
    assert airmass(alt) == pytest.approx(path, rel=1e-3)


def test_airmass_agrees_with_pvlib_everywhere():
    from pvlib.atmosphere import get_relative_airmass

    alt = np.linspace(0.0, 90.0, 181)
    theirs = get_relative_airmass(90.0 - alt, model="kastenyoung1989")
    assert airmass(alt) == pytest.approx(theirs, rel=1e-6)


def test_airmass_below_the_horizon_is_not_a_number():
    assert np.isnan(airmass([-0.1, -30.0, 91.0])).all()


@pytest.mark.parametrize(
    ("height_m", "k"), [(0, 0.2811), (500, 0.2383), (1000, 0.2057), (2000, 0.1606)]
)
def test_extinction_by_height(height_m, k):
    # Green 1992.
    assert extinction_mag_per_airmass(height_m) == pytest.approx(k, abs=2e-4)


def test_nanolamberts_of_a_dark_sky():
    # Krisciunas & Schaefer 1991: V 21.587 is 79.0 nL.
    assert nanolamberts(21.587) == pytest.approx(79.0, abs=0.1)
    assert mag_arcsec2(nanolamberts(20.3)) == pytest.approx(20.3)


def test_moonlight_of_a_published_case():
    # specsim documentation: Z 20°, Moon Z 70°, 50° apart, phase 45°, k 0.15 → 19.855.
    moon = Moonlight(alt_deg=20.0, separation_deg=50.0, phase_angle_deg=45.0)
    light = moonlight_nl(70.0, moon, extinction_mag=0.15)
    assert light == pytest.approx(389.5, abs=0.1)
    assert mag_arcsec2(light) == pytest.approx(19.855, abs=0.005)


@pytest.mark.parametrize(
    ("phase", "brighter"), [(0, 3.03), (30, 2.32), (60, 1.63), (90, 0.95), (120, 0.37)]
)
def test_moonlit_sky_by_phase(phase, brighter):
    # Krisciunas & Schaefer 1991, computed apart: target Z 30°, Moon Z 45°, 60° apart, k 0.172,
    # dark sky 21.6.
    moon = Moonlight(alt_deg=45.0, separation_deg=60.0, phase_angle_deg=phase)
    gain = sky_mag_arcsec2(21.6, 60.0) - sky_mag_arcsec2(21.6, 60.0, moon=moon)
    assert gain == pytest.approx(brighter, abs=0.02)


def test_a_moon_below_the_horizon_gives_no_light():
    down = Moonlight(alt_deg=-1.0, separation_deg=60.0, phase_angle_deg=0.0)
    assert sky_mag_arcsec2(21.6, 60.0, moon=down) == sky_mag_arcsec2(21.6, 60.0)


def test_moonlight_grows_toward_the_moon():
    near = Moonlight(45.0, np.array([1.0, 5.0, 9.9, 10.1, 20.0, 40.0]), 30.0)
    light = moonlight_nl(50.0, near)
    # The two published forms meet at 10° within a fifth.
    assert (np.diff(light[:3]) < 0).all()
    assert (np.diff(light[3:]) < 0).all()
    assert light[2] == pytest.approx(light[3], rel=0.2)


def test_dark_sky_brightens_toward_the_horizon():
    alts = np.array([90.0, 60.0, 30.0, 10.0])
    mags = mag_arcsec2(dark_sky_nl(21.6, alts))
    assert mags[0] == pytest.approx(21.6)
    assert (np.diff(mags) < 0).all()


def test_twilight_is_the_published_law_within_its_range():
    # Patat et al. 2006, table 1, V: 11.84 + 1.518 x − 0.057 x², x = Sun zenith distance − 95°,
    # which holds with the dark sky of that site in it.
    for depth in (5.0, 8.0, 10.0, 12.0, 15.0):
        x = depth - 5.0
        total = mag_arcsec2(twilight_nl(-depth) + nanolamberts(21.75))
        assert total == pytest.approx(11.84 + 1.518 * x - 0.057 * x**2, abs=0.01)


def test_twilight_ends_with_the_night_and_never_outshines_the_day():
    assert sky_mag_arcsec2(21.6, 90.0, sun_alt_deg=-18.0) > 21.5
    assert sky_mag_arcsec2(21.6, 90.0, sun_alt_deg=-12.0) < 20.0
    light = twilight_nl(np.linspace(30.0, -25.0, 200))
    assert (np.diff(light) <= 0).all()
    assert mag_arcsec2(light[0]) == pytest.approx(3.5)


@pytest.mark.parametrize(("mu", "limit"), [(18, 3.97), (20, 5.49), (21.6, 6.43), (22, 6.62)])
def test_naked_eye_limit(mu, limit):
    # After Schaefer 1990.
    assert naked_eye_limit_mag(mu) == pytest.approx(limit, abs=0.01)
