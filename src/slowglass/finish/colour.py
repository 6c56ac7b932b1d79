"""White balance from the stars themselves.

The stars of a field, taken together, are near enough white: the factors bring the middle star
to equal red, green and blue. With few stars the factors stay at one, and say so.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FEWEST = 8
"""Below this many stars one odd star would colour the picture."""


def star_gains(
    fluxes_adu: npt.NDArray[np.float64], errors_adu: npt.NDArray[np.float64]
) -> tuple[tuple[float, float, float], int]:
    """Factors on R, G, B that make the middle star grey, green kept; and the stars used.

    ``fluxes_adu`` and ``errors_adu`` are (n, 3). Stars below 10 σ in any channel are left out;
    with fewer than eight left the factors are (1, 1, 1) and the count is 0. NaN never enters.
    """
    with np.errstate(invalid="ignore"):
        good = (np.isfinite(fluxes_adu) & (fluxes_adu > 10 * errors_adu)).all(axis=1)
    if good.sum() < FEWEST:
        return (1.0, 1.0, 1.0), 0
    flux = fluxes_adu[good]
    red = float(np.median(np.log(flux[:, 1] / flux[:, 0])))
    blue = float(np.median(np.log(flux[:, 1] / flux[:, 2])))
    return (float(np.exp(red)), 1.0, float(np.exp(blue))), int(good.sum())
