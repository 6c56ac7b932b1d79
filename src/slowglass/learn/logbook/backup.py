"""Copies of the logbook, and the test that one is sound."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

from slowglass.errors import UnreadableFile
from slowglass.frame.atomic import replacing

if TYPE_CHECKING:
    from sqlalchemy.engine import Engine


def back_up(engine: Engine, path: Path) -> Path:
    """Path of a whole copy of the logbook, made while others may go on writing."""
    with replacing(path) as temporary, closing(sqlite3.connect(temporary)) as copy:
        connection = engine.raw_connection()
        try:
            driver = connection.driver_connection
            assert isinstance(driver, sqlite3.Connection)
            driver.backup(copy)
        finally:
            connection.close()
        # A copy is one file: without the log of the original beside it.
        copy.execute("PRAGMA journal_mode=DELETE")
        faults = integrity_faults(copy)
        if faults:
            raise UnreadableFile(path, f"the copy is damaged ({faults[0]})", "try another disk")
    return path


def integrity_faults(connection: sqlite3.Connection) -> list[str]:
    """What SQLite finds wrong in the file: nothing for a sound one."""
    rows = connection.execute("PRAGMA integrity_check").fetchall()
    found = [str(row[0]) for row in rows if row[0] != "ok"]
    return found + [str(row) for row in connection.execute("PRAGMA foreign_key_check")]
