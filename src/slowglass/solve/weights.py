"""How sure each star's place is, and what it is worth in the last fit of a frame."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from slowglass.frame.stars import StarFlag, StarList
from slowglass.solve.fit import AFFINE_FROM

Floats = npt.NDArray[np.float64]

PHOTON_WIDTHS = 0.5
"""Error of a place, each axis, in star widths over the signal-to-noise ratio in a circle of 1.5
widths: the Cramér–Rao bound of a Moffat star, faint or bright, within 30 %."""
PIXEL_FLOOR_PX = 0.01
"""What pixels and star images that are no exact Moffat profile leave even of the brightest."""
SATURATED_ERROR_PX = 1.0
"""Extra positional error of a saturated star (seen on real bleeding stars; no published source)."""
DISTURBED_WIDTHS = 0.1
"""Extra error of blended stars and those at the edge, in star widths (median of forecast ones)."""
FEW_SCATTER_PX = 0.25
"""Scatter assumed where too few stars tell it."""
PULL_LIMIT = 2.5
USUAL_WIDTH_PX = 3.0
_LARGEST_SCATTER_PX = 1e4
_HALVINGS = 50


def place_errors_px(stars: StarList) -> Floats:
    """Error of each star's place along each axis, of photons and disturbances, px, shape (n,)."""
    measured = stars.fwhm_px[np.isfinite(stars.fwhm_px)]
    width_px = float(np.median(measured)) if len(measured) else USUAL_WIDTH_PX
    snr = np.where(np.isfinite(stars.snr), np.maximum(stars.snr, 1.0), 1.0)
    disturbed = (stars.flags & int(StarFlag.BLENDED | StarFlag.EDGE)) != 0
    saturated = (stars.flags & int(StarFlag.SATURATED)) != 0
    return np.sqrt(
        (PHOTON_WIDTHS * width_px / snr) ** 2
        + PIXEL_FLOOR_PX**2
        + np.where(disturbed, DISTURBED_WIDTHS * width_px, 0.0) ** 2
        + np.where(saturated, SATURATED_ERROR_PX, 0.0) ** 2
    )


def scatter_px(residual_px: Floats, error_px: Floats) -> float:
    """What must be added to each star's error, px, for its residuals to be as large as they are.

    Half of the squared residuals of a two-dimensional normal error lie below 2 ln 2 times its
    variance in an axis; catalogue errors, unknown proper motion and bending lenses widen it.
    """
    n = len(residual_px)
    if n < AFFINE_FROM:
        return FEW_SCATTER_PX
    # An affine fit of six parameters to 2 n coordinates leaves so much of the variance.
    expected = 2.0 * np.log(2.0) * (1.0 - 3.0 / n)
    low, high = 0.0, _LARGEST_SCATTER_PX
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        if float(np.median(residual_px**2 / (error_px**2 + middle**2))) > expected:
            low = middle
        else:
            high = middle
    return high


def fit_weights(residual_px: Floats, error_px: Floats) -> Floats:
    """Weights of stars in a least-squares fit, 1 over their error in px, shape (n,).

    A star far off for its error (an unseen companion, a wrong pairing) pulls no harder than one
    at ``PULL_LIMIT`` errors (Huber 1964, Ann. Math. Statist. 35, 73).
    """
    error = np.hypot(error_px, scatter_px(residual_px, error_px))
    pull = np.maximum(residual_px / error, 1e-12)
    return np.asarray(np.sqrt(np.minimum(1.0, PULL_LIMIT / pull)) / error)
