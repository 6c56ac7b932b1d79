"""Earth rotation from the IERS table that ships as a package: UT1−UTC and the pole, offline.

Source: IERS Rapid Service finals2000A (Bulletin A with predictions a year ahead), through the
``astropy-iers-data`` package; columns as its ReadMe gives them. Astropy is not imported.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

_ARCSEC_RAD = np.pi / 648000.0


@dataclass(frozen=True)
class EarthRotation:
    """UT1−UTC in seconds and the pole's place in radians, per moment."""

    ut1_utc_s: Floats
    pole_x_rad: Floats
    pole_y_rad: Floats


@lru_cache(maxsize=1)
def _table() -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """MJD, UT1−UTC in seconds without its leap seconds, those, pole x and pole y in arcseconds.

    Empty with no table.
    """
    spec = find_spec("astropy_iers_data")
    empty = np.zeros(0)
    if spec is None or not spec.submodule_search_locations:
        return empty, empty, empty, empty, empty
    path = Path(spec.submodule_search_locations[0]) / "data" / "finals2000A.all"
    try:
        lines = path.read_text(encoding="ascii").splitlines()
        rows = [
            (float(s[7:15]), float(s[58:68]), float(s[18:27]), float(s[37:46]))
            for s in lines
            if len(s) >= 68 and s[58:68].strip() and s[18:27].strip()
        ]
    except (OSError, ValueError):
        return empty, empty, empty, empty, empty
    mjd, ut1_utc, x, y = np.array(rows, dtype=np.float64).T
    # Leap seconds are taken out before interpolating and put back after.
    steps = np.concatenate([[0.0], np.cumsum(np.round(np.diff(ut1_utc)))])
    return mjd, ut1_utc - steps, steps, x, y


def earth_rotation(mjd_utc: npt.ArrayLike) -> EarthRotation:
    """Earth rotation at UTC Modified Julian Dates, interpolated linearly between days.

    Beyond the table's end UT1−UTC and the pole keep their last value, before its start (1973)
    and with no table they are 0: an error of at most 0.9 s, 14″ of rotation. Across a leap
    second the step is kept on the day's edge.
    """
    mjd = np.asarray(mjd_utc, dtype=np.float64)
    days, level, steps, x, y = _table()
    if days.size == 0:
        zero = np.zeros_like(mjd)
        return EarthRotation(zero, zero, zero)
    smooth = np.interp(mjd, days, level, left=0.0)
    index = np.clip(np.searchsorted(days, mjd, side="right") - 1, 0, days.size - 1)
    ut1 = np.where(mjd < days[0], 0.0, smooth + steps[index])
    pole_x = np.interp(mjd, days, x, left=0.0) * _ARCSEC_RAD
    pole_y = np.interp(mjd, days, y, left=0.0) * _ARCSEC_RAD
    return EarthRotation(np.asarray(ut1), np.asarray(pole_x), np.asarray(pole_y))
