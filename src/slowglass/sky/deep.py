"""Deeper stars, without disk or network: the tiles, what to ask for them, how they join the base.

The sky is cut into declination bands three degrees high, each into equal steps of right
ascension about as wide. A tile is asked for, kept and used whole.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from slowglass.sky.catalogue import EPOCH_YEAR, StarCatalogue, move
from slowglass.sky.coords import separation_deg, sky_angles, unit_vectors

Floats = npt.NDArray[np.float64]

TILE_DEG = 3.0
BANDS = round(180.0 / TILE_DEG)
SKY_DEG2 = 129600.0 / np.pi
BRIGHTEST_LIMIT_MAG, FAINTEST_LIMIT_MAG = 10.5, 18.0
"""Magnitudes a deepening may go to: the base ends at 10; past 18 a tile in the plane of the
Milky Way holds more stars than the archive hands out at once."""
BYTES_PER_STAR = 40
TABLE = "gaiadr3.gaia_source"
SAME_PLACE_ARCSEC = 0.8
"""Any star this close to a base star is that star, or the companion its light was added to."""
SAME_STAR_ARCSEC, SAME_STAR_MAG = 3.0, 0.5
"""A star this close and this alike is the base star, whose place there is the less certain."""


@dataclass(frozen=True, order=True)
class Tile:
    """One tile: band 0 (south pole) to 59 and step eastward from right ascension 0."""

    band: int
    step: int

    @property
    def name(self) -> str:
        """The tile's name in file names and messages."""
        return f"{self.band:02d}-{self.step:03d}"

    @property
    def bounds_deg(self) -> tuple[float, float, float, float]:
        """Right ascension from and to, declination from and to, degrees."""
        width = 360.0 / steps_in_band(self.band)
        south = -90.0 + TILE_DEG * self.band
        return self.step * width, (self.step + 1) * width, south, south + TILE_DEG

    @property
    def centre_deg(self) -> tuple[float, float]:
        """Middle right ascension and declination, degrees."""
        west, east, south, north = self.bounds_deg
        return (west + east) / 2.0, (south + north) / 2.0

    @property
    def circle_radius_deg(self) -> float:
        """Radius of the circle round the centre that holds the whole tile, degrees."""
        west, _, south, north = self.bounds_deg
        return float(max(separation_deg(*self.centre_deg, west, dec) for dec in (south, north)))

    @property
    def area_deg2(self) -> float:
        """Area, square degrees."""
        west, east, south, north = self.bounds_deg
        height = np.sin(np.radians(north)) - np.sin(np.radians(south))
        return float((east - west) * np.degrees(height))

    def holds(self, ra_deg: Floats, dec_deg: Floats) -> npt.NDArray[np.bool_]:
        """Which places lie in the tile."""
        west, east, south, north = self.bounds_deg
        top = dec_deg <= north if self.band == BANDS - 1 else dec_deg < north
        return (ra_deg >= west) & (ra_deg < east) & (dec_deg >= south) & top


def steps_in_band(band: int) -> int:
    """Number of tiles in a declination band."""
    edges = np.radians([-90.0 + TILE_DEG * band, -90.0 + TILE_DEG * (band + 1)])
    return max(1, int(360.0 * float(np.max(np.cos(edges))) / TILE_DEG))


def all_tiles() -> tuple[Tile, ...]:
    """Every tile of the sky, south to north."""
    return tuple(Tile(band, step) for band in range(BANDS) for step in range(steps_in_band(band)))


def tiles_in_cone(ra_deg: float, dec_deg: float, radius_deg: float) -> tuple[Tile, ...]:
    """Tiles that together cover a cone; at its rim perhaps one that it only just misses."""
    first = int(np.clip(np.floor((dec_deg - radius_deg + 90.0) / TILE_DEG), 0, BANDS - 1))
    last = int(np.clip(np.floor((dec_deg + radius_deg + 90.0) / TILE_DEG), 0, BANDS - 1))
    reach = 180.0
    if abs(dec_deg) + radius_deg < 90.0:
        sine = np.sin(np.radians(radius_deg)) / np.cos(np.radians(dec_deg))
        reach = float(np.degrees(np.arcsin(min(1.0, sine)))) + 1e-9
    found = []
    for band in range(first, last + 1):
        count = steps_in_band(band)
        low = int(np.floor((ra_deg - reach) / 360.0 * count))
        high = int(np.floor((ra_deg + reach) / 360.0 * count))
        for step in range(low, min(high, low + count - 1) + 1):
            tile = Tile(band, step % count)
            away = float(separation_deg(ra_deg, dec_deg, *tile.centre_deg))
            if away <= radius_deg + tile.circle_radius_deg:
                found.append(tile)
    return tuple(sorted(found))


