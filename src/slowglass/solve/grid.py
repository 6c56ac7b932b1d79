"""A catalogue laid out for numba: unit vectors sorted by sky cell, with cell offsets.

Cells are bands of equal height along the polar axis, which have equal areas, each cut into the
same number of steps round it. A step is even in y / (|x| + |y|), which grows with right ascension
as the angle does and needs no trigonometry: the search looks stars up a hundred million times.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

BANDS = 360
STEPS = 720
"""Cells of 0.16 square degrees, half a degree by a third at the equator."""


@dataclass(frozen=True)
class SkyGrid:
    """Stars sorted by cell. ``vectors`` (n, 3), ``mag`` (n,); cells in compressed-row form."""

    vectors: Floats
    mag: Floats
    cell_first: Ints
    """(cells + 1,): index of each cell's first star."""
    order: Ints
    """(n,): row of each star in the arrays the grid was built from."""

    def __len__(self) -> int:
        return len(self.mag)

    def args(self) -> tuple[Floats, Floats, Ints]:
        """The arrays a lookup needs."""
        return self.vectors, self.mag, self.cell_first


def build_grid(vectors: Floats, mag: Floats) -> SkyGrid:
    """Sort a catalogue into cells."""
    cell = np.array(_cells_of(np.ascontiguousarray(vectors, dtype=np.float64)))
    order = np.argsort(cell, kind="stable")
    counts = np.bincount(cell, minlength=BANDS * STEPS)
    cell_first = np.concatenate(([0], np.cumsum(counts))).astype(np.int64)
    return SkyGrid(
        np.ascontiguousarray(vectors[order], dtype=np.float64),
        np.ascontiguousarray(mag[order], dtype=np.float64),
        cell_first,
        order.astype(np.int64),
    )


@njit(cache=True)
def _cells_of(vectors):
    out = np.empty(len(vectors), np.int64)
    for i in range(len(vectors)):
        step = min(STEPS - 1, int(_round(vectors[i, 0], vectors[i, 1]) * STEPS))
        out[i] = _band(vectors[i, 2]) * STEPS + step
    return out


@njit(cache=True, inline="always")
def _band(z):
    return max(0, min(BANDS - 1, int((z + 1.0) * (0.5 * BANDS))))


@njit(cache=True, inline="always")
def _round(x, y):
    """A number in [0, 1) that grows with right ascension: quarters of a turn are exact."""
    size = abs(x) + abs(y)
    if size == 0.0:
        return 0.0
    part = 0.25 * y / size
    if x < 0.0:
        return 0.5 - part
    return part if part >= 0.0 else 1.0 + part


@njit(cache=True)
def stars_within(x, y, z, radius_rad, faintest, vectors, mags, cell_first, out):
    """How many stars lie in a cone round a unit vector, and the nearest of them (−1 for none).

    Stars fainter than ``faintest`` are passed over. ``out`` is filled with the indices of the
    stars; those past its end are counted but not stored.
    """
    radius = min(radius_rad, np.pi)
    low, high = _band(z - radius), _band(z + radius)
    turn = _round(x, y)
    # Largest offset reached in right ascension: sin(dra) = sin(r) / cos(dec); all past the pole.
    half_turn = 0.5
    cos_dec = np.sqrt(max(0.0, 1.0 - z * z))
    if radius < 0.3 * cos_dec:
        # arcsin s < 1.02 s here; a turn's number grows by at most a quarter per radian.
        half_turn = 0.255 * radius / cos_dec
    chord2 = radius * radius * (1.0 - radius * radius / 12.0)
    if radius > 0.1:
        chord2 = 4.0 * np.sin(0.5 * radius) ** 2
    first, last = 0, STEPS - 1
    if half_turn < 0.5:
        first = int(np.floor((turn - half_turn) * STEPS))
        last = min(first + STEPS - 1, int(np.floor((turn + half_turn) * STEPS)))
    nearest = -1
    nearest_chord2 = 5.0
    count = 0
    for band in range(low, high + 1):
        # Cells side by side hold stars side by side, but for the step from 24h to 0h.
        for piece in range(3):
            a, b = max(first, (piece - 1) * STEPS), min(last, piece * STEPS - 1)
            if a > b:
                continue
            start = band * STEPS - (piece - 1) * STEPS
            for s in range(cell_first[start + a], cell_first[start + b + 1]):
                dx = vectors[s, 0] - x
                dy = vectors[s, 1] - y
                dz = vectors[s, 2] - z
                gap2 = dx * dx + dy * dy + dz * dz
                if gap2 <= chord2 and mags[s] <= faintest:
                    if count < len(out):
                        out[count] = s
                    count += 1
                    if gap2 < nearest_chord2:
                        nearest_chord2 = gap2
                        nearest = s
    return count, nearest
