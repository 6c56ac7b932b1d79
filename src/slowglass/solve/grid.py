"""A catalogue laid out for numba: unit vectors sorted by sky cell, with cell offsets.

Cells are declination bands of equal height, each cut into equal steps of right ascension no
narrower than the band is high, so every cell holds a similar share of sky.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

BAND_DEG = 0.5


@dataclass(frozen=True)
class SkyGrid:
    """Stars sorted by cell. ``vectors`` (n, 3), ``mag`` (n,); cells in compressed-row form."""

    vectors: Floats
    mag: Floats
    band_first: Ints
    """(bands + 1,): index of each band's first cell."""
    cell_first: Ints
    """(cells + 1,): index of each cell's first star."""
    order: Ints
    """(n,): row of each star in the arrays the grid was built from."""

    def __len__(self) -> int:
        return len(self.mag)

    def args(self) -> tuple[Floats, Ints, Ints]:
        """The arrays a lookup needs."""
        return self.vectors, self.band_first, self.cell_first


def build_grid(vectors: Floats, mag: Floats) -> SkyGrid:
    """Sort a catalogue into cells."""
    bands = round(180.0 / BAND_DEG)
    edges = np.radians(-90.0 + BAND_DEG * np.arange(bands + 1))
    widest = np.maximum(np.cos(edges[:-1]), np.cos(edges[1:]))
    cells_in_band = np.maximum(1, np.floor(360.0 * widest / BAND_DEG)).astype(np.int64)
    band_first = np.concatenate(([0], np.cumsum(cells_in_band)))
    cell = np.array(_cells_of(np.ascontiguousarray(vectors, dtype=np.float64), band_first))
    order = np.argsort(cell, kind="stable")
    counts = np.bincount(cell, minlength=int(band_first[-1]))
    cell_first = np.concatenate(([0], np.cumsum(counts))).astype(np.int64)
    return SkyGrid(
        np.ascontiguousarray(vectors[order], dtype=np.float64),
        np.ascontiguousarray(mag[order], dtype=np.float64),
        band_first,
        cell_first,
        order.astype(np.int64),
    )


@njit(cache=True)
def _cells_of(vectors, band_first):
    out = np.empty(len(vectors), np.int64)
    for i in range(len(vectors)):
        band, ra = _band_and_ra(vectors[i, 0], vectors[i, 1], vectors[i, 2], len(band_first) - 1)
        n = band_first[band + 1] - band_first[band]
        out[i] = band_first[band] + min(n - 1, int(ra * n))
    return out


@njit(cache=True, inline="always")
def _band_and_ra(x, y, z, bands):
    """Band number and right ascension as a fraction of a turn."""
    dec = np.arcsin(max(-1.0, min(1.0, z)))
    band = int((dec / np.pi + 0.5) * bands)
    if band < 0:
        band = 0
    if band > bands - 1:
        band = bands - 1
    ra = np.arctan2(y, x) / (2.0 * np.pi)
    if ra < 0.0:
        ra += 1.0
    return band, ra


@njit(cache=True, inline="always")
def _reach(x, y, z, radius_rad, bands):
    """Bands a cone touches, its right ascension in turns, and the reach in RA (0.5: all)."""
    dec = np.arcsin(max(-1.0, min(1.0, z)))
    low = max(0, min(bands - 1, int(((dec - radius_rad) / np.pi + 0.5) * bands)))
    high = max(0, min(bands - 1, int(((dec + radius_rad) / np.pi + 0.5) * bands)))
    ra = np.arctan2(y, x) / (2.0 * np.pi)
    if ra < 0.0:
        ra += 1.0
    # Largest RA offset reached by a cone: sin(dra) = sin(r) / cos(dec); all RA past the pole.
    half_turn = 0.5
    if abs(dec) + radius_rad < np.pi / 2:
        sine = min(1.0, np.sin(radius_rad) / np.cos(dec))
        half_turn = np.arcsin(sine) / (2.0 * np.pi) + 1e-9
    return low, high, ra, half_turn


@njit(cache=True, inline="always")
def _cells(ra, half_turn, n):
    """First and last cell of a band of ``n`` cells within reach (modulo ``n``)."""
    first = int(np.floor((ra - half_turn) * n))
    last = int(np.floor((ra + half_turn) * n))
    if half_turn >= 0.5 or last - first >= n:
        return 0, n - 1
    return first, last


@njit(cache=True)
def nearest_star(x, y, z, radius_rad, faintest, vectors, mags, band_first, cell_first):
    """Index of the star nearest to a unit vector, or −1 when none lies within a (small) radius.

    Stars fainter than ``faintest`` are passed over.
    """
    low, high, ra, half_turn = _reach(x, y, z, radius_rad, len(band_first) - 1)
    best = -1
    best_chord2 = radius_rad * radius_rad
    for band in range(low, high + 1):
        first = band_first[band]
        n = band_first[band + 1] - first
        cell_low, cell_high = _cells(ra, half_turn, n)
        for c in range(cell_low, cell_high + 1):
            cell = first + (c % n)
            for s in range(cell_first[cell], cell_first[cell + 1]):
                dx = vectors[s, 0] - x
                dy = vectors[s, 1] - y
                dz = vectors[s, 2] - z
                chord2 = dx * dx + dy * dy + dz * dz
                if chord2 < best_chord2 and mags[s] <= faintest:
                    best_chord2 = chord2
                    best = s
    return best


@njit(cache=True)
def stars_in_cone(x, y, z, radius_rad, vectors, band_first, cell_first, out):
    """Fill ``out`` with the indices of the stars in a cone; return how many there are.

    Counts past the end of ``out`` are returned but not stored.
    """
    low, high, ra, half_turn = _reach(x, y, z, radius_rad, len(band_first) - 1)
    chord = 2.0 * np.sin(min(radius_rad, np.pi) / 2.0)
    count = 0
    for band in range(low, high + 1):
        first = band_first[band]
        n = band_first[band + 1] - first
        cell_low, cell_high = _cells(ra, half_turn, n)
        for c in range(cell_low, cell_high + 1):
            cell = first + (c % n)
            for s in range(cell_first[cell], cell_first[cell + 1]):
                dx = vectors[s, 0] - x
                dy = vectors[s, 1] - y
                dz = vectors[s, 2] - z
                if dx * dx + dy * dy + dz * dz <= chord * chord:
                    if count < len(out):
                        out[count] = s
                    count += 1
    return count
