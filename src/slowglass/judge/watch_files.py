"""Which files of a folder are new, and which of them are whole. Reads, never touches."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from slowglass.frame.io import RAW_SUFFIXES, list_frames
from slowglass.frame.whole import missing_part

QUIET_S = 1.0
"""A file that has not changed for so long, and lacks nothing, is whole."""
PATIENCE_S = 60.0
"""A file that lacks something is waited for so long after its last change, then read as it is."""
OLD_S = 10.0
"""Files of a first look that were last changed so long ago are not being written now."""
BEING_WRITTEN = "it is being written"


@dataclass(frozen=True)
class Mark:
    """Size and time of change of a file: another mark means that it was written to."""

    size: int
    mtime_ns: int


def scan(folder: Path) -> dict[Path, Mark]:
    """Every frame file below a folder with its mark; ``OSError`` when the folder is not there."""
    os.stat(folder)
    found: dict[Path, Mark] = {}
    for path in list_frames(folder):
        try:
            facts = path.stat()
        except OSError:  # gone since it was listed
            continue
        found[path] = Mark(facts.st_size, facts.st_mtime_ns)
    return found


def taking_order(marks: Mapping[Path, Mark]) -> list[Path]:
    """Files in the order they were written; of pictures of one name, sensor data first."""
    first: dict[Path, int] = {}
    for path, mark in marks.items():
        stem = path.with_suffix("")
        first[stem] = min(first.get(stem, mark.mtime_ns), mark.mtime_ns)
    return sorted(
        marks,
        key=lambda p: (
            first[p.with_suffix("")],
            str(p.with_suffix("")),
            p.suffix.lower() not in RAW_SUFFIXES,
            p.name,
        ),
    )


class Settling:
    """Tells files that are being written from whole ones, look by look."""

    def __init__(self, *, quiet_s: float = QUIET_S, patience_s: float = PATIENCE_S) -> None:
        self.quiet_s = quiet_s
        self.patience_s = patience_s
        self._since: dict[Path, tuple[Mark, float]] = {}
        self._looked = False

    def look(
        self, files: Mapping[Path, Mark], *, now_s: float, clock_s: float
    ) -> tuple[list[Path], dict[Path, str]]:
        """The whole files in the order they were taken, and why the others are waited for.

        ``now_s`` is any steady clock; ``clock_s`` the wall clock that file times follow, in
        seconds since 1970.
        """
        ready: dict[Path, Mark] = {}
        waiting: dict[Path, str] = {}
        for path, mark in files.items():
            known = self._since.get(path)
            if known is None or known[0] != mark:
                old = not self._looked and clock_s - mark.mtime_ns / 1e9 > OLD_S
                known = (mark, now_s - 2.0 * self.quiet_s if old else now_s)
                self._since[path] = known
            quiet = now_s - known[1]
            if quiet < self.quiet_s:
                waiting[path] = BEING_WRITTEN
                continue
            lacking = missing_part(path)
            if lacking and quiet < self.patience_s:
                waiting[path] = lacking
            else:
                ready[path] = mark
        for path in [p for p in self._since if p not in files]:
            del self._since[path]
        self._looked = True
        return taking_order(ready), waiting


class Bell:
    """Rings when something changes in a folder, and after a while anyway.

    The system's notices are used where there are any. Network drives and some card readers give
    none, and a folder may go away and come back: so nothing rests on the notices alone, and the
    folder is looked through again after every wait.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.stopped = threading.Event()
        self._notices: Iterator[object] | None = None
        self._deaf_until_s = 0.0

    def wait(self, longest_s: float) -> None:
        """Come back at a change, when stopped, or after ``longest_s``."""
        end = time.monotonic() + longest_s
        while (left := end - time.monotonic()) > 0 and not self.stopped.is_set():
            try:
                if next(self._listen()):
                    return
            except (OSError, RuntimeError, StopIteration):
                self._notices = None
                self._deaf_until_s = time.monotonic() + 30.0
                self.stopped.wait(left)

    def stop(self) -> None:
        """End a wait under way, and all later ones."""
        self.stopped.set()

    def _listen(self) -> Iterator[object]:
        if time.monotonic() < self._deaf_until_s:
            raise OSError("no notices for now")
        if self._notices is None:
            import watchfiles

            self._notices = watchfiles.watch(
                self.folder,
                watch_filter=None,
                debounce=300,
                step=60,
                rust_timeout=250,
                yield_on_timeout=True,
                stop_event=self.stopped,
                raise_interrupt=True,
            )
        return self._notices
