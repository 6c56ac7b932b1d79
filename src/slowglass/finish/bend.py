"""Which map carries one frame onto another: as simple as the stars allow, told by held-out ones.

A similarity is right for one camera on one telescope. A tilt of the camera or refraction near
the horizon makes it projective; the lens's distortion, seen at another angle after a meridian
flip or another night, needs a polynomial. More freedom always fits the stars used better, so
each map is judged by stars that it was not fitted to.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from slowglass.finish.geometry import (
    Floats,
    Place,
    fit_polynomial,
    fit_projective,
    fit_similarity,
)

Pairs = npt.NDArray[np.intp]
FOLDS = 5
GAIN = 0.05
CHANCE = 0.8
"""A freer map must lower the held-out residual by the share ``GAIN``, or by ``CHANCE``/√pairs
where that is more: so much lies within the luck of which stars were held out."""
ENOUGH_PX = 0.04
"""Held-out residual from which nothing is left to gain."""
MOST_PAIRS = 250
FEWEST = {"similarity": 2, "projective": 12, "polynomial 2": 20, "polynomial 3": 36}
"""Pairs from which a map is tried: about three for each number it has to find."""
FURTHEST_PX = 6.0


@dataclass(frozen=True)
class Fit:
    """The chosen map with the stars it rests on."""

    place: Place
    model: str
    pairs: Pairs
    """(m, 2): index in the frame's list, index in the reference list."""
    rms_px: float
    """Robust residual of the pairs, both axes together."""
    held_out_px: float
    """The same of pairs left out of the fit; NaN where too few for that."""


Fitter = Callable[[Floats, Floats, Floats], Place]


def _fitters(width_px: int, height_px: int, *, way_back: bool) -> dict[str, Fitter]:
    def polynomial(order: int) -> Fitter:
        return lambda a, b, w: fit_polynomial(
            a, b, order, width_px=width_px, height_px=height_px, weights=w, way_back=way_back
        )

    return {
        "similarity": fit_similarity,
        "projective": fit_projective,
        "polynomial 2": polynomial(2),
        "polynomial 3": polynomial(3),
    }


def _robust(fit: Fitter, own: Floats, ref: Floats, rounds: int = 4) -> Place:
    """A fit whose outlying pairs count little: weights 1/(1 + (miss/scale)²)²."""
    weights = np.ones(len(own))
    place = fit(own, ref, weights)
    for _ in range(rounds):
        miss = _miss(place, own, ref)
        scale = 2.0 * max(1.4826 * float(np.median(miss)), 0.02)
        weights = 1.0 / (1.0 + (miss / scale) ** 2) ** 2
        place = fit(own, ref, weights)
    return place


def _miss(place: Place, own: Floats, ref: Floats) -> Floats:
    return np.asarray(np.hypot(*(place.apply(own) - ref).T))


def _spread(miss: Floats) -> float:
    """Rms of two-dimensional misses from their median, which strays cannot move.

    The median of a Rayleigh distribution is √(2 ln 2) σ, its rms √2 σ.
    """
    return float(np.median(miss) / np.sqrt(np.log(2.0))) if len(miss) else float("nan")


def held_out(fit: Fitter, own: Floats, ref: Floats) -> float:
    """Robust residual, px, of pairs that were left out of the fit in turn."""
    order = np.argsort(ref[:, 0] + 0.618 * ref[:, 1], kind="stable")  # folds spread over the field
    fold = np.empty(len(own), dtype=int)
    fold[order] = np.arange(len(own)) % FOLDS
    misses = []
    for k in range(FOLDS):
        inside = fold != k
        place = _robust(fit, own[inside], ref[inside], rounds=3)
        misses.append(_miss(place, own[~inside], ref[~inside]))
    return _spread(np.concatenate(misses))


def pair_up(own: Floats, ref_tree: cKDTree, place: Place, radius_px: float) -> Pairs:
    """Nearest pairs (frame, reference) closer than the radius, each star once."""
    distance, nearest = ref_tree.query(place.apply(own), distance_upper_bound=radius_px)
    index = np.flatnonzero(np.isfinite(distance))
    order = index[np.argsort(distance[index], kind="stable")]
    _, first = np.unique(nearest[order], return_index=True)
    kept = np.sort(order[first])
    return np.column_stack([kept, nearest[kept]])


def choose_place(
    own_xy_px: Floats,
    ref_xy_px: Floats,
    start: Place,
    *,
    width_px: int,
    height_px: int,
    freest: str = "polynomial 3",
) -> Fit:
    """The map from a frame's stars to the reference's, begun from one that nearly matches.

    ``freest`` names the last map that may be tried. Stars are paired anew with each map taken,
    so that the corners of a distorted field come in as the map learns to follow them.
    """
    tree = cKDTree(ref_xy_px)
    fitters = _fitters(width_px, height_px, way_back=False)
    last = _fitters(width_px, height_px, way_back=True)
    names = list(fitters)[: list(fitters).index(freest) + 1]
    place = start
    model, test = "similarity", float("nan")
    radius = FURTHEST_PX / 2
    pairs = pair_up(own_xy_px, tree, place, radius)
    for _ in range(4):
        own, ref = own_xy_px[pairs[:, 0]], ref_xy_px[pairs[:, 1]]
        model, test = "similarity", float("nan")
        if len(pairs) >= FEWEST["projective"]:
            some = np.linspace(0, len(own) - 1, min(len(own), MOST_PAIRS)).astype(int)
            test = held_out(fitters["similarity"], own[some], ref[some])
            least = 1.0 - max(GAIN, CHANCE / len(some) ** 0.5)
            for name in names[1:]:
                if len(pairs) < FEWEST[name] or test < ENOUGH_PX:
                    break
                again = held_out(fitters[name], own[some], ref[some])
                if again < least * test:
                    model, test = name, again
        if len(pairs) >= 2:
            place = _robust(last[model], own, ref)
        rms = _spread(_miss(place, own, ref))
        before = pairs
        radius = float(np.clip(5.0 * rms, 1.0, FURTHEST_PX))
        pairs = pair_up(own_xy_px, tree, place, radius)
        if np.array_equal(pairs, before):
            break
    own, ref = own_xy_px[pairs[:, 0]], ref_xy_px[pairs[:, 1]]
    return Fit(place, model, pairs, _spread(_miss(place, own, ref)), test)
