"""What each star is worth in the last fit: against scipy, photon noise and known scatter."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from star_fields import star_list

from slowglass.frame.stars import StarFlag
from slowglass.sky.wcs import TanWcs
from slowglass.solve.fit import fit_tan, residuals_px
from slowglass.solve.weights import fit_weights, place_errors_px, scatter_px

CENTRE = (2999.5, 1999.5)


def field(rng, n):
    true = TanWcs.from_simple(
        ra_deg=210.0, dec_deg=54.0, width_px=6000, height_px=4000, scale_arcsec_per_px=0.62,
        rotation_deg=31.0,
    )  # fmt: skip
    x, y = rng.uniform(0, 6000, n), rng.uniform(0, 4000, n)
    return true, x, y, *true.pixel_to_sky(x, y)


def test_weighted_fit_agrees_with_scipy():
    """scipy minimises the weighted pixel residuals of an astropy TAN solution.

    Ours minimises them on the tangent plane, which a picture of one scale maps alike: 0.01 px.
    """
    from astropy.wcs import WCS
    from scipy.optimize import least_squares

    rng = np.random.default_rng(6)
    _, x, y, ra, dec = field(rng, 25)
    error = np.exp(rng.uniform(np.log(0.02), np.log(1.0), 25))
    x, y = x + error * rng.normal(size=25), y + error * rng.normal(size=25)
    ours = fit_tan(
        x, y, ra, dec, start=(210.0, 54.0), centre=CENTRE, parity=1, affine=True, weights=1 / error
    )

    def astropy_wcs(p):
        wcs = WCS(naxis=2)
        wcs.wcs.ctype = ["RA---TAN", "DEC--TAN"]
        wcs.wcs.crval = [210.0 + p[0] * 1e-4, 54.0 + p[1] * 1e-4]
        wcs.wcs.crpix = [CENTRE[0] + 1, CENTRE[1] + 1]
        wcs.wcs.cd = np.reshape(p[2:], (2, 2)) * 1e-4
        return wcs

    def off(p):
        px, py = astropy_wcs(p).all_world2pix(ra, dec, 0)
        return np.concatenate([(px - x) / error, (py - y) / error])

    begin = np.concatenate([[0.0, 0.0], 1e4 * np.ravel(ours.cd) * 1.001])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = astropy_wcs(least_squares(off, begin, xtol=1e-14, ftol=1e-14, gtol=1e-14).x)
    grid_x, grid_y = np.meshgrid([0.0, 3000.0, 5999.0], [0.0, 2000.0, 3999.0])
    back = theirs.all_world2pix(*ours.pixel_to_sky(grid_x.ravel(), grid_y.ravel()), 0)
    assert np.max(np.hypot(back[0] - grid_x.ravel(), back[1] - grid_y.ravel())) < 0.01


def test_weights_make_the_fit_surer():
    """Errors from 0.02 to 1 px: over 60 fields the weighted fit errs by less than a third of the
    unweighted one (the Gauss–Markov theorem promises no worse; the third is for these errors)."""
    rng = np.random.default_rng(7)
    wrong = {True: [], False: []}
    for _ in range(60):
        true, x, y, ra, dec = field(rng, 15)
        error = np.exp(rng.uniform(np.log(0.02), 0.0, 15))
        x, y = x + error * rng.normal(size=15), y + error * rng.normal(size=15)
        for weighted in wrong:
            found = fit_tan(
                x, y, ra, dec, start=(210.0, 54.0), centre=CENTRE, parity=1, affine=True,
                weights=1 / error if weighted else None,
            )  # fmt: skip
            back = true.sky_to_pixel(*found.pixel_to_sky(*CENTRE))
            wrong[weighted].append(np.hypot(back[0] - CENTRE[0], back[1] - CENTRE[1]))
    assert np.median(wrong[True]) < np.median(wrong[False]) / 3


@pytest.mark.parametrize("scatter", [0.0, 0.3, 2.0])
def test_scatter_beyond_photon_noise_is_found(scatter):
    """The median of 400 squared residuals is sure to 7 %, so the scatter to some 10 %."""
    rng = np.random.default_rng(8)
    error = rng.uniform(0.05, 0.15, 400)
    total = np.hypot(error, scatter)
    residual = np.hypot(total * rng.normal(size=400), total * rng.normal(size=400))
    found = scatter_px(residual, error)
    assert found == pytest.approx(scatter, rel=0.1, abs=0.06)


def test_a_star_far_off_hardly_moves_the_fit():
    """A bright star 0.4 px off by an unseen companion, among 16 others of 0.02 px."""
    rng = np.random.default_rng(9)
    true, x, y, ra, dec = field(rng, 17)
    error = np.full(17, 0.02)
    error[0] = 0.005
    x, y = x + error * rng.normal(size=17), y + error * rng.normal(size=17)
    x[0] += 0.4
    weights, places = 1 / error, (x, y, ra, dec)
    shift = []
    for _ in range(4):
        found = fit_tan(
            *places, start=(210.0, 54.0), centre=CENTRE, parity=1, affine=True, weights=weights
        )
        back = true.sky_to_pixel(*found.pixel_to_sky(x[0], y[0]))
        shift.append(float(np.hypot(back[0] - x[0], back[1] - y[0])))
        weights = fit_weights(residuals_px(found, *places), error)
    assert shift[0] > 0.2
    assert shift[-1] < shift[0] / 3


def test_errors_of_places_follow_photon_noise():
    """Against the Cramér–Rao bound of a Moffat star on a pixel grid, faint and bright.

    The signal-to-noise ratio is that of a circle of 1.5 star widths, as the star search gives it.
    One figure for both ends: within 30 % of the bound.
    """
    step = np.arange(-15, 16)
    beta = 4.765  # long exposures: Trujillo et al. 2001, MNRAS 328, 977
    core2 = 1.5**2 / (2 ** (1 / beta) - 1)
    base = 1 + (step[:, None] ** 2 + step**2) / core2
    shape = base**-beta * (beta - 1) / (np.pi * core2)
    slope = shape / base * 2 * beta * step / core2
    for total, sky in ((2e3, 900.0), (2e4, 100.0), (1e6, 1.0)):
        bound = 1 / np.sqrt(np.sum((total * slope) ** 2 / (total * shape + sky)))
        snr = total / np.sqrt(total + sky * np.pi * 4.5**2)
        stars = star_list([100.0], [100.0], [total])
        stars.snr[:] = snr
        stars.fwhm_px[:] = 3.0
        found = place_errors_px(stars)[0]
        assert found == pytest.approx(np.hypot(bound, 0.01), rel=0.3)


def test_disturbed_stars_count_for_less():
    stars = star_list([1.0] * 4, [1.0] * 4, [1000.0] * 4)
    stars.flags[1:] = [int(f) for f in (StarFlag.BLENDED, StarFlag.EDGE, StarFlag.SATURATED)]
    plain, blended, edge, saturated = place_errors_px(stars)
    assert plain < blended == edge < saturated
    assert np.all(np.isfinite(place_errors_px(star_list([], [], []))))
