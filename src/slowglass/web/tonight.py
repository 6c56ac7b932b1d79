"""Lists of what any night offers, worked out in the background and kept while the server runs."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Any

from slowglass.documents import document
from slowglass.progress import Report
from slowglass.web.jobs import Job

if TYPE_CHECKING:
    from slowglass.web.notebook import Notebook
    from slowglass.workbench import Workbench

LISTED = 12
KEPT = 12
"""Nights whose lists are remembered."""


class Tonight:
    """Asks the workbench what to choose, one night at a time."""

    def __init__(self, book: Notebook) -> None:
        self.book = book
        self._bench = book.workbench
        self.job = Job()
        self._asked: date | None = None
        self._lists: dict[date, dict[str, Any]] = {}

    def coming(self) -> date:
        """The evening's date of the night under way or coming at the site."""
        return self.book.workbench.tonight()

    def ask(self, night: date) -> dict[str, Any] | None:
        """The night's list, or None while it is being worked out (or has failed)."""
        if self.book.workbench is not self._bench:  # another skyline: what was worked out is old
            self._bench = self.book.workbench
            self._lists = {}
        found = self._lists.get(night)
        if found is None and self.job.progress.state != "running":
            if self.job.progress.state == "failed" and self._asked == night:
                return None
            self._asked = night
            bench, lists = self._bench, self._lists
            self.job.start(lambda report: self._work(night, bench, lists, report))
        return found

    def forget_failure(self) -> None:
        """Let a night that failed be asked again."""
        self._asked = None

    @staticmethod
    def _work(
        night: date, bench: Workbench, lists: dict[date, dict[str, Any]], report: Report
    ) -> None:
        from slowglass.choose.sketch import sketch_candidates

        choice = bench.choose(night=night, limit=LISTED, report=report)
        rows = sketch_candidates(bench.kit, enumerate(choice.objects, 1))
        while len(lists) >= KEPT:
            lists.pop(next(iter(lists)))
        lists[night] = {**document(choice), "objects": rows}
