"""Lists of what any night offers, worked out in the background and kept with the night."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Any

from slowglass.documents import document
from slowglass.progress import Report
from slowglass.web.job import INTERRUPTED

if TYPE_CHECKING:
    from slowglass.web.job import Job, Request
    from slowglass.web.notebook import Notebook

LISTED = 12


class Tonight:
    """Asks the workbench what to choose, one night at a time."""

    def __init__(self, book: Notebook) -> None:
        self.book = book
        book.jobs.register("choose", self._work, quick=True)

    def coming(self) -> date:
        """The evening's date of the night under way or coming at the site."""
        return self.book.workbench.tonight()

    def ask(self, night: date) -> Job:
        """The job that works out the night's list; its result is the list once it is done."""
        request = {"night": night.isoformat(), "instruments": self.book.instruments()}
        known = self.book.jobs.latest("choose", request)
        if known is not None and known.words != INTERRUPTED:
            return known
        return self.book.jobs.start(
            "choose",
            title=f"The list for the night of {night}",
            request=request,
            href=f"/choose?night={night}",
        )

    def _work(self, request: Request, report: Report) -> dict[str, Any]:
        from slowglass.choose.sketch import sketch_candidates

        bench = self.book.workbench
        night = date.fromisoformat(request["night"])
        choice = bench.choose(night=night, limit=LISTED, report=report)
        rows = sketch_candidates(bench.kit, enumerate(choice.objects, 1))
        return {**document(choice), "objects": rows}
