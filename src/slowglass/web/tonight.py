"""Lists of what a night offers, worked out in the background and kept with the night."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

from slowglass.documents import document
from slowglass.errors import SlowglassError
from slowglass.progress import Report
from slowglass.web.job import INTERRUPTED

if TYPE_CHECKING:
    from slowglass.web.job import Job, Request
    from slowglass.web.notebook import Notebook

LISTED = 24


@dataclass(frozen=True)
class Wanted:
    """What a list is narrowed to, as a form says it; "" limits nothing."""

    kind: str = ""
    constellation: str = ""
    between: str = ""
    new: bool = False
    names: tuple[str, ...] = ()


class Tonight:
    """Asks the workbench what to choose, and what a year holds for one object."""

    def __init__(self, book: Notebook) -> None:
        self.book = book
        book.jobs.register("choose", self._work, quick=True)
        book.jobs.register("year", self._year, quick=True)

    def coming(self) -> date:
        """The evening's date of the night under way or coming at the site."""
        return self.book.workbench.tonight()

    def ask(self, night: date, wanted: Wanted | None = None) -> Job:
        """The job that works out a night's list; its result is the list once it is done."""
        wanted = wanted or Wanted()
        request: dict[str, Any] = {
            "night": night.isoformat(),
            "instruments": self.book.instruments(),
            "wanted": {**asdict(wanted), "names": list(wanted.names)},
        }
        if wanted.new:  # a logbook that has grown asks for another list
            request["logged"] = len(self.book.workbench.logbook.photographed())
        return self._known("choose", request) or self.book.jobs.start(
            "choose",
            title=f"The list for the night of {night}",
            request=request,
            href=f"/choose?night={night}",
        )

    def rows(self, night: date, ids: Iterable[str]) -> dict[str, dict[str, Any]]:
        """Objects of a night by id, as far as some list of it has them already."""
        wanted, found = set(ids), dict[str, dict[str, Any]]()
        mark = self.book.instruments()
        for job in self.book.jobs.all():
            same = job.request.get("night") == night.isoformat()
            if job.kind != "choose" or not job.result or not same:
                continue
            if job.request.get("instruments") != mark or job.request["wanted"]["between"]:
                continue
            for row in job.result["objects"]:
                if row["id"] in wanted:
                    found.setdefault(row["id"], row)
        return found

    def photographed(self) -> dict[str, str]:
        """The last evening with a kept frame of each object, by its id; empty without a logbook."""
        try:
            return self.book.workbench.logbook.photographed_on()
        except SlowglassError:
            return {}

    def year(self, name: str, first: date) -> Job:
        """The job that looks through a year of nights for one object."""
        request = {
            "name": name,
            "first": first.isoformat(),
            "instruments": self.book.instruments(),
        }
        return self._known("year", request) or self.book.jobs.start(
            "year", title=f"A year of nights for {name}", request=request, href=f"/choose/{name}"
        )

    def _known(self, kind: str, request: Request) -> Job | None:
        known = self.book.jobs.latest(kind, request)
        return None if known is None or known.words == INTERRUPTED else known

    def _work(self, request: Request, report: Report) -> dict[str, Any]:
        bench, wanted = self.book.workbench, request["wanted"]
        choice = bench.choose(
            night=date.fromisoformat(request["night"]),
            limit=max(LISTED, len(wanted["names"])),
            kinds=[wanted["kind"]] if wanted["kind"] else (),
            constellations=[wanted["constellation"]] if wanted["constellation"] else (),
            between=wanted["between"] or None,
            new=wanted["new"],
            names=wanted["names"],
            report=report,
        )
        rows = [{**document(one), "rank": rank} for rank, one in enumerate(choice.objects, 1)]
        return {**document(choice), "objects": rows}

    def _year(self, request: Request, report: Report) -> dict[str, Any]:
        plan = self.book.workbench.choose_year(
            request["name"], first=date.fromisoformat(request["first"]), report=report
        )
        return dict(document(plan))
