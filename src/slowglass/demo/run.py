"""Make the example night and work through it: choose, find, expose, judge, finish."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from slowglass.progress import Report, silent

if TYPE_CHECKING:
    from slowglass.kit.model import Kit, Site
    from slowglass.sky.store import Sky


@dataclass(frozen=True)
class DemoResult:
    """Where the example night lies and what came out of it."""

    folder: Path
    outputs: tuple[Path, ...]
    summary: dict[str, Any]
    """Plain values for ``--json``: target, start_utc, frames, rejected, solved, snr_gain …"""
    seconds: float
    peak_memory_mb: float
    reused: bool
    """True when the folder already held this very night and nothing was made anew."""


def is_complete(folder: Path) -> bool:
    """True when ``folder`` holds an example night made by this version, whole and unchanged."""
    raise NotImplementedError


def run_demo(
    folder: Path,
    *,
    report: Report = silent,
    quick: bool = False,
    kit: Kit | None = None,
    site: Site | None = None,
    sky: Sky | None = None,
) -> DemoResult:
    """The example night in ``folder``, made now or found whole from an earlier run.

    ``quick`` uses a smaller sensor of the same pixels, for a first look and for tests.
    """
    raise NotImplementedError
