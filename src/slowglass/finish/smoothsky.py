"""The sky's glow as a sum of smooth terms, each as strong as the frame itself makes likely.

Legendre products up to the eighth order, a remnant of vignetting and glowing sensor edges are
fitted at once. How far they may go is no choice of one shape but a variance for each kind of
term, taken from the evidence (MacKay 1992, Neural Computation 4, 415): strengths that do not
explain the cells better than chance cost more than they bring. Strengths that are nearly as
likely share in the answer by their odds. So a term that the object hides stays near nothing,
and what the sky beneath an object may still be is known: the fit tells its own error.

Objects of a regular form are fitted along: their light falls with the depth outside their
outline as a sum of exponentials with weights ≥ 0. That light is never part of the sky.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from slowglass.finish.combine import MAD_TO_SIGMA

Floats = npt.NDArray[np.float64]

ORDER = 8
GLOW_FALL = 9.0
"""A sensor's glow falls to 1/e in a ninth of half its longer side."""
CORNER_FALLS = (GLOW_FALL, 4.0)
"""Amplifiers sit in corners, and their glow reaches further."""
FREE = 1e4
"""Strength, in scatters, of terms that are left free: the level and the plane."""
BENDS = (0.0, 0.3, 1.0, 3.0, 10.0, 30.0, 100.0)
DECAYS = (0.1, 0.2, 0.35, 0.55, 0.8)
"""By how much each further order is weaker."""
EXTRAS = (0.0, 1.0, 3.0, 10.0, 30.0, 100.0)
LEAST_ODDS = 1e-3
FALLS = (2.2, 3.2, 4.7, 7.0, 10.0)
"""How light falls outside an outline, e-folds for each outline's radius. A disc of Freeman's
central brightness (1970, ApJ 160, 811) falls by 3.2 there; haloes slower, globulars faster."""
MISFORM = 0.15
"""Share of an object's light outside its outline by which it departs from ellipses."""
HUBER = 1.345
ROUNDS = 8

Strengths = tuple[float, float, float, float]


def terms(x: Floats, y: Floats, edges: tuple[float, float]) -> Floats:
    """The terms' values, a column each, at places in halves of the longer side.

    ``edges`` is half the width and half the height in the same unit.
    """
    across, down = _legendre(x / edges[0]), _legendre(y / edges[1])
    columns = [across[i] * down[order - i] for order in range(ORDER + 1) for i in range(order + 1)]
    r2 = x * x + y * y
    return np.column_stack([*columns, r2, r2 * r2, *glow_terms(x, y, edges)])


def glow_terms(x: Floats, y: Floats, edges: tuple[float, float]) -> list[Floats]:
    """Light that falls inward from each edge, up to second order along it, and from each corner."""
    wide, high = edges
    columns = []
    for side in (-1.0, 1.0):
        columns += [np.exp(-GLOW_FALL * np.abs(side * wide - x)) * y**k for k in (0, 1, 2)]
        columns += [np.exp(-GLOW_FALL * np.abs(side * high - y)) * x**k for k in (0, 1, 2)]
        for end in (-1.0, 1.0):
            away = np.hypot(side * wide - x, end * high - y)
            columns += [np.exp(-fall * away) for fall in CORNER_FALLS]
    return columns


def _legendre(x: Floats) -> list[Floats]:
    """Legendre polynomials of unit mean square on −1…1."""
    found = [np.ones_like(x), x]
    for k in range(1, ORDER):
        found.append(((2 * k + 1) * x * found[k] - k * found[k - 1]) / (k + 1))
    return [np.sqrt(2 * k + 1) * p for k, p in enumerate(found)]


_ORDERS = np.array([order for order in range(ORDER + 1) for _ in range(order + 1)])
_FALL, _GLOW = 2, 12 + 4 * len(CORNER_FALLS)


def _variances(strengths: Strengths) -> Floats:
    """Prior variance of each term, in squared scatters."""
    bend, decay, fall, glow = strengths
    orders = np.where(_ORDERS < 2, FREE**2, (bend * decay ** np.maximum(_ORDERS - 2.0, 0.0)) ** 2)
    rest = np.repeat([fall**2, glow**2], [_FALL, _GLOW])
    return np.maximum(np.concatenate([orders, rest]), 1e-12)


