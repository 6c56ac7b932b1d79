"""Kits to weigh: those to choose from, those handed in, and the weighing under way."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from slowglass.documents import document
from slowglass.progress import Report
from slowglass.web.jobs import Job

if TYPE_CHECKING:
    from slowglass.kit.model import Kit
    from slowglass.web.notebook import Notebook

KEPT = 12
"""Kits handed in that are remembered while the server runs."""


@dataclass(frozen=True)
class Choosable:
    """A kit that can be put on the scales."""

    key: str
    kit: Kit
    words: str


class Weighings:
    """One weighing at a time, in the background; the last one stays to be read."""

    def __init__(self, book: Notebook) -> None:
        self.book = book
        self.job = Job()
        self.chosen: tuple[str, ...] = ("use",)
        self._handed: dict[str, Kit] = {}

    def choosable(self) -> list[Choosable]:
        """Kits to choose from: in use, the user's own, built in, handed in; none of them twice."""
        from slowglass.errors import SlowglassError
        from slowglass.kit.io import BUILT_IN_KITS, has_own_kit, load_kit

        bench = self.book.workbench
        words = "built in, as you have no kit of your own" if bench.kit_is_stand_in else "in use"
        found = [Choosable("use", bench.kit, words)]
        named: list[tuple[str, str | None, str]] = []
        if has_own_kit():
            named.append(("own", None, "your own"))
        named += [(f"built-in {name}", name, "built in") for name in BUILT_IN_KITS]
        for key, source, words in named:
            try:
                kit = load_kit(source)
            except SlowglassError:  # the user's own file is being edited: the others still serve
                continue
            if all(kit != other.kit for other in found):
                found.append(Choosable(key, kit, words))
        handed = ((f"handed {name}", kit) for name, kit in self._handed.items())
        return found + [Choosable(key, kit, "handed in here") for key, kit in handed]

    def hand_in(self, kit: Kit) -> str:
        """The key under which a kit can be chosen from now on."""
        for known in self.choosable():
            if known.kit == kit:
                return known.key
        self._handed.pop(kit.name, None)
        while len(self._handed) >= KEPT:
            self._handed.pop(next(iter(self._handed)))
        self._handed[kit.name] = kit
        return f"handed {kit.name}"

    def start(self, kits: Sequence[Kit]) -> bool:
        """Weigh these; False when a weighing is under way already."""
        bench = self.book.workbench

        def work(report: Report) -> dict[str, Any]:
            return dict(document(bench.weigh(kits, report=report)))

        return self.job.start(work)
