"""The star catalogue: memory-mapped arrays in declination bands, cone search, proper motion.

Positions are ICRS at epoch J2016.0, unit vectors in float64. Rows are sorted into declination
bands one degree high and by right ascension inside a band, so that a cone touches one or two
runs of rows in each band.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from functools import cached_property

import numpy as np
import numpy.typing as npt

from slowglass.sky.coords import sky_angles, unit_vectors
from slowglass.sky.objects import ObjectCatalogue, SkyObject

__all__ = ["EPOCH_YEAR", "ObjectCatalogue", "SkyObject", "StarCatalogue", "Stars"]

Floats = npt.NDArray[np.float64]

EPOCH_YEAR = 2016.0
BAND_DEG = 1.0
BANDS = 180
RAD_PER_MAS = np.pi / 180.0 / 3.6e6
STAR_COLUMNS = (
    "vectors", "ra_deg", "dec_deg", "mag", "v_mag", "bv", "pm_ra_mas", "pm_dec_mas",
    "source_id", "hip", "by_mag",
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class Stars:
    """Stars as parallel arrays, brightest first.

    ``mag`` is Gaia G; ``v_mag`` Johnson V; ``bv`` Johnson B−V, NaN where unknown. ``hip`` is
    the Hipparcos number or 0; ``source_id`` the Gaia DR3 number, or −HIP for a star that only
    Hipparcos has.
    """

    ra_deg: Floats
    dec_deg: Floats
    mag: Floats
    bv: Floats
    v_mag: Floats
    source_id: npt.NDArray[np.int64]
    hip: npt.NDArray[np.int32]

    def __len__(self) -> int:
        return int(self.ra_deg.size)

    @cached_property
    def vectors(self) -> Floats:
        """Unit vectors (n, 3)."""
        return unit_vectors(self.ra_deg, self.dec_deg)

    def take(self, index: npt.ArrayLike) -> Stars:
        """The chosen rows (indices or mask), in that order."""
        chosen = np.asarray(index)
        if chosen.size == 0:
            chosen = chosen.astype(np.intp)
        return Stars(**{f.name: getattr(self, f.name)[chosen] for f in fields(self)})


def band_of(dec_deg: npt.ArrayLike) -> npt.NDArray[np.int64]:
    """Band number 0 (south pole) to 179 of declinations."""
    band = np.floor((np.asarray(dec_deg, dtype=np.float64) + 90.0) / BAND_DEG)
    return np.asarray(np.clip(band, 0, BANDS - 1), dtype=np.int64)


def move(
    vectors: Floats,
    ra_deg: npt.ArrayLike,
    dec_deg: npt.ArrayLike,
    pm_ra_mas: npt.ArrayLike,
    pm_dec_mas: npt.ArrayLike,
    years: float,
) -> Floats:
    """Unit vectors carried along straight lines in space for some years.

    ``pm_ra_mas`` holds the factor cos δ, mas per year. Working with vectors in place of
    angles keeps the poles safe.
    """
    ra, dec = np.radians(ra_deg), np.radians(dec_deg)
    zero = np.zeros_like(ra)
    east = np.stack([-np.sin(ra), np.cos(ra), zero], axis=-1)
    north = np.stack([-np.sin(dec) * np.cos(ra), -np.sin(dec) * np.sin(ra), np.cos(dec)], axis=-1)
    pm_ra = np.asarray(pm_ra_mas, dtype=np.float64)[..., None]
    pm_dec = np.asarray(pm_dec_mas, dtype=np.float64)[..., None]
    moved = vectors + (east * pm_ra + north * pm_dec) * (RAD_PER_MAS * years)
    return np.asarray(moved / np.linalg.norm(moved, axis=-1, keepdims=True))


class StarCatalogue:
    """All the stars there are, most of them left on disk until asked for."""

    def __init__(self, columns: Mapping[str, npt.NDArray]) -> None:
        self._columns = dict(columns)
        self.vectors: Floats = self._columns["vectors"]
        dec = self._columns["dec_deg"]
        self._band_start = np.searchsorted(band_of(dec), np.arange(BANDS + 1))
        self._bright_mag = self._columns["mag"][self._columns["by_mag"]]

    def __len__(self) -> int:
        return len(self.vectors)

    def column(self, name: str) -> npt.NDArray:
        """A memory-mapped column in the catalogue's own (sky) order, epoch 2016.0."""
        return self._columns[name]

    @cached_property
    def _fastest_mas(self) -> float:
        pm = np.hypot(self._columns["pm_ra_mas"], self._columns["pm_dec_mas"])
        return float(pm.max(initial=0.0))

    @cached_property
    def _row_of_hip(self) -> dict[int, int]:
        hip = self._columns["hip"]
        rows = np.flatnonzero(hip)
        return dict(zip(hip[rows].tolist(), rows.tolist(), strict=True))

    def rows_near(self, ra_deg: float, dec_deg: float, radius_deg: float) -> npt.NDArray[np.int64]:
        """Row numbers of the stars within a radius at the catalogue's own epoch."""
        radius = min(float(radius_deg), 180.0)
        ra_all = self._columns["ra_deg"]
        reach = 180.0
        if abs(dec_deg) + radius < 90.0:
            sine = np.sin(np.radians(radius)) / np.cos(np.radians(dec_deg))
            reach = float(np.degrees(np.arcsin(min(1.0, sine)))) + 1e-9
        low, high = (ra_deg - reach) % 360.0, (ra_deg + reach) % 360.0
        first = int(band_of(dec_deg - radius))
        last = int(band_of(dec_deg + radius))
        runs: list[tuple[int, int]] = []
        for band in range(first, last + 1):
            start, stop = int(self._band_start[band]), int(self._band_start[band + 1])
            if reach >= 180.0:
                runs.append((start, stop))
                continue
            left, right = start + np.searchsorted(ra_all[start:stop], [low, high])
            if low <= high:
                runs.append((int(left), int(right)))
            else:
                runs += [(start, int(right)), (int(left), stop)]
        centre = unit_vectors(ra_deg, dec_deg)
        # Chord length, not the cosine: that loses a milliarcsecond-sized cone to rounding.
        chord2 = (2.0 * np.sin(np.radians(radius) / 2.0)) ** 2
        found = []
        for a, b in runs:
            if b > a:
                gap = self.vectors[a:b] - centre
                found.append(a + np.flatnonzero(np.einsum("ij,ij->i", gap, gap) <= chord2))
        return np.concatenate(found) if found else np.zeros(0, dtype=np.int64)

    def cone(
        self,
        ra_deg: float,
        dec_deg: float,
        radius_deg: float,
        *,
        mag_limit: float | None = None,
        epoch_year: float = EPOCH_YEAR,
    ) -> Stars:
        """Stars within a radius at an epoch, brightest first; none found is an empty ``Stars``."""
        margin = self._fastest_mas * abs(epoch_year - EPOCH_YEAR) / 3.6e6
        rows = self.rows_near(ra_deg, dec_deg, radius_deg + margin)
        if mag_limit is not None:
            rows = rows[self._columns["mag"][rows] <= mag_limit]
        rows = rows[np.argsort(self._columns["mag"][rows], kind="stable")]
        stars = self._stars(rows, epoch_year)
        if margin > 0.0:
            gap = stars.vectors - unit_vectors(ra_deg, dec_deg)
            inside = np.sum(gap**2, axis=1) <= (2.0 * np.sin(np.radians(radius_deg) / 2.0)) ** 2
            stars = stars.take(inside)
        return stars

    def brightest(
        self,
        n: int | None = None,
        *,
        mag_limit: float | None = None,
        epoch_year: float = EPOCH_YEAR,
    ) -> Stars:
        """The n brightest stars of the sky, or all to a magnitude (G), brightest first."""
        count = len(self) if n is None else min(n, len(self))
        if mag_limit is not None:
            count = min(count, int(np.searchsorted(self._bright_mag, mag_limit, side="right")))
        return self._stars(np.asarray(self._columns["by_mag"][:count]), epoch_year)

    def by_hip(self, hip: int, *, epoch_year: float = EPOCH_YEAR) -> Stars | None:
        """The one star with a Hipparcos number, or None."""
        row = self._row_of_hip.get(int(hip))
        return None if row is None else self._stars(np.array([row]), epoch_year)

    def _stars(self, rows: npt.NDArray, epoch_year: float) -> Stars:
        picked = {name: np.asarray(self._columns[name][rows]) for name in STAR_COLUMNS[1:-1]}
        ra, dec = picked["ra_deg"], picked["dec_deg"]
        if epoch_year != EPOCH_YEAR:
            moved = move(
                self.vectors[rows], ra, dec, picked["pm_ra_mas"], picked["pm_dec_mas"],
                epoch_year - EPOCH_YEAR,
            )  # fmt: skip
            ra, dec = sky_angles(moved)
        return Stars(
            ra_deg=ra,
            dec_deg=dec,
            mag=picked["mag"].astype(np.float64),
            bv=picked["bv"].astype(np.float64),
            v_mag=picked["v_mag"].astype(np.float64),
            source_id=picked["source_id"],
            hip=picked["hip"],
        )
