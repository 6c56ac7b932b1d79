"""Ways to objects asked for in the pages: routes with their charts, kept while the server runs."""

from __future__ import annotations

import re
import tempfile
import threading
from collections import OrderedDict
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from slowglass.documents import document
from slowglass.errors import UsageError
from slowglass.workbench import FIRST_YEAR, LAST_YEAR

if TYPE_CHECKING:
    from slowglass.find.plates import PlateName
    from slowglass.find.result import Route
    from slowglass.find.svg import StyleName
    from slowglass.workbench import Workbench

KEPT = 24
STYLES: tuple[StyleName, ...] = ("paper", "night")


@dataclass(frozen=True)
class Way:
    """A route, as JSON too, and its charts as SVG text by style (none without legs)."""

    route: dict[str, Any]
    charts: dict[str, str]
    size: tuple[float, float]
    found: Route


class Ways:
    """Finds and remembers ways; safe to ask from several threads."""

    def __init__(self, workbench: Workbench) -> None:
        self.workbench = workbench
        self._lock = threading.Lock()
        self._kept: OrderedDict[tuple[str, str], Way] = OrderedDict()

    def find(self, name: str, when: str) -> Way:
        """The way to an object; ``when`` is a UTC moment as text, or "" for its best tonight."""
        key = (name.strip().casefold(), when)
        with self._lock:
            way = self._kept.get(key)
            if way is None:
                way = self._make(name, when)
                self._kept[key] = way
                while len(self._kept) > KEPT:
                    self._kept.popitem(last=False)
            return way

    def plate(self, name: str, when: str, plate: PlateName, style: StyleName) -> str | None:
        """One chart of a way as SVG text; None where there is no hop to draw."""
        way = self.find(name, when)
        if not way.found.legs:
            return None
        key = f"{plate}/{style}"
        with self._lock:
            if key not in way.charts:
                way.charts[key] = self._svg(way.found, style, plate)
            return way.charts[key]

    def _svg(self, route: Route, style: StyleName, plate: PlateName | None = None) -> str:
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / f"{style}.svg"
            self.workbench.chart(route, path, style=style, plate=plate)
            return path.read_text(encoding="utf-8")

    def _make(self, name: str, when: str) -> Way:
        route = self.workbench.find(name, when=moment(when))
        charts: dict[str, str] = {}
        size = (0.0, 0.0)
        if route.legs:
            charts = {style: self._svg(route, style) for style in STYLES}
            box = re.search(r'viewBox="\S+ \S+ ([\d.]+) ([\d.]+)"', charts["paper"])
            if box is not None:
                size = (float(box[1]), float(box[2]))
        return Way(document(route), charts, size, route)


def moment(text: str) -> datetime | None:
    """A UTC moment written as 2026-10-09T20:15:00Z; None for nothing, ``UsageError`` for less."""
    if not text:
        return None
    try:
        found = datetime.fromisoformat(text)
    except ValueError as error:
        raise UsageError(f"“{text}” is not a time", "write it as 2026-10-09T20:15:00Z") from error
    if not FIRST_YEAR <= found.year <= LAST_YEAR:
        raise UsageError(
            f"the year {found.year} is outside {FIRST_YEAR} to {LAST_YEAR}",
            "choose a time nearer to ours",
        )
    return found.replace(tzinfo=UTC) if found.tzinfo is None else found.astimezone(UTC)
