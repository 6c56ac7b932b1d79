"""Finding frames in the logbook."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from slowglass.learn.logbook.records import FrameQuery
from slowglass.learn.logbook.schema import frames, nights
from slowglass.sky.coords import separation_deg

if TYPE_CHECKING:
    from sqlalchemy.engine import Connection


def frame_rows(connection: Connection, query: FrameQuery) -> Sequence[Mapping[Any, Any]]:
    """Rows of the frames table that answer the query, in the order they were taken."""
    wanted = _answering(sa.select(frames), query)
    wanted = wanted.order_by(frames.c.start_utc, frames.c.id)
    if query.limit is not None and query.near is None:
        wanted = wanted.limit(query.limit)
    rows = connection.execute(wanted).mappings().all()
    if query.near is None:
        return rows
    ra, dec, radius = query.near
    close = [r for r in rows if separation_deg(ra, dec, r["ra_deg"], r["dec_deg"]) <= radius]
    return close[: query.limit]


def frame_count(connection: Connection, query: FrameQuery) -> int:
    """How many frames answer the query, its limit aside."""
    if query.near is None:
        wanted = _answering(sa.select(sa.func.count()).select_from(frames), query)
        return int(connection.execute(wanted).scalar_one())
    places = connection.execute(_answering(sa.select(frames.c.ra_deg, frames.c.dec_deg), query))
    ra, dec, radius = query.near
    return sum(bool(separation_deg(ra, dec, *place) <= radius) for place in places)


def _answering(wanted: sa.Select[Any], query: FrameQuery) -> sa.Select[Any]:
    """The statement with every condition of the query."""
    gone = frames.c.removed_utc
    wanted = wanted.where(gone.is_not(None) if query.removed else gone.is_(None))
    wanted = _of_nights(wanted, query)
    for condition in _of_frames(query):
        wanted = wanted.where(condition)
    return wanted if query.near is None else wanted.where(_box(*query.near))


@dataclass(frozen=True)
class NightCount:
    """The light frames of one night in numbers."""

    night_id: int
    frames: int
    keepers: int
    kept_s: float
    objects: tuple[str, ...]


def night_counts(connection: Connection) -> dict[int, NightCount]:
    """What each night holds, counted by the database: no frame is read."""
    light = frames.c.kind == "light", frames.c.removed_utc.is_(None)
    kept = sa.case((frames.c.keeper, sa.func.coalesce(frames.c.exposure_s, 0.0)), else_=0.0)
    keepers = sa.func.sum(sa.cast(frames.c.keeper, sa.Integer))
    columns = frames.c.night_id, sa.func.count(), keepers, sa.func.sum(kept)
    counts = connection.execute(sa.select(*columns).where(*light).group_by(frames.c.night_id))
    pairs = sa.select(frames.c.night_id, frames.c.object).where(*light).distinct()
    objects: dict[int, list[str]] = defaultdict(list)
    for night_id, name in connection.execute(pairs):
        if name:
            objects[night_id].append(name)
    return {
        night_id: NightCount(night_id, count, good, seconds, tuple(sorted(objects[night_id])))
        for night_id, count, good, seconds in counts
    }


def _of_nights(wanted: sa.Select[Any], query: FrameQuery) -> sa.Select[Any]:
    conditions = [
        column == value
        for column, value in (
            (nights.c.evening, query.evening),
            (nights.c.kit, query.kit),
            (nights.c.site, query.site),
        )
        if value is not None
    ]
    if query.since is not None:
        conditions.append(nights.c.evening >= query.since)
    if query.until is not None:
        conditions.append(nights.c.evening <= query.until)
    if not conditions:
        return wanted
    return wanted.where(frames.c.night_id.in_(sa.select(nights.c.id).where(*conditions)))


def _of_frames(query: FrameQuery) -> list[sa.ColumnElement[bool]]:
    equal = [
        (frames.c.object, query.object),
        (frames.c.kind, query.kind),
        (frames.c.keeper, query.keeper),
        (frames.c.solved, query.solved),
    ]
    conditions: list[sa.ColumnElement[bool]] = [c == v for c, v in equal if v is not None]
    if query.fwhm_below_arcsec is not None:
        conditions.append(frames.c.fwhm_arcsec < query.fwhm_below_arcsec)
    if query.elongation_below is not None:
        conditions.append(frames.c.elongation < query.elongation_below)
    if query.exposure_from_s is not None:
        conditions.append(frames.c.exposure_s >= query.exposure_from_s)
    if query.exposure_to_s is not None:
        conditions.append(frames.c.exposure_s <= query.exposure_to_s)
    if query.sky_darker_than is not None:
        conditions.append(frames.c.sky_mag_arcsec2 > query.sky_darker_than)
    if query.reaching_mag is not None:
        conditions.append(frames.c.faintest_mag >= query.reaching_mag)
    if query.text:
        # Looked up in the narrow index of names, not in the wide rows.
        named = sa.select(frames.c.id).where(frames.c.file.contains(query.text, autoescape=True))
        conditions.append(frames.c.id.in_(named))
    return conditions


def _box(ra_deg: float, dec_deg: float, radius_deg: float) -> sa.ColumnElement[bool]:
    """A box in RA and Dec that holds the whole circle, for the index to work on."""
    low, high = dec_deg - radius_deg, dec_deg + radius_deg
    inside = frames.c.dec_deg.between(low, high)
    if high >= 90.0 or low <= -90.0:
        return inside
    # A circle's widest RA lies poleward of its centre: sin(half width) = sin r / cos dec.
    half = math.degrees(
        math.asin(min(1.0, math.sin(math.radians(radius_deg)) / math.cos(math.radians(dec_deg))))
    )
    west, east = (ra_deg - half) % 360.0, (ra_deg + half) % 360.0
    column = frames.c.ra_deg
    span = column.between(west, east) if west <= east else (column >= west) | (column <= east)
    return inside & span
