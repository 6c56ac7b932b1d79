"""How one frame lies on another: an affine step in full-resolution pixels. Pure functions."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from slowglass.sky.wcs import TanWcs

Floats = npt.NDArray[np.float64]

VOTERS = 40
"""Brightest stars that vote on the shift between two frames."""
VOTE_PX = 10.0
FEWEST_VOTES = 5
"""So many of 1 600 pairs fall on one shift by chance in less than one case of a million, on
frames of a megapixel and more (Poisson mean below 0.1)."""
NEAR_PX = 8.0
FEWEST_FIT = 6
"""Stars for a full affine fit; with fewer only the shift is bettered."""


def align_by_wcs(reference: TanWcs, other: TanWcs, width_px: int, height_px: int) -> Floats | None:
    """The (2, 3) step from the reference's pixels to the other frame's, by both solutions.

    None when the frames share no sky.
    """
    x, y = np.meshgrid(np.linspace(0, width_px - 1, 4), np.linspace(0, height_px - 1, 4))
    ra, dec = reference.pixel_to_sky(x.ravel(), y.ravel())
    there = np.column_stack(other.sky_to_pixel(ra, dec))
    if not np.isfinite(there).all():
        return None
    here = np.column_stack([x.ravel(), y.ravel()])
    return _fit_affine(here, there)


def align_by_stars(
    reference_px: Floats, other_px: Floats, size_px: tuple[int, int]
) -> Floats | None:
    """The (2, 3) step from stars alone, (n, 2) positions brightest first; None in doubt.

    The frames may be shifted and, after a turn over the meridian, upside down: one mount and
    one camera turn a field no further. Each pair of bright stars votes for its shift.
    """
    best: tuple[int, Floats] | None = None
    width, height = size_px
    for sign in (1.0, -1.0):
        turned = reference_px[:VOTERS] * sign
        shifts = (other_px[None, :VOTERS, :] - turned[:, None, :]).reshape(-1, 2)
        inside = np.hypot(*(shifts - (0.0 if sign > 0 else np.array([width, height]))).T)
        shifts = shifts[inside < 0.8 * math.hypot(width, height)]
        if len(shifts) < FEWEST_VOTES:
            continue
        cells = np.round(shifts / VOTE_PX).astype(np.int64)
        _, which, count = np.unique(cells, axis=0, return_inverse=True, return_counts=True)
        middle = np.median(shifts[which.ravel() == int(np.argmax(count))], axis=0)
        close = np.hypot(*(shifts - middle).T) < VOTE_PX
        votes = int(np.count_nonzero(close))
        if votes >= FEWEST_VOTES and (best is None or votes > best[0]):
            shift = np.median(shifts[close], axis=0)
            best = (votes, np.array([[sign, 0.0, shift[0]], [0.0, sign, shift[1]]]))
    return None if best is None else better(best[1], reference_px, other_px)


def better(step: Floats, reference_px: Floats, other_px: Floats) -> Floats:
    """A step made finer by the stars that it brings together; as it was where there are few."""
    if not len(reference_px) or not len(other_px):
        return step
    from scipy.spatial import cKDTree

    tree = cKDTree(other_px)
    for reach in (NEAR_PX, NEAR_PX / 3.0):
        away, index = tree.query(apply(step, reference_px), distance_upper_bound=reach)
        met = np.isfinite(away)
        here, there = reference_px[met], other_px[index[met]]
        if len(here) >= FEWEST_FIT and np.linalg.matrix_rank(here - here.mean(axis=0), 50.0) == 2:
            step = _fit_affine(here, there)
        elif len(here) >= 3:
            step = step.copy()
            step[:, 2] += np.median(there - apply(step, here), axis=0)
    return step


def apply(step: Floats, positions_px: Floats) -> Floats:
    """(n, 2) positions after the step."""
    return np.asarray(positions_px @ step[:, :2].T + step[:, 2])


def on_proxies(step: Floats, here: float, there: float) -> Floats:
    """The same step between pictures shrunk ``here`` and ``there`` times.

    A shrunk pixel u covers full pixels around x = (u + 1/2) f − 1/2.
    """
    linear = step[:, :2] * here / there
    offset = (step[:, :2] @ np.full(2, (here - 1.0) / 2.0) + step[:, 2] + 0.5) / there - 0.5
    return np.column_stack([linear, offset])


def _fit_affine(here: Floats, there: Floats) -> Floats:
    design = np.column_stack([here, np.ones(len(here))])
    solved, *_ = np.linalg.lstsq(design, there, rcond=None)
    return np.asarray(solved.T)
