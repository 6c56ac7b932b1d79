"""Every error a person can meet, with its exit code.

SlowglassError          exit 2
├── UsageError          a command or argument that makes no sense
├── ConfigError         a kit, site or recipe value out of range
├── UnreadableFile      a file that cannot be opened or is not what its name says
└── CatalogueMissing    the star or object data is absent or damaged
NothingUseful           exit 1: all was well formed, yet nothing came out
Cancelled               exit 1: the person asked to stop
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path


def _sentence(text: str) -> str:
    """The text with its full stop, unless it ends in another mark."""
    return text if text.endswith(("?", "!")) else f"{text}."


class SlowglassError(Exception):
    """An expected failure, worded for the person at the telescope.

    ``what`` says what failed, on which file or field and with which value; ``cure`` says
    what to do next. ``str()`` joins them on one line.
    """

    exit_code = 2

    def __init__(self, what: str, cure: str = "") -> None:
        self.what = what.strip().rstrip(".")
        cure = cure.strip().rstrip(".")
        self.cure = cure[:1].upper() + cure[1:]
        super().__init__(_sentence(self.what) + (f" {_sentence(self.cure)}" if self.cure else ""))


class UsageError(SlowglassError):
    """A command or argument that makes no sense as given."""


class ConfigError(SlowglassError):
    """A kit, site or recipe whose values are missing, unknown or out of range.

    ``faults`` holds one sentence for each fault, for interfaces that list them.
    """

    def __init__(self, what: str, cure: str = "", *, faults: Sequence[str] = ()) -> None:
        self.faults = tuple(faults) or (what,)
        super().__init__(what, cure)


class UnreadableFile(SlowglassError):
    """A file that cannot be read as what it claims to be."""

    def __init__(self, path: Path | str, why: str, cure: str = "") -> None:
        self.path = Path(path)
        super().__init__(f"{self.path}: {why}", cure)


class CatalogueMissing(SlowglassError):
    """Star or object data that should be installed is absent or damaged."""


class NothingUseful(SlowglassError):
    """Well-formed input from which nothing useful came out."""

    exit_code = 1


class Cancelled(SlowglassError):
    """The person asked to stop."""

    exit_code = 1

    def __init__(self) -> None:
        super().__init__("stopped on request")
