"""How much like its neighbours a pattern looks: sums of likeness over what may be in view."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


def likeness_sums(
    places: Floats,
    features: Floats,
    *,
    reach_deg: float,
    apart_deg: float = 0.0,
    others: tuple[Floats, Floats] | None = None,
) -> Floats:
    """Per place (n,), the likeness of every other place within reach, added up.

    Likeness is exp(−½ d²), d the distance of the two feature rows (n, f) in steps an eye tells
    apart: 1 for a twin, 0.6 at one step, 0.01 at three. Places nearer than ``apart_deg`` are the
    same spot and count nothing. ``others`` (vectors, features) are the neighbours when these are
    more than the places themselves.
    """
    from scipy.spatial import cKDTree

    if not len(places):
        return np.zeros(0)
    around, traits = (places, features) if others is None else others
    tree, own = cKDTree(around), cKDTree(places)
    near = own.sparse_distance_matrix(
        tree, 2.0 * np.sin(np.radians(reach_deg) / 2.0), output_type="coo_matrix"
    )
    i, j, gap = near.row, near.col, near.data
    # a place beside itself (distance 0) is not its own rival
    rival = gap > max(2.0 * np.sin(np.radians(apart_deg) / 2.0), 1e-9)
    i, j = i[rival], j[rival]
    likeness = np.exp(-0.5 * np.sum((features[i] - traits[j]) ** 2, axis=1))
    return np.bincount(i, weights=likeness, minlength=len(places)).astype(np.float64)
