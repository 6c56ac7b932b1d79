"""Recognisable places among the stars: a bright star, a pair, a triangle, a kink, a group.

Pure: unit vectors and magnitudes in, arrays out. A place must stand out (its stars are among
the brightest of the view round them) and is measured against its surroundings: how many others
of its kind, alike within what an eye tells apart, could be in view in its stead.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from slowglass.find.alike import likeness_sums

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Kind = Literal["star", "pair", "triangle", "kink", "row", "group"]

KINDS: tuple[Kind, ...] = ("star", "pair", "triangle", "kink", "row", "group")
MOST_MEMBERS = 8
STAR_RANK = 3
"""A star stands out when fewer than this many brighter ones lie within half a field."""
PATTERN_RANK = 6
"""A star counts in a pattern when it is among so many brightest within half a field."""
PAIR_SHARE = 0.2
TRIPLE_SHARE = 0.4
GROUP_SHARE = 0.12
"""Widths of patterns as shares of the field: wider, and the eye does not take them as one."""
TOO_CLOSE_SHARE = 0.008
"""Nearer than this (28″ of a degree's field) two stars look like one at low power."""
SAME_SPOT_SHARE = 0.15
"""Patterns whose middles are nearer than this share of the field are the same spot."""
PAIR_SPREAD_MAG = 1.0
TRIPLE_SPREAD_MAG = 1.5
GROUP_STARS = 4
ROW_BEND_DEG = 12.0
KINK_BEND_DEG = 60.0


@dataclass(frozen=True, eq=False)
class Waypoints:
    """Recognisable places as parallel arrays.

    ``kind`` indexes :data:`KINDS`; ``members`` (n, 8) are star rows, brightest first, −1 beyond
    the last; ``vectors`` unit vectors of the places; ``lead_mag`` and ``faint_mag`` of their
    brightest and faintest star; ``ambiguity`` from 0 (nothing alike in view) toward 1: the chance
    of taking another for it when all that are alike are equally likely.
    """

    kind: Ints
    members: Ints
    vectors: Floats
    lead_mag: Floats
    faint_mag: Floats
    ambiguity: Floats

    def __len__(self) -> int:
        return len(self.kind)

    def stars_of(self, i: int) -> tuple[int, ...]:
        """The star rows of one place, brightest first."""
        return tuple(int(m) for m in self.members[i] if m >= 0)


def find_waypoints(
    vectors: Floats,
    mag: Floats,
    *,
    field_deg: float,
    reach_deg: float,
    keep: npt.NDArray[np.bool_] | None = None,
) -> Waypoints:
    """The places that stand out among stars, brightest first, seen in a field.

    ``reach_deg`` is how far from a place its surroundings go: what could be in view when one
    means to have arrived. Stars marked by ``keep`` are places whatever is around them.
    """
    from scipy.spatial import cKDTree

    n = len(mag)
    order = np.argsort(mag, kind="stable")
    rank = np.empty(n, dtype=np.int64)
    rank[order] = np.arange(n)
    tree = cKDTree(vectors)
    close = _pairs(tree, field_deg / 2.0)
    brighter = np.zeros(n, dtype=np.int64)
    fainter_one = np.where(rank[close[:, 0]] > rank[close[:, 1]], close[:, 0], close[:, 1])
    np.add.at(brighter, fainter_one, 1)

    standing = brighter < STAR_RANK
    if keep is not None:
        standing = standing | keep
    singles = np.flatnonzero(standing)
    good = brighter < PATTERN_RANK
    both = good[close[:, 0]] & good[close[:, 1]]
    close = close[both]
    gap_deg = _apart_deg(vectors, close[:, 0], close[:, 1])

    found = [
        singles[:, None],
        _find_pairs(close, gap_deg, mag, field_deg),
        _find_triples(close, gap_deg, vectors, mag, field_deg),
    ]
    groups = _find_groups(vectors, np.flatnonzero(good), mag, field_deg)
    return _assembled(found, groups, vectors, mag, field_deg, reach_deg)


def _find_pairs(close: Ints, gap_deg: Floats, mag: Floats, field_deg: float) -> Ints:
    wide = (gap_deg <= PAIR_SHARE * field_deg) & (gap_deg >= TOO_CLOSE_SHARE * field_deg)
    even = np.abs(mag[close[:, 0]] - mag[close[:, 1]]) <= PAIR_SPREAD_MAG
    return _by_brightness(close[wide & even], mag)


def _find_triples(
    close: Ints, gap_deg: Floats, vectors: Floats, mag: Floats, field_deg: float
) -> Ints:
    """Threes with every side short enough, nobody too near another, much alike in brightness."""
    from scipy.sparse import coo_matrix

    near = (gap_deg <= TRIPLE_SHARE * field_deg) & (gap_deg >= 3.0 * TOO_CLOSE_SHARE * field_deg)
    sides = close[near]
    even = np.abs(mag[sides[:, 0]] - mag[sides[:, 1]]) <= TRIPLE_SPREAD_MAG
    sides = np.sort(sides[even], axis=1)
    n = len(mag)
    if not len(sides):
        return np.zeros((0, 3), dtype=np.int64)
    graph = coo_matrix((np.ones(len(sides), bool), (sides[:, 0], sides[:, 1])), (n, n)).tocsr()
    # a < b joined, then every c > b joined to b that is joined to a too
    counts = np.diff(graph.indptr)[sides[:, 1]]
    first = np.repeat(sides, counts, axis=0)
    start = np.repeat(graph.indptr[sides[:, 1]], counts)
    inside = np.arange(len(first)) - np.repeat(np.cumsum(counts) - counts, counts)
    third = graph.indices[start + inside]
    key = first[:, 0].astype(np.int64) * n + third
    known = np.sort(sides[:, 0].astype(np.int64) * n + sides[:, 1])
    at = np.clip(np.searchsorted(known, key), 0, len(known) - 1)
    whole = known[at] == key
    return _by_brightness(np.column_stack([first[whole], third[whole]]).astype(np.int64), mag)


def _find_groups(vectors: Floats, good: Ints, mag: Floats, field_deg: float) -> list[Ints]:
    """Knots of at least four stars; of overlapping ones the richest."""
    from scipy.spatial import cKDTree

    if not len(good):
        return []
    points = vectors[good]
    tree = cKDTree(points)
    near = tree.query_ball_point(points, chord(GROUP_SHARE * field_deg), return_length=True)
    taken: set[int] = set()
    groups = []
    for i in np.argsort(-near, kind="stable"):
        if near[i] < GROUP_STARS:
            break
        rows = tree.query_ball_point(points[i], chord(GROUP_SHARE * field_deg))
        if taken.isdisjoint(rows):
            taken.update(rows)
            members = good[np.array(rows, dtype=np.int64)]
            groups.append(members[np.argsort(mag[members], kind="stable")])
    return groups


def _assembled(
    found: list[Ints],
    groups: list[Ints],
    vectors: Floats,
    mag: Floats,
    field_deg: float,
    reach_deg: float,
) -> Waypoints:
    kinds, members, ambiguity = [], [], []
    for number, rows in enumerate(found):
        padded = np.full((len(rows), MOST_MEMBERS), -1, dtype=np.int64)
        padded[:, : rows.shape[1]] = rows
        members.append(padded)
        kind = np.full(len(rows), number, dtype=np.int64)
        if number == 2 and len(rows):
            kind = 2 + _bend_kind(vectors, rows)
        kinds.append(kind)
        centres = _middle(vectors, rows)
        apart = 0.0 if number == 0 else SAME_SPOT_SHARE * field_deg
        sums = likeness_sums(
            centres, pattern_features(vectors, mag, rows), reach_deg=reach_deg, apart_deg=apart,
            others=(vectors, mag[:, None] / MAG_STEP) if number == 0 else None,
        )  # fmt: skip
        ambiguity.append(1.0 - 1.0 / (1.0 + sums))
    if groups:
        padded = np.full((len(groups), MOST_MEMBERS), -1, dtype=np.int64)
        for i, rows in enumerate(groups):
            padded[i, : min(len(rows), MOST_MEMBERS)] = rows[:MOST_MEMBERS]
        centres = np.array([vectors[rows].mean(axis=0) for rows in groups])
        counts = np.array([[len(rows) / GROUP_STEP] for rows in groups])
        sums = likeness_sums(
            centres, counts, reach_deg=reach_deg, apart_deg=SAME_SPOT_SHARE * field_deg
        )
        kinds.append(np.full(len(groups), 5, dtype=np.int64))
        members.append(padded)
        ambiguity.append(1.0 - 1.0 / (1.0 + sums))
    who = np.concatenate(members)
    present = who >= 0
    light = np.where(present, mag[who], np.nan)
    weights = present[..., None] * vectors[who]
    middle = weights.sum(axis=1)
    middle /= np.linalg.norm(middle, axis=1, keepdims=True)
    return Waypoints(
        np.concatenate(kinds),
        who,
        middle,
        np.nanmin(light, axis=1) if len(who) else np.zeros(0),
        np.nanmax(light, axis=1) if len(who) else np.zeros(0),
        np.concatenate(ambiguity),
    )


MAG_STEP = 0.5
"""Brightness difference told apart at a glance, magnitudes (common practice)."""
LENGTH_STEP = 0.2
"""The same for lengths, as a natural logarithm: a fifth."""
ANGLE_STEP_DEG = 20.0
GROUP_STEP = 1.5


def pattern_features(vectors: Floats, mag: Floats, rows: Ints) -> Floats:
    """What an eye compares of each pattern (n, f), in steps it tells apart.

    Magnitudes by brightness; of pairs and threes also lengths of sides by size and the direction
    of the longest, as a point on a circle, since a line has no sign.
    """
    light = mag[rows] / MAG_STEP
    if rows.shape[1] == 1 or not len(rows):
        return light
    size = rows.shape[1]
    ends = [(0, 1)] if size == 2 else [(0, 1), (0, 2), (1, 2)]
    length = np.stack([_apart_deg(vectors, rows[:, a], rows[:, b]) for a, b in ends], axis=1)
    longest = np.argmax(length, axis=1)
    pick = np.array(ends)[longest]
    every = np.arange(len(rows))
    angle = _position_angle(vectors, rows[every, pick[:, 0]], rows[every, pick[:, 1]])
    # radius such that a small turn of the line is its share of the step
    radius = 90.0 / (np.pi * ANGLE_STEP_DEG)
    around = np.column_stack([np.cos(2 * angle), np.sin(2 * angle)]) * radius
    return np.column_stack([light, np.log(np.sort(length, axis=1)) / LENGTH_STEP, around])


def _bend_kind(vectors: Floats, rows: Ints) -> Ints:
    """0 triangle, 1 kink, 2 row of three, by the bend at the middle star."""
    sides = np.stack(
        [_apart_deg(vectors, rows[:, a], rows[:, b]) for a, b in ((1, 2), (0, 2), (0, 1))], axis=1
    )
    sides = np.sort(sides, axis=1)
    a, b, c = sides[:, 0], sides[:, 1], sides[:, 2]
    cosine = (a**2 + b**2 - c**2) / (2.0 * a * b)
    bend = 180.0 - np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0)))
    return np.where(bend <= ROW_BEND_DEG, 2, np.where(bend <= KINK_BEND_DEG, 1, 0))