def tiles_around(places: Iterable[tuple[float, float]], radius_deg: float) -> tuple[Tile, ...]:
    """Tiles that cover a circle round each (ra, dec), each tile once, nearest the places first."""
    wanted: dict[Tile, float] = {}
    for ra, dec in places:
        for tile in tiles_in_cone(ra, dec, radius_deg):
            away = float(separation_deg(ra, dec, *tile.centre_deg))
            wanted[tile] = min(away, wanted.get(tile, 360.0))
    return tuple(sorted(wanted, key=lambda tile: (wanted[tile], tile)))


def query_text(tile: Tile, to_mag: float) -> str:
    """The ADQL 2.0 query for a tile's stars.

    The circle is there for the archive's index of places; the limits cut it to the tile.
    """
    west, east, south, north = tile.bounds_deg
    ra, dec = tile.centre_deg
    below = "<=" if tile.band == BANDS - 1 else "<"
    return (
        "SELECT source_id, ra, dec, pmra, pmdec, phot_g_mean_mag, bp_rp "
        f"FROM {TABLE} "
        f"WHERE 1 = CONTAINS(POINT('ICRS', ra, dec), "
        f"CIRCLE('ICRS', {ra:.6f}, {dec:.6f}, {tile.circle_radius_deg + 0.01:.4f})) "
        f"AND ra >= {west:.9f} AND ra < {east:.9f} "
        f"AND dec >= {south:.9f} AND dec {below} {north:.9f} "
        f"AND phot_g_mean_mag <= {to_mag:.2f}"
    )


def galactic_latitude_deg(ra_deg: npt.ArrayLike, dec_deg: npt.ArrayLike) -> Floats:
    """Galactic latitude, degrees; pole at ICRS 192.85948 +27.12825 (ESA SP-1200, vol. 1, 1997)."""
    ra, dec = np.radians(np.asarray(ra_deg) - 192.85948), np.radians(dec_deg)
    pole = np.radians(27.12825)
    sine = np.sin(dec) * np.sin(pole) + np.cos(dec) * np.cos(pole) * np.cos(ra)
    return np.asarray(np.degrees(np.arcsin(np.clip(sine, -1.0, 1.0))))


_LATITUDE_EDGES_DEG = np.array([5.0, 20.0, 40.0, 60.0])
_PER_DEG2_TO_10 = np.array([24.3, 17.3, 10.0, 6.5, 5.2])
"""Stars to G = 10 per square degree between these galactic latitudes, counted in Gaia DR3."""


def stars_per_deg2(galactic_latitude_deg: npt.ArrayLike, to_mag: float) -> Floats:
    """About how many stars to a G magnitude a square degree holds.

    Counted to G = 10, then along the all-sky law
    log N(<m) = −0.0003 m³ + 0.0019 m² + 0.484 m + 0.795. The law knows no latitude, though
    fainter stars crowd to the plane the more: rougher the fainter.
    """
    zone = np.searchsorted(_LATITUDE_EDGES_DEG, np.abs(galactic_latitude_deg))
    return np.asarray(_PER_DEG2_TO_10[zone] * 10.0 ** (_log_count(to_mag) - _log_count(10.0)))


def _log_count(mag: float) -> float:
    return -0.0003 * mag**3 + 0.0019 * mag**2 + 0.484 * mag + 0.795


def expected_stars(tiles: Iterable[Tile], to_mag: float) -> int:
    """About how many stars to a G magnitude some tiles hold."""
    total = 0.0
    part = (np.arange(4) + 0.5) / 4.0
    for tile in tiles:
        west, east, south, north = tile.bounds_deg
        ra, dec = np.meshgrid(west + part * (east - west), south + part * (north - south))
        density = stars_per_deg2(galactic_latitude_deg(ra, dec), to_mag)
        total += tile.area_deg2 * float(np.average(density, weights=np.cos(np.radians(dec))))
    return round(total)


@dataclass(frozen=True, eq=False)
class DeepStars:
    """Stars of the deeper store: ICRS at ``EPOCH_YEAR``, motions in mas a year (RA with cos δ)."""

    ra_deg: Floats
    dec_deg: Floats
    pm_ra_mas: npt.NDArray[np.float32]
    """0 where the archive has no motion."""
    pm_dec_mas: npt.NDArray[np.float32]
    g_mag: npt.NDArray[np.float32]
    bp_rp: npt.NDArray[np.float32]
    """NaN where unknown."""
    source_id: npt.NDArray[np.int64]

    def __len__(self) -> int:
        return int(self.ra_deg.size)

    def take(self, rows: npt.NDArray) -> DeepStars:
        """The chosen rows (indices or mask)."""
        return DeepStars(**{f.name: getattr(self, f.name)[rows] for f in fields(self)})

    @classmethod
    def joined(cls, parts: Iterable[DeepStars]) -> DeepStars:
        """All the stars of several parts."""
        several = [cls.none(), *parts]
        return cls(
            **{f.name: np.concatenate([getattr(p, f.name) for p in several]) for f in fields(cls)}
        )

    @classmethod
    def none(cls) -> DeepStars:
        """No stars."""
        return cls(**{name: np.empty(0, kind) for name, kind in COLUMN_TYPES.items()})


