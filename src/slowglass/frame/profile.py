"""Elliptical Moffat profiles fitted to many stars at once.

The model is background + peak · (1 + (2^u − 1) q)^(−1/u), q = A dx² + 2 B dx dy + C dy², which
is half its peak where q = 1. u = 1/β of Moffat 1969 (A&A 3, 455); u → 0 is a Gaussian. On a
mosaic each colour has its own background and peak, and all share place and shape, so neither
binning nor a star's colour disturbs them. Levenberg–Marquardt, batched over stars.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

_ITERATIONS = 25
_SHAPE = 6  # x, y, A, B, C, u


@dataclass(frozen=True)
class Profiles:
    """Fits of n stars; rows that did not converge are NaN and ``ok`` is False."""

    x_px: Floats
    y_px: Floats
    fwhm_px: Floats
    """Geometric mean of major and minor FWHM."""
    e1: Floats
    """(a² − b²)/(a² + b²) · cos 2θ, θ from +x toward +y."""
    e2: Floats
    """The same with sin 2θ."""
    e_variance: Floats
    """Expected squared error of (e1, e2)."""
    moffat_u: Floats
    ok: Bools


def stamps(
    image: npt.NDArray[np.float32], x_px: Floats, y_px: Floats, half_px: int
) -> tuple[Floats, Floats, Floats, npt.NDArray[np.int64]]:
    """Values (n, m), offsets dx, dy (n, m) from the star, and flat pixel index (n, m).

    Every star must be at least ``half_px`` + 1 from the edges.
    """
    steps = np.arange(-half_px, half_px + 1)
    sy, sx = (a.ravel() for a in np.meshgrid(steps, steps, indexing="ij"))
    column, row = np.rint(x_px).astype(np.int64), np.rint(y_px).astype(np.int64)
    columns, rows = column[:, None] + sx, row[:, None] + sy
    index = rows * image.shape[1] + columns
    values = image.ravel()[index].astype(np.float64)
    return values, columns - x_px[:, None], rows - y_px[:, None], index


def fit_profiles(
    values: Floats,
    dx: Floats,
    dy: Floats,
    weight: Floats,
    *,
    colour: npt.NDArray[np.int8] | None,
    fwhm_px: float,
    moffat_u: float | None = None,
) -> Profiles:
    """Fit every row of ``values`` (n, m); ``weight`` 0 leaves a pixel out.

    ``colour`` (n, m) holds 0, 1, 2 for a mosaic. ``fwhm_px`` starts the search. ``moffat_u``
    fixes the wings; None fits them.
    """
    channels = 1 if colour is None else 3
    which = np.zeros(values.shape, dtype=np.int8) if colour is None else colour
    p = np.zeros((len(values), _SHAPE))
    p[:, 2] = p[:, 4] = 4.0 / fwhm_px**2
    p[:, 5] = 0.25 if moffat_u is None else max(moffat_u, 1e-3)
    free = _SHAPE if moffat_u is None else _SHAPE - 1
    weight = np.asarray(weight, dtype=np.float64)
    rest = np.arange(len(values))  # the stars still moving
    active = _Stars(values, dx, dy, weight.copy(), which, channels)
    state = _evaluate(p, active, free)
    damping = np.full(len(values), 1e-2)
    final = [p.copy(), *(a.copy() for a in state), active.weight.copy()]
    for iteration in range(_ITERATIONS):
        if iteration == 4:
            active.weight = _without_outliers(active, state)
            state = _evaluate(p, active, free)
        trial = _step(p, state, active.weight, damping, fwhm_px, free)
        inside = _definite(trial) & (np.hypot(trial[:, 0], trial[:, 1]) < 1.5 * fwhm_px + 1.0)
        trial[~inside] = p[~inside]
        new = _evaluate(trial, active, free)
        cost = state[0]
        better = inside & (new[0] <= cost)
        gain = (cost - new[0]) / np.maximum(cost, 1e-300)
        p[better] = trial[better]
        for old, fresh in zip(state, new, strict=True):
            old[better] = fresh[better]
        damping = np.clip(np.where(better, damping * 0.2, damping * 8.0), 1e-9, 1e9)
        last = iteration == _ITERATIONS - 1
        done = (
            (better & (gain < 3e-5)) | (damping >= 1e7) if iteration > 5 else np.zeros(len(p), bool)
        )
        if last or done.all() or done.mean() > 0.2:
            done = done | last
            for kept, now in zip(final, (p, *state, active.weight), strict=True):
                kept[rest] = now
            if done.all():
                break
            p, damping, rest = p[~done], damping[~done], rest[~done]
            state = (state[0][~done], state[1][~done], state[2][~done], state[3][~done])
            active = active.take(~done)
    p, cost, _, jacobian, linear, weight = final
    return _results(p, cost, jacobian, weight, linear, channels, free)


State = tuple[Floats, Floats, Floats, Floats]
"""Cost (n), residual (n, m), Jacobian of the shape (n, m, free), linear part (n, 2c)."""


@dataclass
class _Stars:
    """The stamps under work; ``members`` are the masks of each colour."""

    values: Floats
    dx: Floats
    dy: Floats
    weight: Floats
    which: npt.NDArray[np.int8]
    channels: int

    def __post_init__(self) -> None:
        self.members = [(self.which == c).astype(np.float64) for c in range(self.channels)]

    def take(self, chosen: Bools) -> _Stars:
        return _Stars(
            self.values[chosen],
            self.dx[chosen],
            self.dy[chosen],
            self.weight[chosen],
            self.which[chosen],
            self.channels,
        )


def _step(
    p: Floats, state: State, weight: Floats, damping: Floats, fwhm_px: float, free: int
) -> Floats:
    """Parameters after one damped step, none moved by more than half its span."""
    _, residual, jacobian, _ = state
    jt = np.swapaxes(jacobian * weight[..., None], 1, 2)
    normal = jt @ jacobian
    slope = (jt @ residual[..., None])[..., 0]
    diagonal = np.einsum("nii->ni", normal)
    damped = normal + (damping[:, None] * diagonal + 1e-12)[:, :, None] * np.eye(free)
    step = np.linalg.solve(damped, slope[..., None])[..., 0]
    most = 0.5 * _span(p, fwhm_px)[:, :free]
    trial = p.copy()
    trial[:, :free] += np.clip(step, -most, most)
    trial[:, 5] = np.clip(trial[:, 5], 1e-3, 1.0)
    return trial


def _span(p: Floats, fwhm_px: float) -> Floats:
    """How much each parameter may change in two steps."""
    size = 0.5 * (p[:, 2] + p[:, 4])
    spans = np.stack([np.full(len(p), fwhm_px)] * 2 + [size] * 3 + [np.full(len(p), 0.5)], axis=1)
    return np.asarray(spans)


def _definite(p: Floats) -> Bools:
    determinant = p[:, 2] * p[:, 4] - p[:, 3] ** 2
    return (p[:, 2] > 0) & (p[:, 4] > 0) & (determinant > 1e-4 * p[:, 2] * p[:, 4])


def _evaluate(p: Floats, stars: _Stars, free: int) -> State:
    """Backgrounds and peaks solved exactly for each shape (variable projection).

    The Jacobian is made orthogonal to them (Kaufman 1975, BIT 15, 49).
    """
    values, dx, dy, weight = stars.values, stars.dx, stars.dy, stars.weight
    x, y = dx - p[:, 0:1], dy - p[:, 1:2]
    a, b, c, u = (p[:, i : i + 1] for i in (2, 3, 4, 5))
    k = np.exp2(u) - 1.0
    q = a * x * x + 2.0 * b * x * y + c * y * y
    base = 1.0 + k * q
    log_base = np.log(base)
    shape = np.exp(-log_base / u)
    by_q = -(k / u) * shape / base
    columns = [
        by_q * -2.0 * (a * x + b * y),
        by_q * -2.0 * (b * x + c * y),
        by_q * x * x,
        by_q * 2.0 * x * y,
        by_q * y * y,
    ]
    if free == _SHAPE:
        columns.append(shape * (log_base / u**2 - np.exp2(u) * np.log(2.0) * q / (u * base)))
    jacobian = np.stack(columns, axis=2)
    model = np.zeros_like(values)
    projected = jacobian
    linear = np.empty((len(values), 2 * stars.channels))
    for channel, member in enumerate(stars.members):
        w = weight * member
        total = np.maximum(w.sum(1), 1e-12)[:, None]
        centred = (shape - (w * shape).sum(1, keepdims=True) / total) * member
        spread = np.maximum((w * centred * centred).sum(1, keepdims=True), 1e-12)
        peak = (w * centred * values).sum(1, keepdims=True) / spread
        level = (
            (w * values).sum(1, keepdims=True) - peak * (w * shape).sum(1, keepdims=True)
        ) / total
        model += member * (level + peak * shape)
        linear[:, 2 * channel], linear[:, 2 * channel + 1] = level[:, 0], peak[:, 0]
        own = (
            jacobian * (member * peak)[..., None]
            if stars.channels > 1
            else jacobian * peak[..., None]
        )
        mean = (w[:, None, :] @ own) / total[..., None]
        along = ((w * centred)[:, None, :] @ own) / spread[..., None]
        own -= centred[..., None] * along
        own -= member[..., None] * mean
        projected = own if channel == 0 else projected + own
    residual = values - model
    return (weight * residual**2).sum(1), residual, projected, linear


def _without_outliers(stars: _Stars, state: State) -> Floats:
    """Weights with strays (hot pixels, unseen neighbours) left out.

    The allowance grows with the star's own light, so a profile that is no Moffat keeps its core.
    """
    _, residual, _, linear = state
    values, weight, which = stars.values, stars.weight, stars.which
    shown = np.where(weight > 0, np.abs(residual), np.nan)
    sigma = 1.4826 * np.nanmedian(shown, axis=1, keepdims=True)
    level = np.take_along_axis(linear, 2 * which.astype(np.int64), axis=1)
    light = np.abs(values - residual - level)
    return weight * (np.abs(residual) < 6.0 * sigma + 0.1 * light)


def _results(
    p: Floats,
    cost: Floats,
    jacobian: Floats,
    weight: Floats,
    linear: Floats,
    channels: int,
    free: int,
) -> Profiles:
    a, b, c = p[:, 2], p[:, 3], p[:, 4]
    determinant = np.maximum(a * c - b * b, 1e-300)
    total = a + c
    e1, e2 = (c - a) / total, -2.0 * b / total
    degrees = np.maximum((weight > 0).sum(1) - free - 2 * channels, 1)
    normal = np.swapaxes(jacobian * weight[..., None], 1, 2) @ jacobian
    scale = np.sqrt(np.maximum(np.einsum("nii->ni", normal), 1e-300))
    correlation = normal / (scale[:, :, None] * scale[:, None, :]) + 1e-9 * np.eye(free)
    with np.errstate(over="ignore", invalid="ignore"):  # a flat stamp: its errors are infinite
        covariance = np.linalg.inv(correlation) / (scale[:, :, None] * scale[:, None, :])
        covariance *= (cost / degrees)[:, None, None]
    zero = np.zeros_like(a)
    g1 = np.stack([-2.0 * c, zero, 2.0 * a], axis=1) / (total**2)[:, None]
    g2 = np.stack([2.0 * b, -2.0 * total, 2.0 * b], axis=1) / (total**2)[:, None]
    block = covariance[:, 2:5, 2:5]
    variance = sum(np.einsum("ni,nij,nj->n", g, block, g) for g in (g1, g2))
    positive = linear[:, 1::2].sum(1) > 0
    # a shape known to worse than a quarter says nothing of the star
    ok = positive & np.isfinite(variance) & (variance < 0.06) & (np.hypot(e1, e2) < 0.985)
    fwhm = 2.0 * determinant**-0.25

    def kept(column: Floats) -> Floats:
        return np.where(ok, column, np.nan)

    return Profiles(
        x_px=kept(p[:, 0]),
        y_px=kept(p[:, 1]),
        fwhm_px=kept(fwhm),
        e1=kept(e1),
        e2=kept(e2),
        e_variance=kept(np.asarray(variance)),
        moffat_u=kept(p[:, 5]),
        ok=ok,
    )
