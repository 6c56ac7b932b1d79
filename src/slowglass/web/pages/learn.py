"""What was predicted beside what was measured: the record's night, and the logbook."""

from __future__ import annotations

from datetime import date

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from slowglass.errors import SlowglassError, UsageError
from slowglass.web.notebook import Notebook

LONGEST_NOTE = 2000


def routes(book: Notebook) -> list[Route]:
    """The comparison of the record, the logbook's pages and its forms."""

    def page(
        request: Request, *, faults: tuple[str, ...] = (), note: str = "", evening: str = ""
    ) -> Response:
        from slowglass.learn.logbook.records import LoggedNote, LoggedPicture
        from slowglass.learn.service import summarise_logbook

        bench = book.workbench
        summary = summarise_logbook(bench.logbook)
        evenings = {row.night.id: row.night.evening for row in summary.nights}
        return book.render(
            request,
            "learn.html",
            status=400 if faults else 200,
            summary=summary,
            lessons=bench.lessons() if summary.frames else None,
            in_use=[m for m in (*bench.kit.measured, *bench.site.measured) if m.in_use],
            notes=[(evenings.get(n.night_id), n) for n in bench.logbook.all(LoggedNote)],
            pictures=bench.logbook.all(LoggedPicture),
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
                values = [v for v in bench.lessons().values if v.quantity == quantity]
                if not any(v.adoptable for v in values):
                    raise UsageError(f"no value of “{quantity[:60]}” was measured")
                bench.adopt(values)
        except SlowglassError as error:
            return page(request, faults=(str(error),))
        book.reopen()
        return RedirectResponse("/learn#corrections", status_code=303)

    return [
        Route("/learn", learn, methods=["GET"]),
        Route("/learn/note", write_note, methods=["POST"]),
        Route("/learn/correction", correct, methods=["POST"]),
    ]
