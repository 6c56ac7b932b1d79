"""The files a watch knows, in the order they were judged, kept in step with their journal."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import asdict, replace
from pathlib import Path

from slowglass.frame.fingerprint import file_print
from slowglass.judge.live_enough import TargetLight
from slowglass.judge.verdict import Verdict
from slowglass.judge.watch_files import Mark
from slowglass.judge.watch_journal import Journal
from slowglass.judge.watch_sort import Entry


class Ledger:
    """Entries and marks by name; what is added here is in the journal as well."""

    def __init__(self, folder: Path, journal: Journal, *, target: str | None) -> None:
        self.folder = folder
        self.target = target
        self._journal = journal
        self._marks: dict[str, Mark] = {}
        self._entries: dict[str, Entry] = {}

    @property
    def entries(self) -> list[Entry]:
        """Every entry, oldest first."""
        return list(self._entries.values())

    def last_solved(self) -> Verdict | None:
        """The verdict of the last solved frame."""
        verdicts = (e.verdict for e in reversed(self._entries.values()))
        return next((v for v in verdicts if v.solved), None)

    def knows(self, name: str, mark: Mark) -> bool:
        """True when this file was judged as it is now."""
        return self._marks.get(name) == mark

    def add(self, entry: Entry, mark: Mark) -> None:
        """A judged file; one of the same name is replaced and counts as new."""
        self._keep(entry, mark)
        self._journal.add(
            "frame",
            name=entry.name,
            size=mark.size,
            mtime_ns=mark.mtime_ns,
            fingerprint=entry.fingerprint,
            linear=entry.linear,
            light=None if entry.light is None else asdict(entry.light),
            target=self.target,
            verdict=asdict(entry.verdict),
        )

    def renamed_from(self, path: Path, mark: Mark, there: Collection[str]) -> str | None:
        """The name a file was judged under before it got its present one, if it was."""
        for old, known in self._marks.items():
            if known == mark and old not in there:
                try:
                    return old if file_print(path) == self._entries[old].fingerprint else None
                except OSError:
                    return None
        return None

    def rename(self, old: str, name: str) -> None:
        """A judged file has a new name; its place in the order stays."""
        self._rename(old, name)
        self._journal.add("renamed", old=old, name=name)

    def copy_of(self, path: Path, name: str) -> Entry | None:
        """The entry of a file that is a copy of a judged one, without judging it again."""
        try:
            fingerprint = file_print(path)
        except OSError:
            return None
        for entry in self._entries.values():
            same = entry.fingerprint == fingerprint and entry.name != name
            if same and not entry.gone and entry.verdict.error is None:
                return replace(entry, name=name, verdict=replace(entry.verdict, file=str(path)))
        return None

    def mark_gone(self, there: Collection[str]) -> list[str]:
        """Note which files are there; the names of those that have just gone."""
        left = []
        for name, entry in list(self._entries.items()):
            gone = name not in there
            if gone != entry.gone:
                self._entries[name] = replace(entry, gone=gone)
                if gone:
                    left.append(name)
        return left

    def resume(self) -> None:
        """Take over what the journal says. Lines of another make mean judging again, and so do
        files that could not be read."""
        from pydantic import TypeAdapter, ValidationError

        verdicts, lights = TypeAdapter(Verdict), TypeAdapter(TargetLight | None)
        for line in self._journal.read():
            try:
                if line["what"] == "renamed":
                    self._rename(str(line["old"]), str(line["name"]))
                    continue
                verdict, light = verdicts.validate_python(line["verdict"]), line["light"]
                if line["target"] != self.target:  # its way and its light were another's
                    verdict, light = replace(verdict, nudge=None), None
                entry = Entry(
                    str(line["name"]),
                    verdict,
                    str(line["fingerprint"]),
                    linear=bool(line["linear"]),
                    light=lights.validate_python(light),
                )
                self._keep(entry, Mark(int(line["size"]), int(line["mtime_ns"])))
                if verdict.error is not None:
                    self._forget(entry.name)
            except (KeyError, TypeError, ValueError, ValidationError):
                continue

    def _keep(self, entry: Entry, mark: Mark) -> None:
        self._entries.pop(entry.name, None)
        self._entries[entry.name] = entry
        self._marks[entry.name] = mark

    def _forget(self, name: str) -> None:
        del self._entries[name], self._marks[name]

    def _rename(self, old: str, name: str) -> None:
        entries: dict[str, Entry] = {}
        moved = self._entries[old]
        file = str(self.folder / name)
        for key, entry in self._entries.items():
            if key == old:
                verdict = replace(moved.verdict, file=file)
                entries[name] = replace(moved, name=name, verdict=verdict, gone=False)
            elif key != name:
                entries[key] = entry
        self._entries = entries
        self._marks[name] = self._marks.pop(old)


def names_of(files: Mapping[Path, Mark], folder: Path) -> dict[str, Path]:
    """Files by their path below the folder, with forward slashes on every system."""
    return {path.relative_to(folder).as_posix(): path for path in files}
