"""Least-squares TAN fit of matched stars, and the residuals it leaves.

Source of the projection: Calabretta & Greisen 2002, A&A 395, 1077, §5.1.3.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from slowglass.sky.wcs import TanWcs, deproject_tan, project_tan

Floats = npt.NDArray[np.float64]

AFFINE_FROM = 8
"""Matched stars from which the two axes may differ in scale and angle; below, a similarity."""


def fit_tan(
    x_px: Floats,
    y_px: Floats,
    ra_deg: Floats,
    dec_deg: Floats,
    *,
    start: tuple[float, float],
    centre: tuple[float, float],
    parity: int,
    affine: bool = False,
    weights: Floats | None = None,
) -> TanWcs:
    """The TAN solution that best maps pixels to sky, reference pixel at ``centre``.

    A similarity of the given parity needs two stars; ``affine`` needs three not on a line.
    """
    ra0, dec0 = start
    dx, dy = x_px - centre[0], y_px - centre[1]
    w = np.ones_like(dx) if weights is None else weights
    cd = ((0.0, 0.0), (0.0, 0.0))
    for _ in range(20):
        xi, eta = project_tan(ra_deg, dec_deg, ra0, dec0)
        if affine:
            design = np.column_stack([dx, dy, np.ones_like(dx)]) * w[:, None]
            solved, *_ = np.linalg.lstsq(
                design, np.column_stack([xi, eta]) * w[:, None], rcond=None
            )
            cd = (
                (float(solved[0, 0]), float(solved[1, 0])),
                (float(solved[0, 1]), float(solved[1, 1])),
            )
            shift_xi, shift_eta = float(solved[2, 0]), float(solved[2, 1])
        else:
            p = dx + 1j * parity * dy
            q = xi + 1j * eta
            w2 = w**2 / np.sum(w**2)
            p0, q0 = np.sum(w2 * p), np.sum(w2 * q)
            factor = np.sum(w2 * (q - q0) * np.conj(p - p0)) / np.sum(w2 * np.abs(p - p0) ** 2)
            shift = q0 - factor * p0
            cd = (
                (float(factor.real), float(-factor.imag * parity)),
                (float(factor.imag), float(factor.real * parity)),
            )
            shift_xi, shift_eta = float(shift.real), float(shift.imag)
        ra_new, dec_new = deproject_tan(shift_xi, shift_eta, ra0, dec0)
        ra0, dec0 = float(ra_new), float(dec_new)
        if np.hypot(shift_xi, shift_eta) < 1e-11:
            break
    return TanWcs(ra0 % 360.0, dec0, centre[0], centre[1], cd)


def residuals_px(
    wcs: TanWcs, x_px: Floats, y_px: Floats, ra_deg: Floats, dec_deg: Floats
) -> Floats:
    """Distance in pixels between detected and predicted positions, shape (n,)."""
    px, py = wcs.sky_to_pixel(ra_deg, dec_deg)
    return np.hypot(px - x_px, py - y_px)
