"""What was predicted beside what was measured: the record's night, and the logbook."""

from __future__ import annotations

import hashlib
from datetime import date
from typing import Any

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from slowglass.errors import SlowglassError, UsageError
from slowglass.progress import Report
from slowglass.web.job import Job
from slowglass.web.notebook import Notebook

LONGEST_NOTE = 2000
LESSONS = "lessons"
REVIEWS_SHOWN = 12
"""Tables of the newest object-nights; the drawing above them shows all."""


def routes(book: Notebook) -> list[Route]:
    """The comparison of the record, the lessons of the logbook and their forms."""

    def work_out(_request: dict[str, Any], report: Report) -> dict[str, Any]:
        return book.workbench.lessons(report=report).to_json()

    book.jobs.register(LESSONS, work_out, quick=True)

    def mark() -> dict[str, str]:
        """What lessons depend on: the frames, kit and site."""
        text = f"{book.workbench.logbook.frames_mark()} {book.instruments()}"
        return {"of": hashlib.sha256(text.encode()).hexdigest()[:16]}

    def lessons() -> Job:
        """The work that gives the lessons of the logbook as it stands: done, or begun now."""
        known = book.jobs.latest(LESSONS, mark())
        if known is not None and (known.under_way or known.state == "failed" or known.result):
            return known
        return book.jobs.start(
            LESSONS, title="What the logbook teaches", request=mark(), href="/learn"
        )

    def page(
        request: Request, *, faults: tuple[str, ...] = (), note: str = "", evening: str = ""
    ) -> Response:
        from slowglass.kit.form import key_labels
        from slowglass.learn.logbook.records import LoggedNote
        from slowglass.learn.residuals import residual_rows
        from slowglass.learn.service import summarise_logbook

        bench = book.workbench
        summary = summarise_logbook(bench.logbook)
        evenings = {row.night.id: row.night.evening for row in summary.nights}
        work = lessons() if summary.frames else None
        found = None if work is None else work.result
        return book.render(
            request,
            "learn.html",
            status=400 if faults else 200,
            summary=summary,
            work=work,
            lessons=found,
            rows=residual_rows(found["reviews"]) if found else [],
            reviews=found["reviews"][: -REVIEWS_SHOWN - 1 : -1] if found else [],
            labels=key_labels(),
            in_use=[m for m in (*bench.kit.measured, *bench.site.measured) if m.in_use],
            notes=[(evenings.get(n.night_id), n) for n in bench.logbook.all(LoggedNote)],
            faults=faults,
            note=note,
            evening=evening or bench.tonight().isoformat(),
        )

    def learn(request: Request) -> Response:
        return page(request)

    async def write_note(request: Request) -> Response:
        from slowglass.learn.logbook.records import LoggedNote, Night

        form = await request.form()
        text, evening = str(form.get("text", "")).strip(), str(form.get("night", "")).strip()
        faults = []
        if not text or len(text) > LONGEST_NOTE:
            faults.append(f"A note holds 1 to {LONGEST_NOTE} letters; this one {len(text)}")
        try:
            evening = date.fromisoformat(evening).isoformat()
        except ValueError:
            faults.append(f"“{evening[:40]}” is not a date: write it as 2026-10-09")
        if faults:
            return page(request, faults=tuple(faults), note=text, evening=evening)
        bench = book.workbench
        night = bench.logbook.night(Night(evening, bench.site.name, bench.kit.name))
        bench.logbook.add(LoggedNote(text, night_id=night))
        return RedirectResponse("/learn#notes", status_code=303)

    async def correct(request: Request) -> Response:
        form = await request.form()
        quantity, aside = str(form.get("quantity", "")), form.get("to") == "put aside"
        bench = book.workbench
        try:
            if aside:
                bench.put_aside(quantity)
            else:
                bench.adopt(_measured(book.jobs.latest(LESSONS, mark()), quantity))
        except SlowglassError as error:
            return page(request, faults=(str(error),))
        book.reopen()
        return RedirectResponse("/learn#corrections", status_code=303)

    return [
        Route("/learn", learn, methods=["GET"]),
        Route("/learn/note", write_note, methods=["POST"]),
        Route("/learn/correction", correct, methods=["POST"]),
    ]


def _measured(work: Job | None, quantity: str) -> list[Any]:
    """The value of a quantity that lessons worked out; UsageError without one."""
    from slowglass.learn.values import KitValue

    found = [] if work is None or work.result is None else work.result["corrections"]
    values = [KitValue.from_json(said) for said in found if said["quantity"] == quantity]
    if not any(value.adoptable for value in values):
        raise UsageError(
            f"no value of “{quantity[:60]}” was measured", "look at the corrections on the page"
        )
    return values
