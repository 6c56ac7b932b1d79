"""Colours by the stars, against black bodies seen through made-up filters and published colours."""

import numpy as np
import pytest

from slowglass.finish.colour import (
    ColourFit,
    StarColours,
    apply_colour,
    blackbody_screen,
    fit_colour,
    star_screen_colours,
    star_temperature_k,
)

NM = np.arange(380.0, 720.0, 2.0)
FILTERS = ((605.0, 38.0), (530.0, 42.0), (458.0, 36.0))
SENSOR = np.array([0.6, 1.0, 0.5])


def camera_light(bv, *, filters=FILTERS):
    """Photons of black bodies of the stars' temperatures through Gaussian dye filters."""
    kelvin = star_temperature_k(bv)[:, None]
    photons = NM**-4.0 / np.expm1(1.438777e7 / (NM * kelvin))
    bands = [np.exp(-0.5 * ((NM - middle) / width) ** 2) for middle, width in filters]
    flux = np.stack([photons @ band for band in bands], axis=1) * SENSOR
    return 1e5 * flux / flux[:, 1:2]


def test_temperatures_of_ballesteros_2012():
    # values of the paper's formula; the worked example is the Sun at B-V 0.65, 5778 K
    assert star_temperature_k([0.0, 0.3, 0.65, 1.0, 1.5]) == pytest.approx(
        [10125, 7462, 5778, 4743, 3794], abs=1.0
    )


def test_black_bodies_on_a_screen():
    # colour-science 0.4.7: Planck's law, CIE 1931 2 degrees, sRGB primaries, brightest 1
    expected = {
        3000.0: (1.0, 0.477, 0.154),
        5772.0: (1.0, 0.877, 0.820),
        10000.0: (0.609, 0.695, 1.0),
    }
    for kelvin, rgb in expected.items():
        assert blackbody_screen(kelvin) == pytest.approx(rgb, abs=0.01)


@pytest.mark.parametrize("stars", [4, 8, 40])
@pytest.mark.parametrize("filters", [FILTERS, ((620.0, 45.0), (535.0, 35.0), (450.0, 40.0))])
def test_colours_of_other_stars_come_out_as_catalogued(stars, filters):
    rng = np.random.default_rng(stars)
    bv = rng.uniform(-0.05, 1.6, stars)
    flux = camera_light(bv, filters=filters)
    flux *= 1.0 + rng.normal(0, 0.005, flux.shape)
    fit = fit_colour(StarColours(flux, np.full_like(flux, 500.0), bv))
    assert fit.how == "catalogue"
    assert fit.stars == stars
    others = rng.uniform(0.0, 1.5, 300)
    miss = fit.bv_of(camera_light(others, filters=filters)) - others
    assert np.sqrt(np.mean(miss**2)) < 0.05  # what the catalogue's own colours are good to
    sun = camera_light(np.array([0.65]), filters=filters)[0] * fit.gains
    assert sun / sun[1] == pytest.approx([1, 1, 1], abs=0.03)


def test_variables_and_wrong_matches_do_not_count():
    rng = np.random.default_rng(3)
    bv = rng.uniform(0.0, 1.4, 30)
    flux = camera_light(bv)
    flux[:5, 2] *= [3.0, 0.3, 2.0, 0.4, 5.0]
    fit = fit_colour(StarColours(flux, np.full_like(flux, 300.0), bv))
    clean = fit_colour(StarColours(flux[5:], np.full_like(flux[5:], 300.0), bv[5:]))
    assert fit.gains == pytest.approx(clean.gains, rel=0.01)


def test_stars_take_their_screen_colours():
    bv = np.linspace(0.0, 1.5, 20)
    flux = camera_light(bv)
    fit = fit_colour(StarColours(flux, np.full_like(flux, 100.0), bv))
    shown = apply_colour(flux[None].astype(np.float32), fit.gains, fit.spread)[0]
    wanted = star_screen_colours(bv)
    miss = 2.5 * np.log10((shown / shown[:, 1:2]) / (wanted / wanted[:, 1:2]))
    assert np.abs(miss).max() < 0.2  # a straight mix cannot bend; black bodies' colours do
    assert np.sqrt(np.mean(miss**2)) < 0.08


def test_without_catalogue_the_middle_star_is_white():
    rng = np.random.default_rng(10)
    flux = rng.uniform(1000, 50000, 40)[:, None] * np.exp(rng.normal(0, 0.05, (40, 3)))
    flux *= [0.5, 1.0, 0.8]
    unknown = np.full(40, np.nan)
    fit = fit_colour(StarColours(flux, np.full((40, 3), 10.0), unknown))
    assert (fit.how, fit.stars) == ("stars", 40)
    # 40 stars of 5 % scatter: the median ratio is good to 1.4 %
    assert fit.gains == pytest.approx([2.0, 1.0, 1.25], rel=0.03)
    few = fit_colour(StarColours(flux[:5], np.full((5, 3), 10.0), unknown[:5]))
    assert few == ColourFit()
    assert np.isnan(few.bv_of(flux)).all()


def test_faint_and_broken_stars_are_left_out():
    bv = np.array([0.2, 0.6, 1.2, 0.5, 0.9])
    flux = camera_light(bv)
    flux[3] = np.nan
    error = np.full_like(flux, 100.0)
    error[4] = 1e5
    fit = fit_colour(StarColours(flux, error, bv))
    assert fit.stars == 3
    nothing = fit_colour(StarColours(np.empty((0, 3)), np.empty((0, 3)), np.empty(0)))
    assert nothing.how == "none"


def test_sky_stays_neutral():
    sky = np.zeros((4, 4, 3), np.float32)
    assert not apply_colour(sky, (1.7, 1.0, 2.1), (0.3, 0.5)).any()
    plain = np.ones((3, 3), np.float32)
    assert apply_colour(plain, (2.0, 1.0, 2.0), (0.0, 0.0)) is plain
