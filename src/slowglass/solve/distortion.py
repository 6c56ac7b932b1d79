"""Does a frame's lens distort, and how: SIP polynomials where the stars carry them."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from slowglass.sky.sip import SipWcs, Terms
from slowglass.sky.wcs import TanWcs, deproject_tan, project_tan
from slowglass.solve.fit import fit_tan, residuals_px

Floats = npt.NDArray[np.float64]

STARS_PER_TERM = 3
FOLDS = 5
WORTH = 0.85
"""A higher order must bring the held-out residual below this share of the lower one's."""


def fit_sip(
    x_px: Floats,
    y_px: Floats,
    ra_deg: Floats,
    dec_deg: Floats,
    *,
    start: TanWcs,
    order: int,
    weights: Floats | None = None,
) -> SipWcs:
    """Least-squares TAN-SIP solution of the given order about the reference pixel of ``start``."""
    w = np.ones((len(x_px), 1)) if weights is None else weights[:, None]
    u, v = x_px - start.crpix_x, y_px - start.crpix_y
    reach = float(np.max(np.hypot(u, v)))
    powers = [(p, n - p) for n in range(order + 1) for p in range(n, -1, -1)]
    # Offsets scaled to ±1 keep the cubic columns as sure as the linear ones.
    design = w * np.column_stack([(u / reach) ** p * (v / reach) ** q for p, q in powers])
    ra0, dec0 = start.ra0_deg, start.dec0_deg
    found: Floats = np.zeros((len(powers), 2))
    for _ in range(10):
        xi, eta = project_tan(ra_deg, dec_deg, ra0, dec0)
        target = w * np.column_stack([xi, eta])
        found = np.asarray(np.linalg.lstsq(design, target, rcond=None)[0], dtype=np.float64)
        shift = found[powers.index((0, 0))]
        ra_new, dec_new = deproject_tan(float(shift[0]), float(shift[1]), ra0, dec0)
        ra0, dec0 = float(ra_new), float(dec_new)
        if float(np.hypot(*shift)) < 1e-11:
            break
    unit = np.array([reach ** -(p + q) for p, q in powers])
    found = found * unit[:, None]
    cd = np.column_stack([found[powers.index((1, 0))], found[powers.index((0, 1))]])
    bend = np.linalg.solve(cd, found.T)

    def terms(row: int) -> Terms:
        return tuple((p, q, float(bend[row, k])) for k, (p, q) in enumerate(powers) if p + q >= 2)

    return SipWcs(
        ra0 % 360.0,
        dec0,
        start.crpix_x,
        start.crpix_y,
        ((float(cd[0, 0]), float(cd[0, 1])), (float(cd[1, 0]), float(cd[1, 1]))),
        a=terms(0),
        b=terms(1),
        reach_px=reach,
    )


def best_model(
    x_px: Floats,
    y_px: Floats,
    ra_deg: Floats,
    dec_deg: Floats,
    *,
    start: TanWcs,
    weights: Floats | None = None,
) -> TanWcs:
    """The solution whose order is carried by held-out stars: affine TAN, or SIP of order 2 or 3.

    Each order is fitted five times with a fifth of the stars left out; its median residual on the
    stars left out must undercut the lower order's by 15 %. ``weights`` are 1 over star errors.
    """
    w = np.ones(len(x_px)) if weights is None else weights

    def fit(order: int, keep: npt.NDArray[np.bool_]) -> TanWcs:
        args = x_px[keep], y_px[keep], ra_deg[keep], dec_deg[keep]
        if order == 1:
            return fit_tan(
                *args,
                start=(start.ra0_deg, start.dec0_deg),
                centre=(start.crpix_x, start.crpix_y),
                parity=start.parity,
                affine=True,
                weights=w[keep],
            )
        return fit_sip(*args, start=start, order=order, weights=w[keep])

    n = len(x_px)
    # Leave out stars from all over the frame: fold by order of distance from the centre.
    fold = np.empty(n, dtype=int)
    fold[np.argsort(np.hypot(x_px - start.crpix_x, y_px - start.crpix_y))] = np.arange(n) % FOLDS
    best, best_residual = 1, np.inf
    for order in (1, 2, 3):
        if n < STARS_PER_TERM * (order + 1) * (order + 2) // 2 + FOLDS:
            break
        held_out = np.empty(n)
        for k in range(FOLDS):
            out = fold == k
            held_out[out] = residuals_px(
                fit(order, ~out), x_px[out], y_px[out], ra_deg[out], dec_deg[out]
            )
        residual = float(np.median(held_out))
        if order == 1 or residual < WORTH * best_residual:
            best, best_residual = order, residual
    return fit(best, np.ones(n, dtype=bool))
