"""Deepening the catalogue: what it will cost, and doing it tile by tile."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from slowglass.errors import CatalogueMissing, NothingUseful, UsageError
from slowglass.progress import Report, silent
from slowglass.sky import archive
from slowglass.sky.deep import (
    BRIGHTEST_LIMIT_MAG,
    BYTES_PER_STAR,
    FAINTEST_LIMIT_MAG,
    Tile,
    all_tiles,
    expected_stars,
    tiles_around,
)
from slowglass.sky.deep_store import DeepStore
from slowglass.sky.place import Place

STAGE = "deeper stars"


@dataclass(frozen=True)
class DeepenPlan:
    """What a deepening will fetch; stars and megabytes are estimates."""

    to_mag: float
    tiles: tuple[Tile, ...]
    to_fetch: tuple[Tile, ...]
    """Those not yet in the store to that magnitude."""
    stars: int
    megabytes: float


@dataclass(frozen=True)
class DeepenResult:
    """What a deepening did."""

    to_mag: float
    tiles: int
    tiles_fetched: int
    tiles_kept: int
    """Already there and left alone."""
    stars: int
    """In these tiles, the kept ones included."""
    megabytes: float
    folder: Path


def plan_deepening(
    places: Sequence[Place] | None,
    *,
    radius_deg: float,
    to_mag: float,
    store: DeepStore,
) -> DeepenPlan:
    """The tiles round some places (None: of the whole sky) and about what they will hold."""
    if not BRIGHTEST_LIMIT_MAG <= to_mag <= FAINTEST_LIMIT_MAG:
        raise UsageError(
            f"magnitude {to_mag:g} is outside {BRIGHTEST_LIMIT_MAG:g} to {FAINTEST_LIMIT_MAG:g}",
            "the packaged stars reach 10; 14 suits frames of half a degree",
        )
    to_mag = round(to_mag, 2)
    if places is None:
        tiles = all_tiles()
    else:
        tiles = tiles_around([(p.ra_deg, p.dec_deg) for p in places], radius_deg)
    there = store.contents()
    to_fetch = tuple(t for t in tiles if t not in there or there[t].to_mag < to_mag)
    stars = expected_stars(to_fetch, to_mag)
    return DeepenPlan(to_mag, tiles, to_fetch, stars, round(stars * BYTES_PER_STAR / 1e6, 2))


def deepen(
    plan: DeepenPlan,
    *,
    store: DeepStore,
    url: str,
    manners: archive.Manners | None = None,
    report: Report = silent,
) -> DeepenResult:
    """Fetch a plan's missing tiles into the store; each is kept as soon as it is whole.

    ``report`` is called between tiles and may stop the work there.
    """
    manners = manners or archive.Manners()
    free = store.free_megabytes()
    if plan.to_fetch and plan.megabytes * 1.2 > free:
        raise CatalogueMissing(
            f"{store.folder}: about {plan.megabytes:.0f} MB are needed and {free:.0f} MB are free",
            "choose a brighter --to-mag, or set SLOWGLASS_DEEP to another folder",
        )
    store.sweep()
    total = len(plan.to_fetch)
    if total:
        with archive.open_session() as session:
            for done, tile in enumerate(plan.to_fetch):
                report(STAGE, done, total)
                if done:
                    manners.sleep(manners.between_tiles_s)
                try:
                    stars = archive.fetch_tile(
                        tile, plan.to_mag, url=url, session=session, manners=manners
                    )
                except NothingUseful as error:
                    if not done:
                        raise
                    raise NothingUseful(
                        f"{error.what}; {done} of {total} tiles are fetched and kept",
                        f"{error.cure}; the same command goes on from there",
                    ) from error
                store.save(tile, plan.to_mag, stars)
        report(STAGE, total, total)
    there = store.contents()
    stars_held = sum(there[t].stars for t in plan.tiles if t in there)
    return DeepenResult(
        to_mag=plan.to_mag,
        tiles=len(plan.tiles),
        tiles_fetched=total,
        tiles_kept=len(plan.tiles) - total,
        stars=stars_held,
        megabytes=round(stars_held * BYTES_PER_STAR / 1e6, 2),
        folder=store.folder,
    )
