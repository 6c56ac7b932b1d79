"""Opening and writing the logbook: one SQLite file that survives a power cut.

Write-ahead log with full synchronisation: when a call that writes returns, its entry is on the
disk. Nothing is ever deleted: a removed entry is marked and can be brought back.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import asdict, fields
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import sqlalchemy as sa

from slowglass.errors import UnreadableFile, UsageError
from slowglass.learn.logbook import schema
from slowglass.learn.logbook.records import (
    FrameQuery,
    LoggedFrame,
    LoggedMeasurement,
    LoggedNote,
    LoggedPicture,
    LoggedPlan,
    Night,
)
from slowglass.learn.logbook.search import NightCount, frame_count, frame_rows, night_counts

if TYPE_CHECKING:
    from sqlalchemy.engine import Connection, Engine

FILE_NAME = "logbook.sqlite"
EDITION = "2"
"""The newest step of ``migrations/versions``."""
BUSY_S = 20.0
"""How long one process waits for another's write."""
WRITING = {"takes_the_pen": True}

TABLES = {
    Night: schema.nights,
    LoggedFrame: schema.frames,
    LoggedPlan: schema.plans,
    LoggedPicture: schema.pictures,
    LoggedNote: schema.notes,
    LoggedMeasurement: schema.measurements,
}
Kept = TypeVar("Kept", Night, LoggedFrame, LoggedPlan, LoggedPicture, LoggedNote, LoggedMeasurement)
Entry = LoggedFrame | LoggedPlan | LoggedPicture | LoggedNote | LoggedMeasurement


def logbook_path() -> Path:
    """The logbook's file: ``SLOWGLASS_LOGBOOK`` if set, else in the platform's data folder."""
    chosen = os.environ.get("SLOWGLASS_LOGBOOK")
    if chosen:
        return Path(chosen).expanduser()
    import platformdirs

    return Path(platformdirs.user_data_dir("slowglass", appauthor=False)) / FILE_NAME


def open_logbook(path: Path | None = None) -> Logbook:
    """The logbook in a file, made or brought to this edition when needed.

    Raises ``UnreadableFile`` for a file that is no logbook or of a later edition, and leaves it
    as it is; a copy is kept beside the file before its tables change.
    """
    file = logbook_path() if path is None else Path(path)
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UsageError(
            f"the logbook's folder {file.parent} cannot be made ({error.strerror})",
            "name another file in SLOWGLASS_LOGBOOK",
        ) from error
    engine = _engine(file)
    try:
        _bring_up_to_date(engine, file)
    except (sa.exc.DBAPIError, sqlite3.Error) as error:
        engine.dispose()
        raise UnreadableFile(
            file,
            f"is not a readable logbook ({getattr(error, 'orig', error)})",
            "bring a backup back, or name another file in SLOWGLASS_LOGBOOK",
        ) from error
    return Logbook(file, engine)


def now_utc() -> str:
    """This moment as the logbook writes it."""
    return datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