COLUMN_TYPES: dict[str, type[np.generic]] = {
    "ra_deg": np.float64,
    "dec_deg": np.float64,
    "pm_ra_mas": np.float32,
    "pm_dec_mas": np.float32,
    "g_mag": np.float32,
    "bp_rp": np.float32,
    "source_id": np.int64,
}


@dataclass(frozen=True, eq=False)
class MergedStars:
    """Base stars and the deeper ones they lack, at ``EPOCH_YEAR``."""

    ra_deg: Floats
    dec_deg: Floats
    mag: Floats
    pm_ra_mas: Floats
    pm_dec_mas: Floats
    from_base: int
    """The first so many are the base catalogue's."""


def merge(
    base: StarCatalogue,
    rows: npt.NDArray[np.int64],
    deep: DeepStars,
    *,
    deep_epoch_year: float = EPOCH_YEAR,
) -> MergedStars:
    """The base stars of some rows with the deeper stars that are not among them.

    Deeper stars are first carried by their motion to the base's epoch. One that proves to be a
    base star is dropped; if the base knew no motion for it, it leaves its own behind.
    """
    deep_ra, deep_dec = deep.ra_deg, deep.dec_deg
    vectors = unit_vectors(deep_ra, deep_dec)
    if deep_epoch_year != EPOCH_YEAR and len(deep):
        vectors = move(
            vectors, deep_ra, deep_dec, deep.pm_ra_mas, deep.pm_dec_mas,
            EPOCH_YEAR - deep_epoch_year,
        )  # fmt: skip
        deep_ra, deep_dec = sky_angles(vectors)

    def column(name: str) -> Floats:
        return np.asarray(base.column(name)[rows], dtype=np.float64)

    mag, pm_ra, pm_dec = column("mag"), column("pm_ra_mas"), column("pm_dec_mas")
    still = (pm_ra == 0.0) & (pm_dec == 0.0)
    twin = _base_twin(np.asarray(base.vectors[rows]), mag, vectors, deep)
    unlike = np.where(twin >= 0, np.abs(mag[twin] - deep.g_mag), np.inf) if len(rows) else twin
    gives = np.flatnonzero((twin >= 0) & (unlike < SAME_STAR_MAG))
    gives = gives[still[twin[gives]]]
    # Of two that would give their motion, the more alike comes last and so prevails.
    gives = gives[np.argsort(-unlike[gives], kind="stable")]
    pm_ra[twin[gives]], pm_dec[twin[gives]] = deep.pm_ra_mas[gives], deep.pm_dec_mas[gives]
    new = twin < 0
    return MergedStars(
        np.concatenate([column("ra_deg"), deep_ra[new]]),
        np.concatenate([column("dec_deg"), deep_dec[new]]),
        np.concatenate([mag, deep.g_mag[new].astype(np.float64)]),
        np.concatenate([pm_ra, deep.pm_ra_mas[new].astype(np.float64)]),
        np.concatenate([pm_dec, deep.pm_dec_mas[new].astype(np.float64)]),
        len(rows),
    )


def _base_twin(
    base_vectors: Floats, base_mag: Floats, vectors: Floats, deep: DeepStars
) -> npt.NDArray[np.int64]:
    """For each deeper star the base star it is, or −1."""
    from scipy.spatial import cKDTree

    twin = np.full(len(vectors), -1, dtype=np.int64)
    if not len(vectors) or not len(base_vectors):
        return twin
    arcsec = float(np.radians(1.0 / 3600.0))
    near = cKDTree(base_vectors).query(
        vectors, k=min(3, len(base_vectors)), distance_upper_bound=SAME_STAR_ARCSEC * arcsec
    )
    gaps, stars = (np.reshape(part, (len(vectors), -1)) for part in near)
    for column in range(gaps.shape[1]):
        there = np.isfinite(gaps[:, column])
        star = np.where(there, stars[:, column], 0)
        alike = np.abs(base_mag[star] - deep.g_mag) < SAME_STAR_MAG
        same = there & (alike | (gaps[:, column] < SAME_PLACE_ARCSEC * arcsec))
        twin = np.where((twin < 0) & same, star, twin)
    return twin
