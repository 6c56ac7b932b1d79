"""The folder of an example night while it is made: ours alone, or left alone."""

from __future__ import annotations

import os
import shutil
from pathlib import Path
from types import TracebackType

from slowglass.errors import UnreadableFile, UsageError
from slowglass.learn.night import INDEX, NOTES, STEPS, load_night

MARK = ".example-night"
"""Marks a folder as ours and holds the number of the process that works in it."""
FOLDERS = ("frames", "test", "plates", "overlays", "finished", "single")


class NightFolder:
    """A folder taken for one example night; what an earlier run left there is cleared.

    Refuses a folder with anything in it that no example night put there (but for the notes of
    the pages), and one in which another process is at work. ``night.json`` is gone from the
    start to the end of the block.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def __enter__(self) -> NightFolder:
        folder = self.folder
        if folder.exists() and not folder.is_dir():
            raise UsageError(f"{folder} is a file", "name a folder for the example night")
        try:
            folder.mkdir(parents=True, exist_ok=True)
            self._take()
        except OSError as error:
            raise UsageError(
                f"cannot write in {folder}: {error.strerror or error}", "choose a writable folder"
            ) from error
        self._clear()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if kind is not None:
            self._clear()
        (self.folder / MARK).write_text("0", encoding="ascii")

    def path(self, *parts: str) -> Path:
        """A path inside, its folder made."""
        path = self.folder.joinpath(*parts)
        path.parent.mkdir(parents=True, exist_ok=True)
        return path

    def _take(self) -> None:
        mark = self.folder / MARK
        if mark.exists():
            owner = mark.read_text(encoding="ascii", errors="replace").strip()
            if owner.isdigit() and int(owner) not in (0, os.getpid()) and _alive(int(owner)):
                raise UsageError(
                    f"{self.folder} is being filled by another run (process {owner})",
                    "wait for it, or name another folder",
                )
        elif any(p.name != NOTES for p in self.folder.iterdir()) and not self._is_example():
            raise UsageError(
                f"{self.folder} holds other files", "name an empty or new folder for the example"
            )
        mark.write_text(str(os.getpid()), encoding="ascii")

    def _is_example(self) -> bool:
        try:
            record = load_night(self.folder)
        except UnreadableFile:
            return False
        return record is not None and bool(record.index.get("example"))

    def _clear(self) -> None:
        for name in (INDEX, *(f"{step}.json" for step in STEPS)):
            (self.folder / name).unlink(missing_ok=True)
        for name in FOLDERS:
            shutil.rmtree(self.folder / name, ignore_errors=True)


def _alive(process: int) -> bool:
    if os.name != "posix":
        return False
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True
