"""What a watch has seen, kept where a crash cannot take it: one JSON object a line, only added to.

The journal lies in the platform's data folder, never beside the frames. A line that a crash cut
short is left out when it is read again, and the next one starts on a line of its own.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from slowglass.errors import UsageError

FORMAT = 1


def journal_folder() -> Path:
    """Where journals lie: ``SLOWGLASS_WATCH`` if set, else in the platform's data folder."""
    chosen = os.environ.get("SLOWGLASS_WATCH")
    if chosen:
        return Path(chosen).expanduser()
    import platformdirs

    return Path(platformdirs.user_data_dir("slowglass", appauthor=False)) / "watch"


class Journal:
    """The journal of one watched folder."""

    def __init__(self, watched: Path, *, folder: Path | None = None) -> None:
        whole = str(watched.resolve())
        name = re.sub(r"[^\w.-]+", "-", watched.resolve().name)[:40] or "folder"
        key = hashlib.blake2b(whole.encode("utf-8", "surrogateescape"), digest_size=6).hexdigest()
        self.watched = whole
        base = (folder or journal_folder()) / f"{name}-{key}"
        self.path = base.with_name(base.name + ".jsonl")
        self.stack_path = base.with_name(base.name + ".stack.npz")
        self._clean_end = False

    def read(self) -> Iterator[dict[str, Any]]:
        """The lines since the last fresh start; damaged ones are left out."""
        try:
            text = self.path.read_text(encoding="utf-8", errors="replace")
        except FileNotFoundError:
            return
        except OSError as error:
            raise _unusable(self.path, error) from error
        entries: list[dict[str, Any]] = []
        for line in text.splitlines():
            try:
                entry = json.loads(line)
            except ValueError:
                continue
            if not isinstance(entry, dict) or entry.get("format") != FORMAT:
                continue
            if entry.get("what") == "fresh start":
                entries.clear()
            else:
                entries.append(entry)
        yield from entries

    def add(self, what: str, **facts: Any) -> None:
        """One more line, on the disk before this returns; facts are plain values, NaN allowed."""
        line = json.dumps({"format": FORMAT, "what": what, **facts}, ensure_ascii=False) + "\n"
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            with self.path.open("ab") as stream:
                if not self._clean_end and not self._ends_clean():
                    line = "\n" + line
                stream.write(line.encode("utf-8"))
                stream.flush()
                os.fsync(stream.fileno())
        except OSError as error:
            raise _unusable(self.path, error) from error
        self._clean_end = True

    def start_fresh(self) -> None:
        """Forget what was seen: later readers start here."""
        self.add("fresh start")
        self.stack_path.unlink(missing_ok=True)

    def _ends_clean(self) -> bool:
        with self.path.open("rb") as stream:
            if stream.seek(0, 2) == 0:
                return True
            stream.seek(-1, 2)
            return stream.read() == b"\n"


def _unusable(path: Path, error: OSError) -> UsageError:
    return UsageError(
        f"the journal {path} cannot be used ({error.strerror or error})",
        "free some space, or name another folder in SLOWGLASS_WATCH",
    )
