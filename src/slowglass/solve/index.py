"""The triangle index: catalogue shapes that a frame of any size may hold, findable by shape.

The catalogue is taken at several depths, each some two times sparser than the one before, so
that a frame of any width finds a depth at which it holds about a dozen stars. At each depth every
star forms triangles with pairs of its nearest neighbours. A triangle is filed by the ratios of
its middle and shortest side to its longest, which neither scale, rotation nor mirroring changes.
With it go the order of its corners' brightness and a coarse size, so that most unfit candidates
are passed over without looking up their stars.

Source of the shape code: Valdes et al. 1995, PASP 107, 1119 (side ratios b/a and c/a).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit
from scipy.spatial import cKDTree

from slowglass.solve.grid import SkyGrid

NEIGHBOURS = 8
PAIRS = NEIGHBOURS * (NEIGHBOURS - 1) // 2
CODE_CELLS = 512
DEPTH_RATIO = 2.2
NAME_BITS = 24
MOST_ROWS = (1 << NAME_BITS) // PAIRS
"""A triangle's name, row · PAIRS + pair, must fit in its bits."""
ORDER_SHIFT = 24
SIZE_SHIFT = 27
SPARSEST = 120
THINNEST = 0.04
"""Shortest over longest side below which a triangle says too little."""

PAIR_FIRST = np.array(
    [i for i in range(NEIGHBOURS) for j in range(i + 1, NEIGHBOURS)], dtype=np.int64
)
PAIR_SECOND = np.array(
    [j for i in range(NEIGHBOURS) for j in range(i + 1, NEIGHBOURS)], dtype=np.int64
)


@dataclass(frozen=True)
class Depth:
    """The triangles of one catalogue depth.

    ``star`` (m,) maps this depth's stars to rows of the grid; ``neighbours`` (m, 8) holds rows
    of this depth; ``packed`` lists triangles sorted by shape cell, each as ``row · PAIRS + pair``
    (24 bits), brightness order of its corners (3 bits) and size code (5 bits); ``cell_first``
    (cells + 1,) delimits the cells.
    """

    star: npt.NDArray[np.int32]
    neighbours: npt.NDArray[np.int32]
    packed: npt.NDArray[np.uint32]
    cell_first: npt.NDArray[np.int32]


def depth_sizes(n: int) -> list[int]:
    """Number of brightest stars at each depth, deepest first."""
    sizes: list[int] = []
    size = float(min(n, MOST_ROWS))
    while size >= SPARSEST:
        sizes.append(int(size))
        size /= DEPTH_RATIO
    return sizes or [n]


def build_depth(grid: SkyGrid, count: int) -> Depth:
    """File the triangles among the ``count`` brightest stars of a catalogue."""
    star = np.sort(np.argsort(grid.mag, kind="stable")[:count]).astype(np.int32)
    vectors = np.ascontiguousarray(grid.vectors[star])
    k = min(NEIGHBOURS, len(star) - 1)
    _, near = cKDTree(vectors).query(vectors, k=k + 1, workers=-1)
    neighbours = np.full((len(star), NEIGHBOURS), -1, dtype=np.int32)
    neighbours[:, :k] = near[:, 1:]
    del near
    mag = np.ascontiguousarray(grid.mag[star])
    packed, cell_first = _file_triangles(vectors, mag, neighbours, PAIR_FIRST, PAIR_SECOND)
    return Depth(star, neighbours, packed, cell_first)


@njit(cache=True, inline="always")
def _chord(v, i, j):
    dx = v[i, 0] - v[j, 0]
    dy = v[i, 1] - v[j, 1]
    dz = v[i, 2] - v[j, 2]
    return np.sqrt(dx * dx + dy * dy + dz * dz)


@njit(cache=True)
def _holds(row, star):
    for value in row:  # noqa: SIM110 (numba has no any() over a generator)
        if value == star:
            return True
    return False


@njit(cache=True)
def size_code(size_rad):
    """Size of a triangle in steps of 2^0.4, 0…31, from 2^−13 radians (25″) up."""
    return min(31, max(0, int((np.log2(size_rad) + 13.0) * 2.5)))


@njit(cache=True, inline="always")
def sort_corners(s0, s1, s2, corner):
    """Sort sides to falling length, corners (opposite their sides) along with them."""
    if s0 < s1:
        s0, s1 = s1, s0
        corner[0], corner[1] = corner[1], corner[0]
    if s1 < s2:
        s1, s2 = s2, s1
        corner[1], corner[2] = corner[2], corner[1]
    if s0 < s1:
        s0, s1 = s1, s0
        corner[0], corner[1] = corner[1], corner[0]
    return s0, s1, s2


@njit(cache=True)
def _file_triangles(vectors, mag, neighbours, pair_first, pair_second):
    """Packed names of the triangles, each once, in the order of their shape cells; where each cell
    begins.

    Gone through twice, first to count: lists of some ten million unsorted triangles and of their
    ranks are what a small laptop lacks room for.
    """
    first = np.zeros(CODE_CELLS * CODE_CELLS + 1, np.int32)
    packed = np.empty(0, np.uint32)
    following = first[:-1]
    corner = np.empty(3, np.int64)
    n_pairs = len(pair_first)
    for filing in (False, True):
        if filing:
            for cell in range(len(first) - 1):
                first[cell + 1] += first[cell]
            following = first[:-1].copy()
            packed = np.empty(first[-1], np.uint32)
        for s in range(len(vectors)):
            for p in range(n_pairs):
                i = neighbours[s, pair_first[p]]
                j = neighbours[s, pair_second[p]]
                if i < 0 or j < 0:
                    continue
                # A triangle whose corners all know each other is filed by its lowest row only.
                if i < s and _holds(neighbours[i], s) and _holds(neighbours[i], j):
                    continue
                if j < s and _holds(neighbours[j], s) and _holds(neighbours[j], i):
                    continue
                corner[0], corner[1], corner[2] = s, i, j
                longest, middle, shortest = sort_corners(
                    _chord(vectors, i, j), _chord(vectors, s, j), _chord(vectors, s, i), corner
                )
                if shortest < THINNEST * longest:
                    continue
                u = min(CODE_CELLS - 1, int(middle / longest * CODE_CELLS))
                v = min(CODE_CELLS - 1, int(shortest / longest * CODE_CELLS))
                cell = u * CODE_CELLS + v
                if not filing:
                    first[cell + 1] += 1
                    continue
                m0, m1, m2 = mag[corner[0]], mag[corner[1]], mag[corner[2]]
                order = (m0 < m1) + 2 * (m1 < m2) + 4 * (m0 < m2)
                packed[following[cell]] = (
                    (s * n_pairs + p) | (order << ORDER_SHIFT) | (size_code(longest) << SIZE_SHIFT)
                )
                following[cell] += 1
    return packed, first
