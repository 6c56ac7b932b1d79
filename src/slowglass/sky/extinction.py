"""Air between the sky and the telescope: path length and dimming."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


def airmass(altitude_apparent_deg: npt.ArrayLike) -> Floats:
    """Relative air mass at an apparent altitude: 1 at the zenith, 38 at the horizon.

    NaN below the horizon. Kasten & Young 1989, Applied Optics 28, 4735.
    """
    h = np.asarray(altitude_apparent_deg, dtype=np.float64)
    up = np.where((h >= 0.0) & (h <= 90.0), h, np.nan)
    path = 1.0 / (np.sin(np.radians(up)) + 0.50572 * (up + 6.07995) ** -1.6364)
    return np.asarray(path)


def extinction_mag_per_airmass(height_m: float = 0.0, *, haze: float = 1.0) -> float:
    """Visual extinction of clear air at a height above sea level, magnitudes per air mass.

    ``haze`` multiplies the part that dust and droplets take.

    Rayleigh, aerosol and ozone parts of Green 1992, International Comet Quarterly 14, 55.
    Real nights scatter by 0.1 about it, mostly through haze.
    """
    height_km = height_m / 1000.0
    rayleigh = 0.1451 * np.exp(-height_km / 7.996)
    aerosol = haze * 0.120 * np.exp(-height_km / 1.5)
    ozone = 0.016
    return float(rayleigh + aerosol + ozone)
