"""The list of a night: the record's, or that of any night asked for."""

from __future__ import annotations

from datetime import date as Date
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from slowglass.errors import NothingUseful, UsageError
from slowglass.web.notebook import Notebook
from slowglass.web.tonight import Tonight

UNKNOWN: dict[str, Any] = {
    "objects": [], "dark_from": None, "moon": None, "note": None, "reason": None,
}  # fmt: skip


def routes(book: Notebook) -> list[Route]:
    """The list, followed while it is worked out."""
    tonight = Tonight(book)

    def choose(request: Request) -> Response:
        night = book.night()
        wanted = request.query_params.get("night", "")
        if night is not None and wanted in ("", night.index["night"]):
            return book.render(
                request,
                "choose.html",
                choice=night.steps["choice"],
                considered=night.index["considered"],
                chosen=night.index["target"]["id"],
                zone=night.index["site"]["timezone"],
                work=None,
            )
        try:
            date = Date.fromisoformat(wanted) if wanted else tonight.coming()
        except ValueError as error:
            raise UsageError(f"“{wanted}” is not a date", "write it as 2026-10-09") from error
        work = tonight.ask(date)
        if work.state in ("failed", "stopped"):
            book.jobs.forget(work.id)  # asked again, it is tried again
            raise NothingUseful(work.words)
        choice = work.result if work.state == "done" else None
        return book.render(
            request,
            "choose.html",
            choice=choice or {"night": date.isoformat(), **UNKNOWN},
            considered=0 if choice is None else choice["considered"],
            chosen=None,
            zone=book.workbench.site.timezone,
            work=work if work.under_way else None,
        )

    return [Route("/choose", choose)]
