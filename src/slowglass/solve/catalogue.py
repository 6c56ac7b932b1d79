"""The catalogue as the solver wants it: a sky grid, motions, and the triangle index."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from slowglass.solve.grid import SkyGrid, build_grid, stars_within
from slowglass.solve.index import Depth, build_depth, depth_sizes

Floats = npt.NDArray[np.float64]

MAS_TO_RAD = np.pi / 180.0 / 3600.0e3


@dataclass(frozen=True)
class SolveCatalogue:
    """Stars at the catalogue's epoch, sorted by cell, with their motions and triangles."""

    grid: SkyGrid
    motion: Floats
    """(n, 3): change of the unit vector in a year."""
    depths: tuple[Depth, ...]
    epoch_year: float
    limit_mag: float
    """Faintest magnitude to which the catalogue is complete."""
    area_sr: float = 4.0 * np.pi
    """Area of sky the stars are spread over."""
    own_error_arcsec: Floats | None = None
    """(n,): error of the place of own stars, 0 for listed ones; None where all are listed."""
    own_odds_log10: Floats | None = None
    """(n,): odds of the frames own stars come from, infinite for listed ones."""

    def in_cone(self, ra_deg: float, dec_deg: float, radius_deg: float) -> npt.NDArray[np.int64]:
        """Rows of the stars in a cone (at the catalogue's epoch)."""
        ra, dec = np.radians(ra_deg), np.radians(dec_deg)
        direction = np.cos(dec) * np.cos(ra), np.cos(dec) * np.sin(ra), np.sin(dec)
        out = np.empty(4096, dtype=np.int64)
        cone = *direction, np.radians(radius_deg), np.inf, *self.grid.args()
        count, _ = stars_within(*cone, out)
        if count > len(out):
            out = np.empty(count, dtype=np.int64)
            stars_within(*cone, out)
        return out[:count]

    def radec_at(self, rows: npt.NDArray[np.int64], epoch_year: float) -> tuple[Floats, Floats]:
        """ICRS (ra, dec) in degrees of stars at an epoch, proper motion applied."""
        v = self.grid.vectors[rows] + self.motion[rows] * (epoch_year - self.epoch_year)
        ra = np.degrees(np.arctan2(v[:, 1], v[:, 0])) % 360.0
        dec = np.degrees(np.arctan2(v[:, 2], np.hypot(v[:, 0], v[:, 1])))
        return ra, dec


def build_catalogue(
    *,
    ra_deg: Floats,
    dec_deg: Floats,
    mag: Floats,
    pm_ra_mas_yr: Floats,
    pm_dec_mas_yr: Floats,
    epoch_year: float,
    limit_mag: float,
    area_sr: float = 4.0 * np.pi,
    own_error_arcsec: Floats | None = None,
    own_odds_log10: Floats | None = None,
) -> SolveCatalogue:
    """Lay out catalogue arrays of shape (n,) for solving; ``pm_ra`` includes cos(dec)."""
    ra, dec = np.radians(ra_deg), np.radians(dec_deg)
    vectors = np.column_stack([np.cos(dec) * np.cos(ra), np.cos(dec) * np.sin(ra), np.sin(dec)])
    grid = build_grid(vectors, mag)
    ra, dec = ra[grid.order], dec[grid.order]
    east = np.column_stack([-np.sin(ra), np.cos(ra), np.zeros_like(ra)])
    north = np.column_stack([-np.sin(dec) * np.cos(ra), -np.sin(dec) * np.sin(ra), np.cos(dec)])
    motion = MAS_TO_RAD * (
        pm_ra_mas_yr[grid.order, None] * east + pm_dec_mas_yr[grid.order, None] * north
    )
    depths = tuple(build_depth(grid, count) for count in depth_sizes(len(grid)))
    return SolveCatalogue(
        grid,
        motion,
        depths,
        epoch_year,
        limit_mag,
        area_sr,
        None if own_error_arcsec is None else own_error_arcsec[grid.order],
        None if own_odds_log10 is None else own_odds_log10[grid.order],
    )
