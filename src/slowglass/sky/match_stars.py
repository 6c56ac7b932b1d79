"""Which Gaia row is which Hipparcos star."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Rows = npt.NDArray[np.int64]

ARCSEC_RAD = np.pi / 648000.0
MATCH_ARCSEC = 3.0
WAYWARD_ARCSEC = 10.0
UNMOVED_ARCSEC = 2.0
GAIA_COMPLETE_G = 3.0
"""Gaia lists nearly all stars fainter than this; brighter ones may be absent."""

NONE, PART = -1, -2


@dataclass(frozen=True)
class StarMatch:
    """Per Hipparcos star: its Gaia row (``NONE``, or ``PART`` of a star already taken), and
    whether its listed proper motion is contradicted by where Gaia finds it."""

    row: Rows
    wayward: npt.NDArray[np.bool_]


def match_stars(
    gaia_vectors: Floats,
    gaia_g: Floats,
    gaia_id: Rows,
    *,
    hip: Rows,
    hip_then: Floats,
    hip_now: Floats,
    hip_g: Floats,
) -> StarMatch:
    """The match of Hipparcos stars (unit vectors at J1991.25 and J2016.0) with Gaia rows.

    Rows with a negative id name their star. Then, of the pairs within ``MATCH_ARCSEC`` the best
    in place and magnitude are joined first (1″ weighs as much as 0.5 mag). A star left over by
    a taken row is part of that one. Last come stars whose listed motion led astray, most of
    them in doubles: an unclaimed row of like magnitude within ``WAYWARD_ARCSEC``, or one where
    the star stood in 1991.
    """
    from scipy.spatial import cKDTree

    row = np.full(hip.size, NONE, dtype=np.int64)
    taken = np.zeros(gaia_id.size, dtype=bool)
    own = {-int(i): r for r, i in enumerate(gaia_id) if i < 0}
    for h in np.flatnonzero(np.isin(hip, np.fromiter(own, dtype=np.int64))).tolist():
        row[h] = own[int(hip[h])]
        taken[row[h]] = True

    tree = cKDTree(gaia_vectors)

    def join(place: Floats, who: Rows, reach_arcsec: float, max_dmag: float) -> None:
        near, index = tree.query(place[who], k=4, distance_upper_bound=reach_arcsec * ARCSEC_RAD)
        h, r = np.repeat(who, 4), index.ravel()
        seen = r < gaia_id.size
        h, r, away = h[seen], r[seen], near.ravel()[seen] / ARCSEC_RAD
        dmag = np.abs(gaia_g[r] - hip_g[h])
        # A star too bright for Gaia is not its own faint companion.
        fits = (dmag < max_dmag) & ((hip_g[h] > GAIA_COMPLETE_G) | (dmag < 1.5))
        h, r, cost = h[fits], r[fits], away[fits] ** 2 + (dmag[fits] / 0.5) ** 2
        for k in np.argsort(cost, kind="stable").tolist():
            if row[h[k]] < 0 and not taken[r[k]]:
                row[h[k]] = r[k]
                taken[r[k]] = True
            elif row[h[k]] == NONE and reach_arcsec == MATCH_ARCSEC:
                row[h[k]] = PART

    join(hip_now, np.flatnonzero(row == NONE), MATCH_ARCSEC, np.inf)
    settled = row >= 0
    for place, reach, dmag in ((hip_now, WAYWARD_ARCSEC, 0.7), (hip_then, UNMOVED_ARCSEC, np.inf)):
        join(place, np.flatnonzero(row == NONE), reach, dmag)
    return StarMatch(row, (row >= 0) & ~settled)
