"""A worked night as a folder: one index, one JSON file for each step, small pictures.

``night.json`` is written last, so a folder that has it is whole. It names every picture and
output that may be shown; nothing else in the folder is.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

from slowglass.errors import UnreadableFile
from slowglass.frame.atomic import replacing

INDEX = "night.json"
FORMAT = 1
NOTES = ".notes"
"""Folder inside, in which the pages keep what was chosen and what is under way."""
STEPS = ("choice", "route", "plan", "verdicts", "finish", "compare")


@dataclass(frozen=True)
class NightRecord:
    """What is known of one night, read back from its folder.

    ``index`` is the content of ``night.json``; the steps are the JSON the commands print.
    """

    folder: Path
    index: Mapping[str, Any]

    @cached_property
    def steps(self) -> dict[str, Any]:
        """Every step's result by name."""
        return {name: read_json(self.folder / f"{name}.json") for name in STEPS}

    @cached_property
    def frames(self) -> list[dict[str, Any]]:
        """The frames in the order they were taken, each with its verdict."""
        verdicts = {Path(v["file"]).name: v for v in self.steps["verdicts"]}
        return [{**f, "verdict": verdicts[f["name"]]} for f in self.index["frames"]]

    @property
    def plates(self) -> Mapping[str, str]:
        """Pictures that may be shown: name to path inside the folder."""
        plates: Mapping[str, str] = self.index["plates"]
        return plates

    def plate(self, name: str) -> Path | None:
        """The file of a picture of this night; None for any other name."""
        return self._inside(self.plates.get(name))

    def output(self, name: str) -> Path | None:
        """The file of a finished output by its file name; None for any other name."""
        outputs: Mapping[str, str] = self.index["outputs"]
        return self._inside(outputs.get(name))

    def overlay(self, frame_id: str) -> dict[str, Any] | None:
        """What to draw over a frame; None for an unknown frame."""
        for frame in self.index["frames"]:
            if frame["id"] == frame_id:
                path = self._inside(frame["overlay"])
                return None if path is None else read_json(path)
        return None

    def _inside(self, relative: str | None) -> Path | None:
        if relative is None:
            return None
        root = self.folder.resolve()
        path = (root / relative).resolve()
        return path if path.is_relative_to(root) and path.is_file() else None


def load_night(folder: Path) -> NightRecord | None:
    """The night in a folder; None when the folder holds none (or an unfinished one)."""
    path = folder / INDEX
    if not path.is_file():
        return None
    index = read_json(path)
    if not isinstance(index, dict) or index.get("format") != FORMAT:
        raise UnreadableFile(
            path, f"not a night of format {FORMAT}", "make the night again in an empty folder"
        )
    return NightRecord(folder, index)


def save_night(folder: Path, index: Mapping[str, Any], steps: Mapping[str, Any]) -> NightRecord:
    """Write the steps and, last, the index; the record as it will be read back."""
    missing = set(STEPS) - set(steps)
    if missing:
        raise ValueError(f"steps missing: {sorted(missing)}")
    for name in STEPS:
        write_json(folder / f"{name}.json", steps[name])
    whole = {"format": FORMAT, **index}
    write_json(folder / INDEX, whole)
    return NightRecord(folder, whole)


def read_json(path: Path) -> Any:
    """The content of a JSON file, or ``UnreadableFile``."""
    try:
        return json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise UnreadableFile(path, f"cannot be read ({error})", "make the night again") from error


def write_json(path: Path, content: Any) -> None:
    """Write JSON in one move: a reader sees the old file or the new one, never half."""
    text = json.dumps(content, ensure_ascii=False, indent=1, allow_nan=False)
    with replacing(path) as temporary:
        temporary.write_text(text, encoding="utf-8")
