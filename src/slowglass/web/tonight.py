"""Lists of what any night offers, worked out in the background and kept while the server runs."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Any

from slowglass.documents import document
from slowglass.progress import Report
from slowglass.web.jobs import Job

if TYPE_CHECKING:
    from slowglass.workbench import Workbench

LISTED = 12
KEPT = 12
"""Nights whose lists are remembered."""


class Tonight:
    """Asks the workbench what to choose, one night at a time."""

    def __init__(self, workbench: Workbench) -> None:
        self.workbench = workbench
        self.job = Job()
        self._asked: date | None = None
        self._lists: dict[date, dict[str, Any]] = {}

    def coming(self) -> date:
        """The evening's date of the night under way or coming at the site."""
        return self.workbench.tonight()

    def ask(self, night: date) -> dict[str, Any] | None:
        """The night's list, or None while it is being worked out (or has failed)."""
        found = self._lists.get(night)
        if found is None and self.job.progress.state != "running":
            if self.job.progress.state == "failed" and self._asked == night:
                return None
            self._asked = night
            self.job.start(lambda report: self._work(night, report))
        return found

    def forget_failure(self) -> None:
        """Let a night that failed be asked again."""
        self._asked = None

    def _work(self, night: date, report: Report) -> None:
        from slowglass.choose.sketch import sketch_candidates

        choice = self.workbench.choose(night=night, limit=LISTED, report=report)
        rows = sketch_candidates(self.workbench.kit, enumerate(choice.objects, 1))
        while len(self._lists) >= KEPT:
            self._lists.pop(next(iter(self._lists)))
        self._lists[night] = {**document(choice), "objects": rows}