def _by_brightness(rows: Ints, mag: Floats) -> Ints:
    return np.take_along_axis(rows, np.argsort(mag[rows], axis=1, kind="stable"), axis=1)


def _middle(vectors: Floats, rows: Ints) -> Floats:
    return vectors[rows].mean(axis=1) if len(rows) else np.zeros((0, 3))


def _apart_deg(vectors: Floats, a: Ints, b: Ints) -> Floats:
    gap = np.linalg.norm(vectors[a] - vectors[b], axis=-1)
    return np.degrees(2.0 * np.arcsin(np.clip(gap / 2.0, 0.0, 1.0)))


def _position_angle(vectors: Floats, a: Ints, b: Ints) -> Floats:
    """Position angle of b from a in radians, near enough for neighbours."""
    here, step = vectors[a], vectors[b] - vectors[a]
    flat = np.maximum(np.hypot(here[:, 0], here[:, 1]), 1e-12)
    east = (-here[:, 1] * step[:, 0] + here[:, 0] * step[:, 1]) / flat
    north = (
        step[:, 2] * flat - here[:, 2] * (here[:, 0] * step[:, 0] + here[:, 1] * step[:, 1]) / flat
    )
    return np.arctan2(east, north)


def _pairs(tree: Any, radius_deg: float) -> Ints:
    found = tree.query_pairs(chord(radius_deg), output_type="ndarray")
    return np.asarray(found, dtype=np.int64).reshape(-1, 2)


def chord(angle_deg: float) -> float:
    """Straight-line distance between unit vectors this angle apart."""
    return float(2.0 * np.sin(np.radians(angle_deg) / 2.0))