class Logbook:
    """An open logbook. Every method that writes returns when the entry is on the disk."""

    def __init__(self, path: Path, engine: Engine) -> None:
        self.path = path
        self.engine = engine

    def close(self) -> None:
        """Let go of the file."""
        self.engine.dispose()

    def __enter__(self) -> Logbook:
        return self

    def __exit__(self, *details: object) -> None:
        self.close()

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """One transaction; everything in it is kept, or nothing."""
        try:
            with self.engine.execution_options(**WRITING).begin() as connection:
                yield connection
        except sa.exc.OperationalError as error:
            raise UsageError(
                f"the logbook {self.path} cannot be written ({error.orig})",
                "free some space, or close the other program that holds it",
            ) from error

    def night(self, night: Night) -> int:
        """The id of a night; the first call writes it, later ones fill in its conditions."""
        values = _values(night) | {"made_utc": night.made_utc or now_utc()}
        table = schema.nights
        same = (
            (table.c.evening == night.evening)
            & (table.c.site == night.site)
            & (table.c.kit == night.kit)
        )
        with self.writing() as connection:
            found = connection.execute(
                sa.select(table.c.id, table.c.conditions).where(same)
            ).first()
            if found is None:
                return _key(connection.execute(sa.insert(table).values(values)))
            if night.conditions:
                whole = {**found.conditions, **night.conditions}
                connection.execute(sa.update(table).where(same).values(conditions=whole))
            return int(found.id)

    def log_frames(self, night_id: int, frames: Sequence[LoggedFrame]) -> int:
        """How many of the frames are new; one judged again replaces its earlier verdict.

        All are written, or none. A frame is known by its fingerprint, wherever its file is.
        """
        from sqlalchemy.dialects.sqlite import insert

        if not frames:
            return 0
        table = schema.frames
        stamp = now_utc()
        rows = [
            _values(frame) | {"night_id": night_id, "made_utc": frame.made_utc or stamp}
            for frame in frames
        ]
        fresh = insert(table)
        again = {
            name: fresh.excluded[name]
            for name in rows[0]
            if name not in ("fingerprint", "made_utc", "removed_utc")
        }
        statement = fresh.on_conflict_do_update(index_elements=["fingerprint"], set_=again)
        counting = sa.select(sa.func.count()).select_from(table)
        with self.writing() as connection:
            before = connection.execute(counting).scalar_one()
            connection.execute(statement, rows)
            return int(connection.execute(counting).scalar_one() - before)

    def add(self, entry: LoggedPlan | LoggedPicture | LoggedNote | LoggedMeasurement) -> int:
        """The id of a plan, picture, note or measurement just written."""
        values = _values(entry) | {"made_utc": entry.made_utc or now_utc()}
        if not isinstance(entry, LoggedMeasurement):
            values["night_id"] = entry.night_id
        with self.writing() as connection:
            return _key(connection.execute(sa.insert(TABLES[type(entry)]).values(values)))

    def remove(self, kind: type[Entry], entry_id: int, *, undo: bool = False) -> None:
        """Mark an entry as removed, or bring it back; it stays in the file either way."""
        table = TABLES[kind]
        change = sa.update(table).where(table.c.id == entry_id)
        stamp = None if undo else now_utc()
        with self.writing() as connection:
            if connection.execute(change.values(removed_utc=stamp)).rowcount == 0:
                raise UsageError(
                    f"the logbook has no {table.name.rstrip('s')} number {entry_id}",
                    "list them first",
                )

    def adopt(self, measurement_id: int, *, undo: bool = False) -> None:
        """Mark one measured value as the one in use, in place of earlier ones of its kind."""
        table = schema.measurements
        with self.writing() as connection:
            row = connection.execute(
                sa.select(table).where(table.c.id == measurement_id, table.c.removed_utc.is_(None))
            ).first()
            if row is None:
                raise UsageError(
                    f"the logbook has no measurement number {measurement_id}", "list them first"
                )
            kin = (
                (table.c.kit == row.kit)
                & (table.c.quantity == row.quantity)
                & table.c.site.is_not_distinct_from(row.site)
            )
            connection.execute(sa.update(table).where(kin).values(adopted_utc=None))
            if not undo:
                this = sa.update(table).where(table.c.id == measurement_id)
                connection.execute(this.values(adopted_utc=now_utc()))

    def frame(self, fingerprint: str) -> LoggedFrame | None:
        """The frame of that content, in the lists or removed; None where it is not logged."""
        wanted = sa.select(schema.frames).where(schema.frames.c.fingerprint == fingerprint)
        with self.engine.connect() as connection:
            row = connection.execute(wanted).mappings().first()
        return None if row is None else _record(LoggedFrame, row)

    def frames(self, query: FrameQuery | None = None) -> list[LoggedFrame]:
        """The frames that answer a query, in the order they were taken."""
        with self.engine.connect() as connection:
            rows = frame_rows(connection, query or FrameQuery())
        return [_record(LoggedFrame, row) for row in rows]

    def all(
        self,
        kind: type[Kept],
        *,
        night_id: int | None = None,
        object: str | None = None,
        removed: bool = False,
    ) -> list[Kept]:
        """Every entry of a kind, oldest first, of a night or an object where given."""
        table = TABLES[kind]
        wanted = sa.select(table).order_by(table.c.id)
        if kind is not Night:
            gone = table.c.removed_utc
            wanted = wanted.where(gone.is_not(None) if removed else gone.is_(None))
        if night_id is not None:
            column = table.c.id if kind is Night else table.c.night_id
            wanted = wanted.where(column == night_id)
        if object is not None:
            wanted = wanted.where(table.c.object == object)
        with self.engine.connect() as connection:
            rows = connection.execute(wanted).mappings().all()
        return [_record(kind, row) for row in rows]

    def counts(self) -> dict[int, NightCount]:
        """The light frames of each night in numbers, by the night's id."""
        with self.engine.connect() as connection:
            return night_counts(connection)

    def get(self, kind: type[Kept], entry_id: int) -> Kept | None:
        """One entry by its number; None where there is none, or it was taken out of the lists."""
        table = TABLES[kind]
        wanted = sa.select(table).where(table.c.id == entry_id)
        if kind is not Night:
            wanted = wanted.where(table.c.removed_utc.is_(None))
        with self.engine.connect() as connection:
            row = connection.execute(wanted).mappings().first()
        return None if row is None else _record(kind, row)

    def count_frames(self, query: FrameQuery) -> int:
        """How many frames answer a query, its limit aside."""
        with self.engine.connect() as connection:
            return frame_count(connection, query)

    def count(self, kind: type[Kept]) -> int:
        """How many entries of a kind there are, removed ones left out."""
        table = TABLES[kind]
        wanted = sa.select(sa.func.count()).select_from(table)
        if kind is not Night:
            wanted = wanted.where(table.c.removed_utc.is_(None))
        with self.engine.connect() as connection:
            return int(connection.execute(wanted).scalar_one())

    def frames_mark(self) -> str:
        """A text that changes when a frame comes, goes or is judged anew."""
        f = schema.frames.c
        sums = [sa.func.total(column) for column in
                (f.keeper, f.fwhm_arcsec, f.elongation, f.snr, f.sky_mag_arcsec2,
                 f.zero_point_mag, f.ra_deg)]  # fmt: skip
        wanted = sa.select(
            sa.func.count(), sa.func.max(f.id), sa.func.count(f.removed_utc),
            sa.func.max(f.removed_utc), *sums,
        )  # fmt: skip
        with self.engine.connect() as connection:
            return "/".join(map(str, connection.execute(wanted).one()))

    def photographed_on(self) -> dict[str, str]:
        """The last evening with a kept light frame of each object, by its id."""
        frames, nights = schema.frames, schema.nights
        wanted = (
            sa.select(frames.c.object, sa.func.max(nights.c.evening))
            .join(nights, nights.c.id == frames.c.night_id)
            .where(frames.c.keeper, frames.c.kind == "light", frames.c.removed_utc.is_(None))
            .group_by(frames.c.object)
        )
        with self.engine.connect() as connection:
            return {name: evening for name, evening in connection.execute(wanted) if name}

    def photographed(self) -> frozenset[str]:
        """Ids of the objects with a kept light frame or a finished picture."""
        frames, pictures = schema.frames, schema.pictures
        taken = sa.select(frames.c.object).where(
            frames.c.keeper, frames.c.kind == "light", frames.c.removed_utc.is_(None)
        )
        shown = sa.select(pictures.c.object).where(pictures.c.removed_utc.is_(None))
        with self.engine.connect() as connection:
            rows = connection.execute(sa.union(taken, shown)).scalars()
            return frozenset(name for name in rows if name)


