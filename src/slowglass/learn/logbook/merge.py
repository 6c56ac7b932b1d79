"""Bringing another logbook's entries into this one, without doubles."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from slowglass.errors import UnreadableFile
from slowglass.learn.logbook import schema
from slowglass.learn.logbook.store import Logbook, now_utc

if TYPE_CHECKING:
    from sqlalchemy.engine import Connection

KEYS = ("id", "night_id")


def merge(logbook: Logbook, parts: Mapping[str, list[Any]], *, source: Path) -> int:
    """How many entries were new; all are entered in one transaction, or none.

    A frame already known by its fingerprint keeps its entry here; nights are one when evening,
    site and kit agree; other entries are one when all that they say agrees.
    """
    with logbook.writing() as connection:
        new, night_ids = _nights(connection, parts.get("nights", []))
        for name in ("frames", "plans", "pictures", "notes", "measurements"):
            rows = [asdict(entry) for entry in parts.get(name, [])]
            for row in rows:
                _renumber(row, night_ids, name, source)
            new += _enter(connection, schema.metadata.tables[name], rows)
    return new


def _nights(connection: Connection, nights: list[Any]) -> tuple[int, dict[int, int]]:
    table = schema.nights
    here = {
        (row.evening, row.site, row.kit): row.id for row in connection.execute(sa.select(table))
    }
    new, ids = 0, {}
    for night in nights:
        key = (night.evening, night.site, night.kit)
        if key not in here:
            values = {k: v for k, v in asdict(night).items() if k not in KEYS}
            values["made_utc"] = values["made_utc"] or now_utc()
            made = connection.execute(sa.insert(table).values(values)).inserted_primary_key
            here[key] = int(made[0]) if made else 0
            new += 1
        ids[night.id] = here[key]
    return new, ids


def _renumber(row: dict[str, Any], night_ids: Mapping[int, int], name: str, source: Path) -> None:
    row.pop("id")
    row["made_utc"] = row["made_utc"] or now_utc()
    if "sources" in row:
        row["sources"] = list(row["sources"])
    night = row.get("night_id")
    if night is None and name not in ("frames", "plans"):
        return
    if not isinstance(night, int) or night not in night_ids:
        raise UnreadableFile(source, f"an entry of {name} belongs to night {night}, which it lacks")
    row["night_id"] = night_ids[night]


def _enter(connection: Connection, table: sa.Table, rows: list[dict[str, Any]]) -> int:
    """Rows not there yet, written; how many they were."""
    if table is schema.frames:
        known = set(connection.execute(sa.select(table.c.fingerprint)).scalars())

        def mark(row: Mapping[Any, Any]) -> str:
            return str(row["fingerprint"])
    else:
        columns = [c for c in table.c if c.name not in ("id", "removed_utc", "adopted_utc")]

        def mark(row: Mapping[Any, Any]) -> str:
            return json.dumps([row.get(c.name) for c in columns], sort_keys=True)

        known = {mark(row) for row in connection.execute(sa.select(*columns)).mappings()}
    fresh = {mark(row): row for row in rows if mark(row) not in known}
    if fresh:
        connection.execute(sa.insert(table), list(fresh.values()))
    return len(fresh)
