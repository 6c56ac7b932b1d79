"""Ways to objects asked for in the pages: routes with their charts, kept while the server runs."""

from __future__ import annotations

import re
import tempfile
import threading
from collections import OrderedDict
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from slowglass.documents import document
from slowglass.errors import UsageError
from slowglass.find.chart import VIEWS
from slowglass.find.plates import PLATES
from slowglass.workbench import FIRST_YEAR, LAST_YEAR

if TYPE_CHECKING:
    from slowglass.find.chart import ViewName
    from slowglass.find.result import Route
    from slowglass.find.svg import StyleName
    from slowglass.web.notebook import Notebook

KEPT = 24
STYLES: tuple[StyleName, ...] = ("paper", "night")
LEG_LETTERS = 1.7
"""Letters of a leg's chart against those of a printed page: it is read on a phone."""


@dataclass(frozen=True)
class Way:
    """A route, as JSON too, and its charts as SVG text by what they show."""

    route: dict[str, Any]
    found: Route
    size: tuple[float, float]
    charts: dict[tuple[str, str, str], str] = field(default_factory=dict)


class Ways:
    """Finds and remembers ways; safe to ask from several threads."""

    def __init__(self, book: Notebook) -> None:
        self.book = book
        self._lock = threading.Lock()
        self._kept: OrderedDict[tuple[str, str, str], Way] = OrderedDict()

    def find(self, name: str, when: str) -> Way:
        """The way to an object; ``when`` is a UTC moment as text, or "" for its best tonight."""
        key = (name.strip().casefold(), when, self.book.instruments())
        with self._lock:
            way = self._kept.get(key)
            if way is None:
                way = self._make(name, when)
                self._kept[key] = way
                while len(self._kept) > KEPT:
                    self._kept.popitem(last=False)
            return way

    def chart(self, way: Way, what: str, style: StyleName, seen: ViewName = "erect") -> str | None:
        """A chart of a way as SVG text: "hop-and-words", a plate's name, or "leg-3".

        None where there is no hop to draw, or no such chart.
        """
        if not way.found.legs:
            return None
        key = (what, style, seen)
        with self._lock:
            if key not in way.charts:
                svg = self._svg(way.found, what, style, seen)
                if svg is None:
                    return None
                way.charts[key] = svg
            return way.charts[key]

    def _svg(self, route: Route, what: str, style: StyleName, seen: ViewName) -> str | None:
        from slowglass.find.plates import ChartWish

        leg = re.fullmatch(r"leg-(\d{1,3})", what)
        if leg and not 1 <= int(leg[1]) <= len(route.legs):
            return None
        plate = next((name for name in PLATES if name == what), None)
        if plate is None and leg is None and what != "hop-and-words":
            return None
        letters = LEG_LETTERS if leg else 1.0
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / f"{style}.svg"
            self.book.workbench.chart(
                route,
                path,
                style=style,
                plate=plate,
                leg=int(leg[1]) if leg else None,
                wish=ChartWish(seen, None, letters),
            )
            return path.read_text(encoding="utf-8")

    def _make(self, name: str, when: str) -> Way:
        route = self.book.workbench.find(name, when=moment(when))
        size = (0.0, 0.0)
        charts: dict[tuple[str, str, str], str] = {}
        if route.legs:
            svg = self._svg(route, "hop-and-words", "paper", "erect") or ""
            charts[("hop-and-words", "paper", "erect")] = svg
            box = re.search(r'viewBox="\S+ \S+ ([\d.]+) ([\d.]+)"', svg)
            if box is not None:
                size = (float(box[1]), float(box[2]))
        return Way(document(route), route, size, charts)


def view_named(text: str) -> ViewName:
    """The view of that name; as by eye for any other text."""
    return next((view for view in VIEWS if view == text), "erect")


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
