"""Kits to weigh: those to choose from, those handed in, and the weighing asked for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from slowglass.documents import document
from slowglass.progress import Report

if TYPE_CHECKING:
    from slowglass.kit.model import Kit
    from slowglass.web.job import Job, Request
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
    """Weighings in the background; the last one stays to be read."""

    def __init__(self, book: Notebook) -> None:
        self.book = book
        self.chosen: tuple[str, ...] = ("use",)
        self._handed: dict[str, Kit] = {}
        book.jobs.register("weigh", self._work, quick=True)

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

    def job(self) -> Job | None:
        """The newest weighing."""
        return self.book.jobs.latest("weigh")

    def start(self, kits: Sequence[Kit]) -> Job:
        """Weigh these."""
        names = ", ".join(kit.name for kit in kits)
        request = {
            "kits": [kit.model_dump(mode="json") for kit in kits],
            "instruments": self.book.instruments(),
        }
        return self.book.jobs.start(
            "weigh", title=f"Weighing {names}", request=request, href="/weigh"
        )

    def _work(self, request: Request, report: Report) -> dict[str, Any]:
        from slowglass.kit.model import Kit

        kits = [Kit.model_validate(kit) for kit in request["kits"]]
        return dict(document(self.book.workbench.weigh(kits, report=report)))
