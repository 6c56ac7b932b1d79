"""The star-hop: the cheapest chain of recognisable places from a naked-eye star to a target.

A leg is never longer than the usable move, so the place just left is still at one edge of the
field when the next appears at the other. Among chains that obey this, the cost prefers few
legs, bright places without twins in view, short last moves, and a bright anchor.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from slowglass.find.waypoints import KINDS, Kind, Waypoints, chord

Floats = npt.NDArray[np.float64]

USABLE_SHARE = 0.9
"""Share of a field that a leg may span: both places must be inside the edge at one moment."""
HAND_ERROR_SHARE, HAND_ERROR_DEG = 0.1, 0.05
"""How far a turn by hand misses: a tenth of it and 3′."""
EASY_ANCHOR_MAG = 2.5
"""Stars this bright are found by the naked eye at once."""
ANCHOR_COST_PER_MAG = 1.2
"""Legs one would rather walk than start from a star a magnitude fainter."""
EASY_MARGIN_MAG = 3.5
"""Stars brighter than the faintest worth a hop by this much stand out in any field."""
FAINT_COST_PER_MAG = 0.4
AMBIGUITY_COST = 2.5
"""Legs one would rather walk than stop at a place that has many twins in view. Over 24 objects
1.2, 2 and 3 gave 5.8, 6.0 and 6.1 legs with a worst ambiguity of 0.50, 0.42 and 0.33."""
KIND_COST: dict[Kind, float] = {
    "star": 0.0,
    "pair": 0.05,
    "triangle": 0.1,
    "kink": 0.15,
    "row": 0.1,
    "group": 0.05,
}
"""Patterns take a little longer to make out than a star that stands alone."""
OTHER_ANCHOR_DEG = 4.0
"""An alternative starts at least this far from the anchors before it, as seen from the target."""


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
    kind: str = "target"
    """What one arrives at: a star, a pair, a triangle, a kink, a row, a group or the target."""
    ambiguity: float = 0.0
    clock: float | None = None
    """Direction on the sky at that hour, as a clock face seen facing it (12 up); None undated."""
    arrival: str = ""
    wrong: str = ""
    """What tells that the move went wrong."""
    ra_move_min: float = 0.0
    """The RA turn as a time, minutes."""
    fields: float = 0.0
    """The distance in fields."""
    toward: str = ""
    """The named star the move goes toward."""
    stars: tuple[tuple[float, float, float], ...] = ()
    """(ra, dec, V) of the stars of the place arrived at."""

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
            "kind": self.kind,
            "ambiguity": round(self.ambiguity, 3),
            "clock": None if self.clock is None else round(self.clock, 1),
            "toward": self.toward or None,
            "ra_move_min": round(self.ra_move_min, 2),
            "fields": round(self.fields, 3),
            "arrival": self.arrival,
            "wrong": self.wrong,
        }


@dataclass(frozen=True)
class Hop:
    """Rows of the waypoints walked over, anchor first (the target itself is not among them)."""

    stops: tuple[int, ...]
    cost: float


def surroundings_deg(field_deg: float, max_leg_deg: float) -> float:
    """How far from a place one may look and believe to have arrived, degrees.

    Half the field, and what a turn by hand of the longest leg misses by.
    """
    return field_deg / 2.0 + HAND_ERROR_SHARE * max_leg_deg + HAND_ERROR_DEG


def hop_paths(
    places: Waypoints,
    target: Floats,
    anchors: npt.NDArray[np.bool_],
    *,
    max_leg_deg: float,
    hop_limit_mag: float,
    want: int = 1,
) -> list[Hop]:
    """The cheapest hops from different anchors to the target, best first; empty across a gap.

    ``target`` (3,) is a unit vector, ``anchors`` marks the places a hop may start from. No leg,
    the last one included, exceeds ``max_leg_deg``.
    """
    if len(places) == 0 or not anchors.any():
        return []
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import dijkstra
    from scipy.spatial import cKDTree

    points, n = places.vectors, len(places)
    toll = stop_costs(places, hop_limit_mag)
    tree = cKDTree(points)
    reach = chord(max_leg_deg)
    pairs = tree.query_pairs(reach, output_type="ndarray").reshape(-1, 2)
    length = np.linalg.norm(points[pairs[:, 0]] - points[pairs[:, 1]], axis=1)
    step = 1.0 + 0.3 * (length / reach) ** 2
    near = np.asarray(tree.query_ball_point(target, reach), dtype=np.int64)
    last = 1.0 + np.linalg.norm(points[near] - target, axis=1) / reach

    # Searched backwards from the target (node n), so that one search serves every anchor.
    rows = np.concatenate([pairs[:, 1], pairs[:, 0], np.full(len(near), n)])
    columns = np.concatenate([pairs[:, 0], pairs[:, 1], near])
    costs = np.concatenate([step + toll[pairs[:, 1]], step + toll[pairs[:, 0]], last])
    graph = coo_matrix((costs, (rows, columns)), shape=(n + 1, n + 1)).tocsr()
    distance, after = dijkstra(graph, indices=n, return_predecessors=True)

    first = np.flatnonzero(anchors)
    dear = ANCHOR_COST_PER_MAG * np.maximum(0.0, places.lead_mag[first] - EASY_ANCHOR_MAG)
    total = distance[first] + dear
    hops: list[Hop] = []
    used: list[Floats] = []
    for k in np.argsort(total, kind="stable"):
        if len(hops) == want or not np.isfinite(total[k]):
            break
        begin = points[first[k]]
        if any(np.linalg.norm(begin - other) < chord(OTHER_ANCHOR_DEG) for other in used):
            continue
        used.append(begin)
        walked, node = [], int(first[k])
        while node != n:
            walked.append(node)
            node = int(after[node])
        hops.append(Hop(tuple(walked), float(total[k])))
    return hops


def stop_costs(places: Waypoints, hop_limit_mag: float) -> Floats:
    """What stopping at each place costs beyond the leg itself, in legs."""
    faint = np.maximum(0.0, places.faint_mag - (hop_limit_mag - EASY_MARGIN_MAG))
    by_kind = np.array([KIND_COST[kind] for kind in KINDS])
    return FAINT_COST_PER_MAG * faint + AMBIGUITY_COST * places.ambiguity + by_kind[places.kind]


ADVANCE = 0.65
"""How far a hop gets per leg, as a share of the longest move: the mean over 25 bright objects
from two sites was 0.66, a tenth of them below 0.5, since stars seldom lie on the straight way."""


def estimate_legs(distance_deg: npt.ArrayLike, max_leg_deg: float) -> npt.NDArray[np.int64]:
    """About how many legs a hop of this length takes, from its length alone (at least 1)."""
    legs = np.ceil(np.asarray(distance_deg, float) / (ADVANCE * max_leg_deg))
    return np.maximum(1, legs).astype(np.int64)
