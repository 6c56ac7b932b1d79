"""The solver's parts against first principles, brute force and astropy."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from slowglass.sky.wcs import TanWcs
from slowglass.solve.fit import fit_tan, residuals_px
from slowglass.solve.grid import build_grid, stars_within
from slowglass.solve.index import CODE_CELLS, NAME_BITS, PAIR_FIRST, PAIR_SECOND, PAIRS, build_depth
from slowglass.solve.lines import in_a_row
from slowglass.solve.odds import MAG_SIGMA, brightness_density, mag_density, occam_ln
from slowglass.solve.store import open_solver


def random_vectors(rng, n):
    v = rng.normal(size=(n, 3))
    return v / np.linalg.norm(v, axis=1, keepdims=True)


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 10**6),
    dec=st.one_of(st.floats(-90, 90), st.sampled_from([-90.0, 90.0, 89.99, -89.99])),
    ra=st.one_of(st.floats(0, 360), st.sampled_from([0.0, 359.999])),
    radius=st.floats(0.05, 60.0),
)
def test_cone_equals_brute_force(seed, dec, ra, radius):
    rng = np.random.default_rng(seed)
    vectors = random_vectors(rng, 500)
    grid = build_grid(vectors, rng.uniform(0, 10, 500))
    d, a = np.radians(dec), np.radians(ra)
    centre = np.array([np.cos(d) * np.cos(a), np.cos(d) * np.sin(a), np.sin(d)])
    out = np.empty(500, dtype=np.int64)
    count, _ = stars_within(*centre, np.radians(radius), np.inf, *grid.args(), out)
    chord = np.linalg.norm(grid.vectors - centre, axis=1)
    expected = np.flatnonzero(chord <= 2 * np.sin(np.radians(radius) / 2))
    assert sorted(out[:count]) == list(expected)


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 10**6), radius=st.floats(0.1, 5.0), faintest=st.floats(0.0, 10.0))
def test_nearest_equals_brute_force(seed, radius, faintest):
    rng = np.random.default_rng(seed)
    grid = build_grid(random_vectors(rng, 3000), rng.uniform(0, 10, 3000))
    centre = random_vectors(rng, 1)[0]
    _, got = stars_within(*centre, np.radians(radius), faintest, *grid.args(), np.empty(0, int))
    chord = np.linalg.norm(grid.vectors - centre, axis=1)
    chord[grid.mag > faintest] = np.inf
    best = int(np.argmin(chord))
    # The grid compares chords with the angle itself: alike to a part in 10⁴ at 5°.
    if chord[best] < np.radians(radius) * 0.999:
        assert got == best
    elif chord[best] > np.radians(radius):
        assert got == -1


def test_a_3_4_5_triangle_is_filed_under_its_side_ratios():
    """Valdes et al. 1995, PASP 107, 1119: the code of sides 3-4-5 is (b/a, c/a) = (0.8, 0.6)."""
    step = 1e-3
    corners = np.array([[0.0, 0.0], [4 * step, 0.0], [0.0, 3 * step]])
    v = np.column_stack([np.ones(3), corners])
    v /= np.linalg.norm(v, axis=1, keepdims=True)
    depth = build_depth(build_grid(v, np.array([1.0, 2.0, 3.0])), 3)
    assert len(depth.packed) == 1  # each triangle once
    cell = int(np.searchsorted(depth.cell_first, 0, side="right")) - 1
    u, w = divmod(cell, CODE_CELLS)
    assert abs(u / CODE_CELLS - 0.8) <= 1 / CODE_CELLS
    assert abs(w / CODE_CELLS - 0.6) <= 1 / CODE_CELLS


def test_every_listed_triangle_lies_in_the_cell_of_its_shape(sky):
    depth = open_solver(sky).depths[-1]
    vectors = open_solver(sky).grid.vectors[depth.star]
    cells = np.repeat(np.arange(CODE_CELLS**2), np.diff(depth.cell_first))
    names = depth.packed & ((1 << NAME_BITS) - 1)
    for cell, name in list(zip(cells, names, strict=True))[::7]:
        row, pair = divmod(int(name), PAIRS)
        i = depth.neighbours[row, PAIR_FIRST[pair]]
        j = depth.neighbours[row, PAIR_SECOND[pair]]
        sides = sorted(
            np.linalg.norm(vectors[a] - vectors[b]) for a, b in ((i, j), (row, i), (row, j))
        )
        u, w = divmod(int(cell), CODE_CELLS)
        assert u == min(CODE_CELLS - 1, int(sides[1] / sides[2] * CODE_CELLS))
        assert w == min(CODE_CELLS - 1, int(sides[0] / sides[2] * CODE_CELLS))


@pytest.mark.parametrize("affine", [False, True])
def test_fit_recovers_a_solution_exactly(affine):
    rng = np.random.default_rng(3)
    true = TanWcs.from_simple(
        ra_deg=359.9, dec_deg=88.0, width_px=6000, height_px=4000,
        scale_arcsec_per_px=0.62, rotation_deg=123.0, parity=-1,
    )  # fmt: skip
    x, y = rng.uniform(0, 6000, 12), rng.uniform(0, 4000, 12)
    ra, dec = true.pixel_to_sky(x, y)
    fit = fit_tan(
        x, y, ra, dec, start=(10.0, 87.5), centre=(2999.5, 1999.5), parity=-1, affine=affine
    )
    assert np.max(residuals_px(fit, x, y, ra, dec)) < 1e-6
    assert fit.scale_arcsec_per_px == pytest.approx(0.62, rel=1e-9)


def test_affine_fit_agrees_with_astropy():
    """astropy.wcs.utils.fit_wcs_from_points minimises the same squares; 0.02 px covers its own
    stopping rule."""
    import warnings

    from astropy import units as u
    from astropy.coordinates import SkyCoord
    from astropy.wcs.utils import fit_wcs_from_points

    rng = np.random.default_rng(4)
    true = TanWcs.from_simple(
        ra_deg=210.0, dec_deg=54.0, width_px=6000, height_px=4000, scale_arcsec_per_px=0.62,
        rotation_deg=31.0,
    )  # fmt: skip
    x, y = rng.uniform(0, 6000, 40), rng.uniform(0, 4000, 40)
    ra, dec = true.pixel_to_sky(x + rng.normal(0, 0.5, 40), y + rng.normal(0, 0.5, 40))
    ours = fit_tan(
        x, y, ra, dec, start=(210.0, 54.0), centre=(2999.5, 1999.5), parity=1, affine=True
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = fit_wcs_from_points(
            (x, y), SkyCoord(ra * u.deg, dec * u.deg), projection="TAN",
            proj_point=SkyCoord(210.0 * u.deg, 54.0 * u.deg),
        )  # fmt: skip
    grid_x, grid_y = np.meshgrid([0.0, 3000.0, 5999.0], [0.0, 2000.0, 3999.0])
    back_x, back_y = theirs.all_world2pix(*ours.pixel_to_sky(grid_x.ravel(), grid_y.ravel()), 0)
    assert np.max(np.hypot(back_x - grid_x.ravel(), back_y - grid_y.ravel())) < 0.02


def test_two_stars_far_from_the_centre_give_the_solution():
    true = TanWcs.from_simple(
        ra_deg=80.0, dec_deg=-45.0, width_px=6000, height_px=4000, scale_arcsec_per_px=20.0,
        rotation_deg=77.0, parity=1,
    )  # fmt: skip
    x, y = np.array([5500.0, 4200.0]), np.array([3500.0, 3900.0])
    ra, dec = true.pixel_to_sky(x, y)
    found = fit_tan(
        x, y, ra, dec, start=(float(ra[0]), float(dec[0])), centre=(2999.5, 1999.5), parity=1
    )
    px, py = found.sky_to_pixel(*true.pixel_to_sky(100.0, 100.0))
    assert np.hypot(px - 100.0, py - 100.0) < 0.01


def test_brightness_model_is_a_probability():
    delta = np.linspace(-20, 20, 40001)
    assert np.trapezoid(mag_density(delta), delta) == pytest.approx(1.0, abs=1e-6)
    assert mag_density(np.array([0.0]))[0] < 1 / (np.sqrt(2 * np.pi) * MAG_SIGMA)


def test_a_crowd_makes_coincidence_cheap():
    rng = np.random.default_rng(5)
    x = np.concatenate([rng.normal(500, 20, 50), rng.uniform(0, 6000, 50)])
    y = np.concatenate([rng.normal(500, 20, 50), rng.uniform(0, 4000, 50)])
    mean, local = brightness_density(x, y, 6000 * 4000.0, 6000.0)
    assert np.all(local >= mean)
    assert np.median(local[10:50]) > 10 * np.median(mean[10:50])


def test_the_price_of_choice_grows_with_the_prior():
    told = {"rotation_range_rad": 6.28, "ln_scale_range": 0.1, "parities": 2}
    small = occam_ln(4, 1500.0, 0.5, cone_area_px=1e8, **told)
    large = occam_ln(4, 1500.0, 0.5, cone_area_px=1e10, **told)
    assert small - large == pytest.approx(np.log(100.0))


def test_flashes_in_a_row_are_told_from_stars():
    rng = np.random.default_rng(11)
    diagonal = float(np.hypot(6000, 4000))
    taken = 0
    for _ in range(200):
        x, y = rng.uniform(0, 6000, 60), rng.uniform(0, 4000, 60)
        taken += np.count_nonzero(in_a_row(x, y, diagonal))
    assert taken <= 12  # one chance row in 200 lists, or two
    along = rng.uniform(0, 3500, 8)
    x = np.concatenate([400 + along * 0.8, x])
    y = np.concatenate([300 + along * 0.6 + rng.normal(0, 0.7, 8), y])
    row = in_a_row(x, y, diagonal)
    assert row[:8].all()
    assert np.count_nonzero(row[8:]) <= 2
    assert not in_a_row(x[:4], y[:4], diagonal).any()
