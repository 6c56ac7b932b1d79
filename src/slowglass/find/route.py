"""The star-hop: the cheapest chain of recognisable stars from a naked-eye star to a target.

A leg is never longer than the usable move, so the star just left is still at one edge of the
field when the next appears at the other. Among chains that obey this, the cost prefers few
legs, bright and unmistakable stars, short last moves, and a bright anchor.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

USABLE_SHARE = 0.9
"""Share of a field that a leg may span: both stars must be inside the edge at one moment."""
LOOK_ALIKE_MAG = 0.5
"""Two stars closer than this in magnitude are easily taken for each other."""
RIVALS_ALLOWED = 3
"""A star is recognisable when fewer than this many as bright or brighter lie within half a
field of it."""
EASY_ANCHOR_MAG = 2.5
"""Stars this bright are found by the naked eye at once."""
ANCHOR_COST_PER_MAG = 1.2
"""Legs one would rather walk than start from a star a magnitude fainter."""
EASY_HOP_MAG = 6.5
"""Stars this bright stand out in any eyepiece field."""
HOP_COST_PER_MAG = 0.3
RIVAL_COST = 0.3


@dataclass(frozen=True)
class Leg:
    """One move between two recognisable places.

    ``direction_deg`` is the position angle at the start; ``ra_move_deg`` and ``dec_move_deg``
    are axis turns, east and north positive.
    """

    from_name: str
    to_name: str
    distance_deg: float
    direction_deg: float
    ra_move_deg: float
    dec_move_deg: float
    text: str
    to_ra_deg: float
    to_dec_deg: float

    def as_json(self) -> dict[str, Any]:
        """The leg with the names of the machine output."""
        return {
            "from": self.from_name,
            "to": self.to_name,
            "distance_deg": round(self.distance_deg, 4),
            "direction_deg": round(self.direction_deg, 1),
            "ra_move_deg": round(self.ra_move_deg, 4),
            "dec_move_deg": round(self.dec_move_deg, 4),
            "text": self.text,
            "to_ra_deg": round(self.to_ra_deg, 5),
            "to_dec_deg": round(self.to_dec_deg, 5),
        }


@dataclass(frozen=True)
class Hop:
    """Indices of the stars walked over, anchor first (the target itself is not among them)."""

    stars: tuple[int, ...]
    cost: float


def rivals_within(vectors: Floats, mag: Floats, radius_deg: float) -> tuple[Any, Any]:
    """Per star, how many neighbours within a radius are brighter, and how many look alike.

    ``vectors`` are unit vectors (n, 3). Both counts are int arrays (n,).
    """
    from scipy.spatial import cKDTree

    brighter = np.zeros(len(mag), dtype=np.int64)
    alike = np.zeros(len(mag), dtype=np.int64)
    pairs = cKDTree(vectors).query_pairs(chord(radius_deg), output_type="ndarray")
    if len(pairs):
        first, second = pairs[:, 0], pairs[:, 1]
        second_fainter = mag[first] <= mag[second]
        fainter = np.where(second_fainter, second, first)
        np.add.at(brighter, fainter, 1)
        close = np.abs(mag[first] - mag[second]) < LOOK_ALIKE_MAG
        np.add.at(alike, first[close], 1)
        np.add.at(alike, second[close], 1)
    return brighter, alike


def hop_path(
    vectors: Floats,
    mag: Floats,
    target: Floats,
    anchors: npt.NDArray[np.bool_],
    *,
    max_leg_deg: float,
) -> Hop | None:
    """The cheapest hop from any anchor to the target, or None when the stars leave a gap.

    ``vectors`` (n, 3) and ``target`` (3,) are unit vectors, ``anchors`` marks the stars a hop may
    start from. No leg, the last one included, exceeds ``max_leg_deg``.
    """
    if len(mag) == 0 or not anchors.any():
        return None
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import dijkstra
    from scipy.spatial import cKDTree

    brighter, alike = rivals_within(vectors, mag, max_leg_deg / 2.0)
    keep = np.flatnonzero((brighter < RIVALS_ALLOWED) | anchors)
    points, light, start = vectors[keep], mag[keep], anchors[keep]
    toll = HOP_COST_PER_MAG * np.maximum(0.0, light - EASY_HOP_MAG) + RIVAL_COST * np.minimum(
        alike[keep], 4
    )
    n = len(keep)
    tree = cKDTree(points)
    pairs = tree.query_pairs(chord(max_leg_deg), output_type="ndarray").reshape(-1, 2)
    length = np.linalg.norm(points[pairs[:, 0]] - points[pairs[:, 1]], axis=1)
    step = 1.0 + 0.3 * (length / chord(max_leg_deg)) ** 2
    near = np.asarray(tree.query_ball_point(target, chord(max_leg_deg)), dtype=np.int64)
    last = 1.0 + np.linalg.norm(points[near] - target, axis=1) / chord(max_leg_deg)
    first = np.flatnonzero(start)
    first_cost = 0.01 + ANCHOR_COST_PER_MAG * np.maximum(0.0, light[first] - EASY_ANCHOR_MAG)

    # nodes: the stars, then the target (n), then the naked eye (n + 1), which reaches anchors
    rows = np.concatenate([pairs[:, 0], pairs[:, 1], near, np.full(len(first), n + 1)])
    columns = np.concatenate([pairs[:, 1], pairs[:, 0], np.full(len(near), n), first])
    costs = np.concatenate([step + toll[pairs[:, 1]], step + toll[pairs[:, 0]], last, first_cost])
    graph = coo_matrix((costs, (rows, columns)), shape=(n + 2, n + 2)).tocsr()
    distance, before = dijkstra(graph, indices=n + 1, return_predecessors=True)
    if not np.isfinite(distance[n]):
        return None
    walked: list[int] = []
    node = int(before[n])
    while node != n + 1:
        walked.append(int(keep[node]))
        node = int(before[node])
    return Hop(tuple(reversed(walked)), float(distance[n]))


ADVANCE = 0.65
"""How far a hop gets per leg, as a share of the longest move: the mean over 25 bright objects
from two sites was 0.66, a tenth of them below 0.5, since stars seldom lie on the straight way."""


def estimate_legs(distance_deg: npt.ArrayLike, max_leg_deg: float) -> npt.NDArray[np.int64]:
    """About how many legs a hop of this length takes, from its length alone (at least 1)."""
    legs = np.ceil(np.asarray(distance_deg, float) / (ADVANCE * max_leg_deg))
    return np.maximum(1, legs).astype(np.int64)


def chord(angle_deg: float) -> float:
    """Straight-line distance between unit vectors this angle apart."""
    return float(2.0 * np.sin(np.radians(angle_deg) / 2.0))


def compass_words(position_angle_deg: float) -> str:
    """A position angle in words: 0 "north", 90 "east", 22.5 "north-north-east", …"""
    names = (
        "north",
        "north-north-east",
        "north-east",
        "east-north-east",
        "east",
        "east-south-east",
        "south-east",
        "south-south-east",
        "south",
        "south-south-west",
        "south-west",
        "west-south-west",
        "west",
        "west-north-west",
        "north-west",
        "north-north-west",
    )
    return names[round(position_angle_deg / 22.5) % 16]
