"""The solver's catalogue for one cone: with deeper stars of the tiles there, and with own stars."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import numpy.typing as npt

from slowglass.sky.catalogue import EPOCH_YEAR, StarCatalogue
from slowglass.sky.coords import unit_vectors
from slowglass.sky.deep import (
    SAME_STAR_ARCSEC,
    SKY_DEG2,
    DeepStars,
    MergedStars,
    Tile,
    merge,
    tiles_in_cone,
)
from slowglass.sky.deep_store import DeepStore, StoredTile
from slowglass.sky.own import OwnStars
from slowglass.sky.own_store import OwnStore
from slowglass.sky.store import Sky
from slowglass.solve.catalogue import SolveCatalogue, build_catalogue
from slowglass.solve.types import Prior

ENOUGH_STARS = 40.0
"""Base stars in a frame, on average round the pointing, that make deeper ones needless."""
MOST_STARS = 300_000
"""Stars a cone may bring; with more, the faintest are left out everywhere."""


def local_catalogue(
    sky: Sky,
    base: SolveCatalogue,
    prior: Prior,
    width_px: int,
    height_px: int,
    *,
    own_stars: bool = False,
) -> SolveCatalogue | None:
    """Base and deeper stars of the prior's cone; None where the base alone will do.

    That is without a pointing or a scale, for frames wide enough to hold plenty of base stars,
    and where no deeper tile reaches into the cone. With ``own_stars`` the believed own stars are
    laid out as well, and None says that none of them is there.
    """
    scale = prior.scale_arcsec_per_px
    if prior.ra_deg is None or prior.dec_deg is None or scale is None:
        return None
    store = DeepStore()
    if not store.folder.is_dir():
        return None
    _, scale_high = prior.scale_range(width_px, height_px)
    half_diagonal = float(np.hypot(width_px, height_px)) / 2.0 * scale_high / 3600.0
    radius = min(180.0, prior.cone_radius_deg + half_diagonal)
    in_cone = len(base.in_cone(prior.ra_deg, prior.dec_deg, radius))
    frame_deg2 = width_px * height_px * (scale / 3600.0) ** 2
    if in_cone * frame_deg2 / _cone_deg2(radius) > ENOUGH_STARS:
        return None
    own = OwnStore().fingerprint() if own_stars else ()
    there = store.contents()
    wanted = tiles_in_cone(prior.ra_deg, prior.dec_deg, radius)
    tiled = not there.keys().isdisjoint(wanted)
    if not (own or tiled) or (own_stars and not own):
        return None
    cone = _snapped(prior.ra_deg, prior.dec_deg, radius)
    stored = tuple(there[tile] for tile in tiles_in_cone(*cone) if tile in there)
    built = _build(_Handle(sky.folder, sky.stars), stored, own, *cone)
    if own_stars and not np.any(built.catalogue.own_error_arcsec):
        return None
    if not own_stars and built.reached.keys().isdisjoint(wanted):
        return None
    limit = base.limit_mag
    if all(tile in built.reached for tile in wanted):
        limit = max(limit, min(built.reached[tile] for tile in wanted))
    return replace(built.catalogue, limit_mag=min(limit, built.cut_mag))


def _snapped(ra_deg: float, dec_deg: float, radius_deg: float) -> tuple[float, float, float]:
    """A cone round a cone, the same for pointings close together: what is built serves them all."""
    step = radius_deg / 8.0
    dec = float(np.clip(round(dec_deg / step) * step, -90.0, 90.0))
    ra_step = step / max(float(np.cos(np.radians(dec))), 1e-6)
    return round(ra_deg / ra_step) * ra_step % 360.0, dec, min(180.0, radius_deg + step)


@dataclass(frozen=True, eq=False)
class _Built:
    """A cone's catalogue, the magnitude each of its tiles reaches, and the cut made to all."""

    catalogue: SolveCatalogue
    reached: dict[Tile, float]
    cut_mag: float


class _Handle:
    """The stars of a sky for the cache below, which tells skies apart by their folder."""

    def __init__(self, folder: Path, stars: StarCatalogue) -> None:
        self.folder = folder
        self.stars = stars

    def __hash__(self) -> int:
        return hash(self.folder)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Handle) and self.folder == other.folder


def _cone_deg2(radius_deg: float) -> float:
    return float(SKY_DEG2 * (1.0 - np.cos(np.radians(radius_deg))) / 2.0)


@lru_cache(maxsize=4)
def _build(
    handle: _Handle,
    stored: tuple[StoredTile, ...],
    own: tuple[tuple[str, int, int], ...],
    ra_deg: float,
    dec_deg: float,
    radius_deg: float,
) -> _Built:
    store = DeepStore()
    centre = unit_vectors(ra_deg, dec_deg)
    chord2 = (2.0 * np.sin(np.radians(radius_deg) / 2.0)) ** 2
    parts: list[DeepStars] = []
    reached: dict[Tile, float] = {}
    for entry in stored:
        stars = store.load(entry)
        if stars is None:
            continue  # damaged: as if it were not there
        reached[entry.tile] = entry.to_mag
        gap = unit_vectors(stars.ra_deg, stars.dec_deg) - centre
        parts.append(stars.take(np.einsum("ij,ij->i", gap, gap) <= chord2))
    rows = handle.stars.rows_near(ra_deg, dec_deg, radius_deg)
    merged = merge(handle.stars, rows, DeepStars.joined(parts))
    mine = OwnStars.none()
    if own:
        mine = OwnStore().near(ra_deg, dec_deg, radius_deg)
        mine = mine.take(_unlisted(mine, merged))
    listed, none = np.zeros(len(merged.mag)), np.zeros(len(mine))
    mag = np.concatenate([merged.mag, mine.g_mag])
    cut = np.inf
    keep = np.ones(len(mag), dtype=bool)
    if len(keep) > MOST_STARS:
        cut = float(np.partition(mag, MOST_STARS)[MOST_STARS])
        keep = mag < cut
    catalogue = build_catalogue(
        ra_deg=np.concatenate([merged.ra_deg, mine.ra_deg])[keep],
        dec_deg=np.concatenate([merged.dec_deg, mine.dec_deg])[keep],
        mag=mag[keep],
        pm_ra_mas_yr=np.concatenate([merged.pm_ra_mas, none])[keep],
        pm_dec_mas_yr=np.concatenate([merged.pm_dec_mas, none])[keep],
        own_error_arcsec=np.concatenate([listed, mine.sigma_arcsec])[keep],
        own_odds_log10=np.concatenate([listed + np.inf, mine.odds_log10])[keep],
        epoch_year=EPOCH_YEAR,
        limit_mag=cut,
        area_sr=4.0 * np.pi * _cone_deg2(radius_deg) / SKY_DEG2,
    )
    return _Built(catalogue, reached, cut)


def _unlisted(mine: OwnStars, merged: MergedStars) -> npt.NDArray[np.bool_]:
    """Which own stars are none of the listed ones, which may have been fetched since."""
    if not len(mine) or not len(merged.mag):
        return np.ones(len(mine), dtype=bool)
    from scipy.spatial import cKDTree

    there = cKDTree(unit_vectors(merged.ra_deg, merged.dec_deg))
    gap, _ = there.query(unit_vectors(mine.ra_deg, mine.dec_deg))
    return np.asarray(gap > np.radians(SAME_STAR_ARCSEC / 3600.0))
