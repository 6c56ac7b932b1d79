"""The set-up's answers while they are given: kept with the night, the same in every browser."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from slowglass.kit.setup_facts import ALL_KEYS, FIRST_ANSWERS
from slowglass.learn.night import write_json

LONGEST_ANSWER = 200
OWN_KEYS = ("town", "frame", "near", "job")
"""What is kept beside the answers: the town looked for, the frame, what is on it, its reading."""


class SetupDraft:
    """Answers in a small file."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def read(self) -> dict[str, str]:
        """The answers so far; those to begin with where there are none."""
        start = {**FIRST_ANSWERS, **dict.fromkeys(OWN_KEYS, "")}
        try:
            kept: Any = json.loads(self.path.read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return start
        if not isinstance(kept, dict):
            return start
        return {**start, **{k: v for k, v in kept.items() if k in start and isinstance(v, str)}}

    def write(self, texts: Mapping[str, str]) -> dict[str, str]:
        """The answers with those of a form taken over."""
        now = self.read()
        for key in (*ALL_KEYS, *OWN_KEYS):
            if key in texts:
                now[key] = texts[key][:LONGEST_ANSWER]
        write_json(self.path, now)
        return now

    def clear(self) -> None:
        """Forget the answers: they are saved."""
        self.path.unlink(missing_ok=True)
