"""Constellations: which one a place lies in, where they end, and guide figures of our own.

Boundaries: Roman 1987, PASP 99, 695 (catalogue VI/42), the table that the astropy package
carries; its zones lie along lines of right ascension and declination of equinox B1875. The
guide figures join bright stars by a rule, not by tradition: two stars are joined when no third
is nearer to both of them (the relative neighbourhood graph, Toussaint 1980, Pattern Recognition
12, 261, made to draw what the eye sees in a set of dots).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from importlib.util import find_spec
from pathlib import Path

import erfa
import numpy as np
import numpy.typing as npt

from slowglass.errors import CatalogueMissing
from slowglass.sky.catalogue import StarCatalogue
from slowglass.sky.coords import sky_angles, unit_vectors

Floats = npt.NDArray[np.float64]

B1875_JD = 2405889.258550475
"""Besselian epoch 1875.0 as a Julian date (SOFA iauEpb2jd)."""
FIGURE_MAG = 4.5
FIGURE_STARS = 14
FEWEST_FIGURE_STARS = 3
LONGEST_LINE_DEG = 16.0
DOUBLE_DEG = 0.25
PIECE_DEG = 2.0
"""Boundaries are cut into pieces no longer than this, so that they bend on a chart."""


@dataclass(frozen=True, eq=False)
class Zones:
    """Roman's zones on a grid of B1875: ``code[i, j]`` is the constellation between
    ``dec_deg[i]`` and ``dec_deg[i + 1]``, ``ra_deg[j]`` and ``ra_deg[j + 1]``."""

    ra_deg: Floats
    dec_deg: Floats
    code: npt.NDArray[np.int16]
    names: tuple[str, ...]


@lru_cache(maxsize=1)
def zones() -> Zones:
    """The zones of the whole sky."""
    spec = find_spec("astropy")
    where = spec.submodule_search_locations if spec is not None else None
    if not where:
        raise CatalogueMissing("the package astropy is not installed", "pip install astropy")
    path = Path(where[0]) / "coordinates" / "data" / "constellation_data_roman87.dat"
    rows = [
        line.split()
        for line in path.read_text(encoding="ascii").splitlines()
        if line.strip() and not line.startswith("#")
    ]
    low = np.array([float(row[0]) * 15.0 for row in rows])
    high = np.array([float(row[1]) * 15.0 for row in rows])
    floor = np.array([float(row[2]) for row in rows])
    names = tuple(sorted({row[3] for row in rows}))
    number = np.array([names.index(row[3]) for row in rows], dtype=np.int16)
    ra = np.unique(np.concatenate([[0.0, 360.0], low, high]))
    dec = np.unique(np.concatenate([[-90.0, 90.0], floor]))
    code = np.full((len(dec) - 1, len(ra) - 1), -1, dtype=np.int16)
    # The first row of the table that holds a place names it.
    for i in range(len(rows)):
        columns = slice(int(np.searchsorted(ra, low[i])), int(np.searchsorted(ra, high[i])))
        block = code[int(np.searchsorted(dec, floor[i])) :, columns]
        block[block < 0] = number[i]
    return Zones(ra, dec, code, names)


@lru_cache(maxsize=1)
def _to_1875() -> Floats:
    return np.asarray(erfa.pmat06(B1875_JD, 0.0))


def constellations_at(ra_deg: npt.ArrayLike, dec_deg: npt.ArrayLike) -> list[str]:
    """Three-letter names of the constellations that ICRS places lie in."""
    ra, dec = sky_angles(np.atleast_2d(unit_vectors(ra_deg, dec_deg)) @ _to_1875().T)
    table = zones()
    i = np.clip(np.searchsorted(table.dec_deg, dec, side="right") - 1, 0, len(table.code) - 1)
    j = np.clip(np.searchsorted(table.ra_deg, ra, side="right") - 1, 0, table.code.shape[1] - 1)
    return [table.names[k] for k in table.code[i, j]]


@lru_cache(maxsize=1)
def boundaries() -> tuple[tuple[Floats, Floats], ...]:
    """Lines (ra, dec), ICRS degrees, along which constellations meet."""
    table = zones()
    ra, dec, code = table.ra_deg, table.dec_deg, table.code
    lines: list[tuple[Floats, Floats]] = []
    around = np.roll(code, 1, axis=1)
    for j in range(code.shape[1]):
        for first, last in _runs(code[:, j] != around[:, j]):
            n = _pieces(dec[last] - dec[first])
            lines.append((np.full(n, ra[j]), np.linspace(dec[first], dec[last], n)))
    for i in range(1, code.shape[0]):
        for first, last in _runs(code[i] != code[i - 1]):
            n = _pieces(ra[last] - ra[first])
            lines.append((np.linspace(ra[first], ra[last], n), np.full(n, dec[i])))
    back = _to_1875()
    return tuple(sky_angles(unit_vectors(a, d) @ back) for a, d in lines)


def _pieces(length_deg: float) -> int:
    return max(2, int(np.ceil(length_deg / PIECE_DEG)) + 1)


def _runs(flags: npt.NDArray[np.bool_]) -> list[tuple[int, int]]:
    """(first, one past the last) of each run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]]).astype(np.int8)))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


