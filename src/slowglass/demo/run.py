"""Make the example night and work through it: choose, find, expose, judge, finish."""

from __future__ import annotations

import hashlib
import json
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from slowglass.demo import scenario
from slowglass.demo.folder import NightFolder
from slowglass.errors import UnreadableFile
from slowglass.learn.night import NightRecord, load_night
from slowglass.progress import Report, silent

if TYPE_CHECKING:
    from slowglass.kit.model import Kit, Site

EDITION = 2
"""Raised whenever the night comes out differently: older folders are then made anew."""


@dataclass(frozen=True)
class DemoResult:
    """Where the example night lies and what came out of it."""

    folder: Path
    outputs: tuple[Path, ...]
    summary: dict[str, Any]
    """Plain values for ``--json``: target, start, frames, rejected, solved, gain …"""
    seconds: float
    peak_memory_mb: float | None
    reused: bool
    """True when the folder already held this very night and nothing was made anew."""


def fingerprint(kit: Kit, site: Site, *, quick: bool) -> str:
    """What a night depends on, as a short hash."""
    from slowglass import __version__

    parts = [__version__, EDITION, quick, kit.model_dump(mode="json"), site.model_dump(mode="json")]
    return hashlib.sha256(json.dumps(parts, sort_keys=True).encode()).hexdigest()[:16]


def is_complete(
    folder: Path, *, quick: bool = False, kit: Kit | None = None, site: Site | None = None
) -> bool:
    """True when ``folder`` holds this example night, whole and made by this edition."""
    kit, site = _instruments(kit, site)
    return _whole(folder, fingerprint(kit, site, quick=quick)) is not None


def run_demo(
    folder: Path,
    *,
    report: Report = silent,
    quick: bool = False,
    kit: Kit | None = None,
    site: Site | None = None,
) -> DemoResult:
    """The example night in ``folder``, made now or found whole from an earlier run.

    ``quick`` uses a sensor of fewer, larger pixels. A folder that holds anything else is left
    alone (``UsageError``). 1.3 GB of disk (220 MB when quick).
    """
    kit, site = _instruments(kit, site)
    mark = fingerprint(kit, site, quick=quick)
    folder = Path(folder).resolve()
    whole = _whole(folder, mark)
    if whole is not None:
        return _result(whole, 0.0, reused=True)

    from slowglass.demo.work import work_through

    started = time.monotonic()
    with NightFolder(folder) as night:
        record = work_through(
            night,
            scenario.quick_kit(kit) if quick else kit,
            site,
            index={"example": True, "fingerprint": mark, "quick": quick},
            report=report,
        )
    return _result(record, time.monotonic() - started, reused=False)


def _instruments(kit: Kit | None, site: Site | None) -> tuple[Kit, Site]:
    from slowglass.kit.io import load_kit, load_site

    return kit or load_kit(scenario.KIT), site or load_site(scenario.SITE)


def _whole(folder: Path, mark: str) -> NightRecord | None:
    try:
        record = load_night(folder)
    except UnreadableFile:
        return None
    if record is None or record.index.get("fingerprint") != mark:
        return None
    shown = [record.plate(name) for name in record.plates]
    kept = [record.output(name) for name in record.index["outputs"]]
    return None if None in shown or None in kept else record


def _result(record: NightRecord, seconds: float, *, reused: bool) -> DemoResult:
    summary = dict(record.index["summary"])
    outputs = [record.folder / "night.json"]
    outputs += [record.folder / path for path in record.index["outputs"].values()]
    return DemoResult(
        folder=record.folder,
        outputs=tuple(outputs),
        summary=summary,
        seconds=round(seconds, 1),
        peak_memory_mb=record.index.get("peak_memory_mb"),
        reused=reused,
    )
