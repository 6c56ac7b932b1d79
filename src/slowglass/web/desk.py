"""The evening's choices, kept with the night: what every page and every browser has in common.

One small file in the night's folder holds them, with a number that rises with each change. Pages
read ``desk.state`` and write with ``desk.change``; the file may be changed by another workbench.
"""

from __future__ import annotations

import contextlib
import json
import os
import threading
from datetime import date
from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, ValidationError

from slowglass.errors import SlowglassError, UsageError
from slowglass.learn.night import write_json

FORMAT = 1
MOST_PINNED = 60

Name = Annotated[str, StringConstraints(strip_whitespace=True, max_length=80)]
Address = Annotated[str, StringConstraints(strip_whitespace=True, max_length=4096)]


class Evening(BaseModel):
    """What has been chosen; "" and None stand for nothing yet."""

    model_config = ConfigDict(frozen=True, extra="ignore", allow_inf_nan=False)

    revision: int = 0
    night: date | None = None
    """The evening's date, None for the coming night."""
    plan: Annotated[tuple[Name, ...], Field(max_length=MOST_PINNED)] = ()
    """Objects pinned for the night, by id, in the order of pinning."""
    target: Name = ""
    """The object at hand, by id."""
    when: Name = ""
    """The UTC moment it is meant for, as 2026-10-09T20:15:00Z."""
    exposure_s: Annotated[float | None, Field(gt=0, le=100_000)] = None
    frames: Annotated[int | None, Field(gt=0, le=100_000)] = None
    frames_folder: Address = ""
    """The folder of the night's frames."""
    calibration_folders: Annotated[tuple[Address, ...], Field(max_length=20)] = ()
    """Folders of darks, flats and bias, where they lie apart."""


class Desk:
    """The choices of one night; safe to use from several threads."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.trouble = ""
        """Why choices cannot be kept on the disk, if they cannot; they hold until it closes."""
        self._lock = threading.RLock()
        self._state = Evening()
        self._stamp: tuple[int, int] | None = None

    @property
    def state(self) -> Evening:
        """The choices as they are now."""
        with self._lock:
            stamp = self._stamp_now()
            if stamp is not None and stamp != self._stamp:
                self._state = self._read()
                self._stamp = stamp
            return self._state

    def change(self, **fields: Any) -> Evening:
        """The choices with some of them changed; ``UsageError`` for a value that makes no sense.

        Values may be texts as a form sends them.
        """
        unknown = set(fields) - set(Evening.model_fields) | ({"revision"} & set(fields))
        if unknown:
            raise ValueError(f"no such choices: {sorted(unknown)}")
        with self._lock:
            old = self.state
            try:
                new = Evening.model_validate({**old.model_dump(), **fields})
            except ValidationError as error:
                raise _misuse(error) from error
            if new == old:
                return old
            self._state = new.model_copy(update={"revision": old.revision + 1})
            self._keep()
            return self._state

    def pin(self, name: str) -> Evening:
        """The choices with an object put on the plan, last; one on it stays where it is."""
        with self._lock:
            plan = self.state.plan
            return self.change(plan=plan if name in plan else (*plan, name))

    def unpin(self, name: str) -> Evening:
        """The choices with an object taken off the plan."""
        with self._lock:
            return self.change(plan=tuple(one for one in self.state.plan if one != name))

    def _read(self) -> Evening:
        try:
            kept = json.loads(self.path.read_text(encoding="utf-8"))
            if kept["format"] != FORMAT:
                raise ValueError(f"not of format {FORMAT}")
            found = Evening.model_validate(kept)
        except (OSError, ValueError, KeyError, TypeError):
            aside = self.path.with_name(f"{self.path.stem}-damaged.json")
            with contextlib.suppress(OSError):
                os.replace(self.path, aside)
            self.trouble = f"The choices kept before could not be read; they are put by as {aside}."
            return self._state
        return found

    def _keep(self) -> None:
        kept = {"format": FORMAT, **self._state.model_dump(mode="json")}
        try:
            write_json(self.path, kept)
        except SlowglassError as error:
            self.trouble = str(error)
        else:
            self.trouble = ""
        self._stamp = self._stamp_now()

    def _stamp_now(self) -> tuple[int, int] | None:
        try:
            found = self.path.stat()
        except OSError:
            return None
        return found.st_mtime_ns, found.st_ino


def _misuse(error: ValidationError) -> UsageError:
    """The first fault of a choice, in words."""
    fault = error.errors()[0]
    name = str(fault["loc"][0]).replace("_", " ").removesuffix(" s")
    value = str(fault["input"])[:80]
    words = fault["msg"].removeprefix("Value error, ")
    return UsageError(f"{name} “{value}” cannot be taken: {words[:1].lower()}{words[1:]}")