@dataclass(frozen=True, eq=False)
class Figures:
    """Guide figures: line ends (n, 2) as ICRS degrees, and a middle for each constellation."""

    ra_deg: Floats
    dec_deg: Floats
    middles: dict[str, tuple[float, float]]


def guide_figures(stars: StarCatalogue) -> Figures:
    """The guide figures of every constellation from its stars to V = 4.5, at most 14."""
    bright = stars.brightest(mag_limit=FIGURE_MAG + 0.5)
    bright = bright.take(np.argsort(bright.v_mag, kind="stable"))
    where = np.array(constellations_at(bright.ra_deg, bright.dec_deg))
    ends: list[tuple[int, int]] = []
    middles: dict[str, tuple[float, float]] = {}
    for name in sorted(set(where.tolist())):
        rows = np.flatnonzero(where == name)
        rows = rows[: max(FEWEST_FIGURE_STARS, int(np.sum(bright.v_mag[rows] <= FIGURE_MAG)))]
        rows = rows[_single(bright.vectors[rows])][:FIGURE_STARS]
        vectors = bright.vectors[rows]
        ends += [(int(rows[a]), int(rows[b])) for a, b in neighbour_lines(vectors)]
        ra, dec = sky_angles(vectors.mean(axis=0))
        middles[name] = float(ra), float(dec)
    index = np.array(ends, dtype=np.int64).reshape(-1, 2)
    return Figures(bright.ra_deg[index], bright.dec_deg[index], middles)


def _single(vectors: Floats) -> npt.NDArray[np.bool_]:
    """Marks stars without a brighter one, earlier in the list, so near that both look like one."""
    gap = np.linalg.norm(vectors[:, None] - vectors[None, :], axis=2)
    return ~np.any(np.tril(gap < np.radians(DOUBLE_DEG), -1), axis=1)


def neighbour_lines(
    vectors: Floats, longest_deg: float = LONGEST_LINE_DEG
) -> list[tuple[int, int]]:
    """Pairs of unit vectors (n, 3) with no third nearer to both, and not too far apart."""
    gap = np.linalg.norm(vectors[:, None] - vectors[None, :], axis=2)
    longest = 2.0 * np.sin(np.radians(longest_deg) / 2.0)
    found = []
    for a in range(len(vectors)):
        for b in range(a + 1, len(vectors)):
            nearer = np.maximum(gap[a], gap[b]) < gap[a, b]
            nearer[[a, b]] = False
            if gap[a, b] <= longest and not nearer.any():
                found.append((a, b))
    return found