@dataclass(frozen=True)
class _Trial:
    """One set of strengths: its log evidence, the factor of its normal matrix, its terms."""

    log_evidence: float
    factor: Floats
    coefficients: Floats


@dataclass(frozen=True)
class _Normal:
    """What all trials share: normal matrix, right side and sum of squares, in scatters."""

    matrix: Floats
    right: Floats

    def trial(self, strengths: Strengths) -> _Trial:
        variance = _variances(strengths)
        a = self.matrix.copy()
        a[np.diag_indices_from(a)] += 1.0 / variance
        factor = np.linalg.cholesky(a)
        z = np.linalg.solve(factor, self.right)
        log = 0.5 * float(z @ z) - float(np.log(np.diag(factor)).sum())
        log -= 0.5 * float(np.log(variance).sum())
        return _Trial(
            log,
            np.asarray(factor, dtype=np.float64),
            np.asarray(np.linalg.solve(factor.T, z), dtype=np.float64),
        )


def _climb(normal: _Normal) -> dict[Strengths, _Trial]:
    """All strengths tried on the way to the likeliest, one kind of term after another."""
    best: Strengths = (0.0, DECAYS[0], 0.0, 0.0)
    tried: dict[Strengths, _Trial] = {best: normal.trial(best)}
    for _ in range(3):
        before = best
        for options in (
            [(bend, decay, *best[2:]) for bend in BENDS for decay in DECAYS],
            [(*best[:2], fall, best[3]) for fall in EXTRAS],
            [(*best[:3], glow) for glow in EXTRAS],
        ):
            best = _likeliest(normal, [(best[0], best[1], best[2], best[3]), *options], tried)
        if best == before:
            break
    return tried


def _likeliest(
    normal: _Normal, options: Iterable[tuple[float, ...]], tried: dict[Strengths, _Trial]
) -> Strengths:
    named: list[Strengths] = [(a, DECAYS[0] if a == 0.0 else b, c, d) for a, b, c, d in options]
    for one in named:
        if one not in tried:
            tried[one] = normal.trial(one)
    return max(named, key=lambda one: tried[one].log_evidence)


@dataclass(frozen=True)
class SmoothSky:
    """A fitted sky: ADU at places in halves of the longer side, with its error."""

    edges: tuple[float, float]
    middle_adu: float
    scatter_adu: float
    odds: dict[Strengths, float]
    """Strengths in scatters, the likeliest first, with their share in the answer."""
    trials: tuple[_Trial, ...]
    falls_adu: Floats
    """Weight of each exponential of each regular object."""
    shared: Floats
    """Terms against the objects' exponentials that have a weight, and these among themselves."""
    own: Floats

    def at(self, x: Floats, y: Floats) -> Floats:
        """The sky in ADU."""
        values = terms(x, y, self.edges) @ self._mean
        return np.asarray(self.middle_adu + self.scatter_adu * values, dtype=np.float64)

    def light(self, depths: Sequence[Floats]) -> Floats | float:
        """The regular objects' own light at places of these depths, ADU."""
        return _exponentials(depths) @ self.falls_adu if depths else 0.0

    @property
    def _mean(self) -> Floats:
        shares = np.array(list(self.odds.values()))
        return np.asarray(shares @ np.stack([t.coefficients for t in self.trials]))

    def error_of_mean(self, x: Floats, y: Floats) -> float:
        """1 σ error, ADU, of the mean sky over the places: noise, doubt of shape and of objects."""
        row = terms(x, y, self.edges).mean(axis=0)
        mean = float(row @ self._mean)
        variance = 0.0
        for share, trial in zip(self.odds.values(), self.trials, strict=True):
            u = np.linalg.solve(trial.factor, row)
            one = float(u @ u) + (float(row @ trial.coefficients) - mean) ** 2
            if self.own.size:
                hidden = np.linalg.solve(trial.factor, self.shared)
                left = self.own - hidden.T @ hidden
                left[np.diag_indices_from(left)] *= 1.0 + 1e-6
                mixed = hidden.T @ u
                one += float(mixed @ np.linalg.solve(left, mixed))
            variance += share * one
        return self.scatter_adu * float(np.sqrt(variance))