def _engine(file: Path) -> Engine:
    engine = sa.create_engine(
        sa.URL.create("sqlite", database=str(file)), connect_args={"timeout": BUSY_S}
    )

    @sa.event.listens_for(engine, "connect")
    def settle(connection: Any, _record: Any) -> None:
        # The driver's own transactions start too late for a safe read-then-write.
        connection.isolation_level = None
        cursor = connection.cursor()
        for name, value in (
            ("journal_mode", "WAL"),
            ("synchronous", "FULL"),
            ("foreign_keys", "ON"),
        ):
            cursor.execute(f"PRAGMA {name}={value}")
        cursor.close()

    @sa.event.listens_for(engine, "begin")
    def begin(connection: Connection) -> None:
        # A writer takes its turn before it reads, or what it read may be overtaken.
        writes = connection.get_execution_options().get("takes_the_pen")
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return engine


def _bring_up_to_date(engine: Engine, file: Path) -> None:
    found = ""
    if file.exists():
        # Read-only: what turns out to be somebody else's file must stay as it is.
        reader = sqlite3.connect(f"{file.resolve().as_uri()}?mode=ro", uri=True, timeout=BUSY_S)
        with closing(reader):
            found = _edition(reader, file)
    if found == EDITION:
        return
    if found:
        from slowglass.learn.logbook.backup import back_up

        back_up(engine, file.with_name(f"{file.stem}-edition-{found}{file.suffix}"))
    with engine.execution_options(**WRITING).begin() as connection:
        driver = connection.connection.driver_connection
        assert isinstance(driver, sqlite3.Connection)
        if _edition(driver, file) != EDITION:  # another process may have been quicker
            _migrate(connection)


def _edition(connection: sqlite3.Connection, file: Path) -> str:
    """The edition of the tables; empty for a new file."""
    tables = {row[0] for row in connection.execute("SELECT name FROM sqlite_master")}
    if not tables:
        return ""
    found = ""
    if "alembic_version" in tables:
        rows = connection.execute("SELECT version_num FROM alembic_version").fetchall()
        found = str(rows[0][0]) if rows else ""
    if not found.isdecimal():
        raise UnreadableFile(
            file, "is a database of something else", "name another file in SLOWGLASS_LOGBOOK"
        )
    if int(found) > int(EDITION):
        raise UnreadableFile(
            file, f"is a logbook of edition {found}, newer than this program", "update Slowglass"
        )
    return found


def _migrate(connection: Connection) -> None:
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", "slowglass.learn.logbook:migrations")
    config.attributes["connection"] = connection
    command.upgrade(config, "head")


def _values(record: Night | Entry) -> dict[str, Any]:
    """A record's own columns; the keys the logbook gives out stay behind."""
    values = asdict(record)
    for name in ("id", "night_id"):
        values.pop(name, None)
    if "sources" in values:
        values["sources"] = list(values["sources"])
    return values


def _record(kind: type[Kept], row: Mapping[Any, Any]) -> Kept:
    values = {field.name: row[field.name] for field in fields(kind)}
    if "sources" in values:
        values["sources"] = tuple(values["sources"])
    return kind(**values)


def _key(result: sa.CursorResult[Any]) -> int:
    (key,) = result.inserted_primary_key or (0,)
    return int(key)
