"""Constellations and letters against Roman (1987) through astropy."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from astropy.coordinates import SkyCoord, get_constellation
from hypothesis import given
from hypothesis import strategies as st

from slowglass.sky.bayer import designations
from slowglass.sky.constellations import boundaries, constellations_at, neighbour_lines, zones
from slowglass.sky.coords import offset_point, separation_deg, unit_vectors


def test_places_over_the_whole_sky_agree_with_astropy():
    rng = np.random.default_rng(7)
    ra, dec = rng.uniform(0, 360, 4000), np.degrees(np.arcsin(rng.uniform(-1, 1, 4000)))
    theirs = get_constellation(SkyCoord(ra, dec, unit="deg"), short_name=True)
    ours = np.array(constellations_at(ra, dec))
    # astropy takes aberration along on the way to 1875: up to 20″ at a border
    different = np.flatnonzero(ours != theirs)
    assert len(different) <= 8
    for i in different:
        ring_ra, ring_dec = offset_point(ra[i], dec[i], np.arange(0, 360, 15.0), 40 / 3600)
        assert theirs[i] in constellations_at(ring_ra, ring_dec)


def test_there_are_88_and_no_place_without_one():
    assert len(zones().names) == 88
    assert zones().code.min() >= 0


def test_every_designated_star_lies_in_its_constellation(sky):
    """Letters are from memory: the constellation of each is checked by astropy's own code."""
    known = designations()
    stars = [(known[hip], sky.stars.by_hip(hip)) for hip in known]
    assert all(star is not None for _, star in stars)
    ra = [float(star.ra_deg[0]) for _, star in stars]
    dec = [float(star.dec_deg[0]) for _, star in stars]
    theirs = get_constellation(SkyCoord(ra, dec, unit="deg"), short_name=True)
    wrong = [(name, c) for (name, _), c in zip(stars, theirs, strict=True) if name.split()[-1] != c]
    assert wrong == []


def test_the_brightest_400_have_a_letter_but_for_parts_of_doubles(sky):
    bright = sky.stars.brightest(mag_limit=5.0)
    bright = bright.take(np.argsort(bright.v_mag, kind="stable")[:400])
    missing = [int(hip) for hip in bright.hip if int(hip) not in designations()]
    # fainter parts of Castor, Porrima and γ Lupi, which Hipparcos has as one entry
    assert missing == [0, 0, 0]


def test_no_letter_is_given_twice():
    names = list(designations().values())
    assert len(set(names)) == len(names)


def test_brighter_letters_come_first_in_well_known_figures(sky):
    """Order of brightness of Orion's and Cassiopeia's chief stars (Bright Star Catalogue V)."""
    by_name = {name: hip for hip, name in designations().items()}
    for names in (("β Ori", "α Ori", "γ Ori", "κ Ori"), ("γ Cas", "α Cas", "δ Cas", "ε Cas")):
        mags = [float(sky.stars.by_hip(by_name[n]).v_mag[0]) for n in names]
        # Betelgeuse, γ Cas and Schedar vary by some tenths
        assert all(a < b + 0.4 for a, b in pairwise(mags)), names


def test_boundaries_part_constellations():
    """A step to either side of a boundary's middle lands in different constellations."""
    parted = 0
    lines = boundaries()
    for ra, dec in lines:
        ra0, dec0 = float(ra[len(ra) // 2]), float(dec[len(dec) // 2])
        if len(ra) == 2:
            ra0, dec0 = offset_mid(ra, dec)
        ring_ra, ring_dec = offset_point(ra0, dec0, np.arange(0, 360, 30.0), 0.05)
        parted += len(set(constellations_at(ring_ra, ring_dec))) > 1
    assert parted >= 0.99 * len(lines)


def offset_mid(ra, dec):
    unit = unit_vectors(ra, dec).mean(axis=0)
    return float(np.degrees(np.arctan2(unit[1], unit[0]))), float(
        np.degrees(np.arcsin(unit[2] / np.linalg.norm(unit)))
    )


@given(st.integers(0, 10_000))
def test_figure_lines_have_no_third_star_nearer_to_both_ends(seed):
    rng = np.random.default_rng(seed)
    ra, dec = rng.uniform(50, 70, 12), rng.uniform(10, 30, 12)
    vectors = unit_vectors(ra, dec)
    away = separation_deg(ra[:, None], dec[:, None], ra[None], dec[None])
    lines = neighbour_lines(vectors, 90.0)
    for a, b in lines:
        third = np.maximum(away[a], away[b])
        third[[a, b]] = np.inf
        assert third.min() >= away[a, b] - 1e-9
    # the graph holds the shortest tree, so every star is joined (Toussaint 1980)
    joined = {0}
    for _ in vectors:
        joined |= {b for a, b in lines if a in joined} | {a for a, b in lines if b in joined}
    assert len(joined) == 12


def test_figures_stay_inside_their_constellation(sky):
    figures = sky.figures
    assert set(figures.middles) == set(zones().names)
    a = constellations_at(figures.ra_deg[:, 0], figures.dec_deg[:, 0])
    b = constellations_at(figures.ra_deg[:, 1], figures.dec_deg[:, 1])
    assert a == b
    length = separation_deg(
        figures.ra_deg[:, 0], figures.dec_deg[:, 0], figures.ra_deg[:, 1], figures.dec_deg[:, 1]
    )
    assert length.max() == pytest.approx(16.0, abs=2.0)