def fit_smooth(
    x: Floats,
    y: Floats,
    level_adu: Floats,
    error_adu: Floats,
    edges: tuple[float, float],
    *,
    depths: Sequence[Floats] = (),
    like: SmoothSky | None = None,
) -> SmoothSky:
    """The sky through cells at places in halves of the longer side.

    ``depths`` is each regular object's depth at the cells (1 on its outline), ``like`` a fit
    whose strengths are taken over, so that the colours of a picture share one stiffness.
    """
    design = terms(x, y, edges)
    objects = _exponentials(depths) if depths else np.empty((len(x), 0))
    middle, usual = float(np.median(level_adu)), float(np.median(error_adu))
    scatter = max(1.5 * usual, 1e-9 * max(1.0, abs(middle)))
    # cells cut by the edge hold fewer pixels
    trust = np.minimum(1.0, (max(usual, 1e-12) / np.maximum(error_adu, 1e-12)) ** 2)
    weight, falls_adu = trust, np.zeros(objects.shape[1])

    def normal() -> _Normal:
        rest = (level_adu - middle - objects @ falls_adu) / scatter
        turned = design.T * weight
        return _Normal(turned @ design, turned @ rest)

    odds, trials = _settled(normal(), scatter, like)
    for turn in range(ROUNDS):
        if len(falls_adu):
            falls_adu = scatter * _object_light(
                design, objects, (level_adu - middle) / scatter, weight, trials[0].factor
            )
            odds, trials = _settled(normal(), scatter, like)
        light = objects @ falls_adu / scatter
        left = (level_adu - middle) / scatter - light - design @ trials[0].coefficients
        left -= np.median(left)
        wider = max(MAD_TO_SIGMA * float(np.median(np.abs(left))), 1e-6)
        misform = 1.0 / (1.0 + (MISFORM * light / wider) ** 2)
        far = np.abs(left) * np.sqrt(misform) / (HUBER * wider)
        weight = trust * misform / np.maximum(1.0, far)
        scatter *= wider
        odds, trials = _settled(normal(), scatter, like)
        if abs(wider - 1.0) < 0.01 and turn > 1:
            break
    lit = objects[:, falls_adu > 0.0]
    turned = lit.T * weight
    return SmoothSky(
        edges, middle, scatter, odds, trials, falls_adu, (turned @ design).T, turned @ lit
    )


def _exponentials(depths: Sequence[Floats]) -> Floats:
    return np.column_stack([np.exp(-fall * (depth - 1.0)) for depth in depths for fall in FALLS])


def _settled(
    normal: _Normal, scatter: float, like: SmoothSky | None
) -> tuple[dict[Strengths, float], tuple[_Trial, ...]]:
    """The strengths that share in the answer with their odds, and their fits."""
    if like is not None:
        share = like.scatter_adu / scatter
        odds = {(a * share, b, c * share, d * share): w for (a, b, c, d), w in like.odds.items()}
        return odds, tuple(normal.trial(strengths) for strengths in odds)
    tried = _climb(normal)
    top = max(trial.log_evidence for trial in tried.values())
    likely = {
        strengths: float(np.exp(trial.log_evidence - top))
        for strengths, trial in sorted(tried.items(), key=lambda one: -one[1].log_evidence)
        if trial.log_evidence > top + np.log(LEAST_ODDS)
    }
    whole = sum(likely.values())
    return {k: v / whole for k, v in likely.items()}, tuple(tried[k] for k in likely)


def _object_light(
    design: Floats, objects: Floats, rest: Floats, weight: Floats, factor: Floats
) -> Floats:
    """Weights ≥ 0 of the objects' exponentials, whatever the sky beneath (marginalised)."""
    from scipy.optimize import nnls

    hidden = np.linalg.solve(factor, (design.T * weight) @ objects)
    told = np.linalg.solve(factor, design.T @ (weight * rest))
    normal = (objects.T * weight) @ objects - hidden.T @ hidden
    right = objects.T @ (weight * rest) - hidden.T @ told
    normal[np.diag_indices_from(normal)] *= 1.0 + 1e-6
    normal[np.diag_indices_from(normal)] += 1e-9
    root = np.linalg.cholesky(normal)
    return np.asarray(nnls(root.T, np.linalg.solve(root, right))[0], dtype=np.float64)
