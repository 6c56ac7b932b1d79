"""The first page: the night at a glance, or the offer to make one; and the light."""

from __future__ import annotations

from typing import Any

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from slowglass.documents import document
from slowglass.progress import Report
from slowglass.web.evening import evening_lines
from slowglass.web.notebook import Notebook, way_back
from slowglass.web.tables import night_lines

EXAMPLE = "example-night"


def routes(book: Notebook) -> list[Route]:
    """The start, the making of the example night, and the light's switch."""

    def make(request: dict[str, Any], report: Report) -> dict[str, Any]:
        from slowglass.demo import run_demo

        return dict(document(run_demo(book.folder, report=report).summary))

    def start(request: Request) -> Response:
        night = book.night()
        return book.render(
            request,
            "start.html",
            work=book.jobs.latest(EXAMPLE),
            folder=str(book.folder),
            newcomer=book.workbench.kit_is_stand_in,
            coming=book.workbench.tonight().isoformat(),
            evening=evening_lines(book) if night is None or book.desk.state.revision else [],
            lines=[] if night is None else night_lines(night),
        )

    def start_work(request: Request) -> Response:
        if book.night() is None:
            book.jobs.start(EXAMPLE, title="The example night", request={}, href="/")
        return RedirectResponse("/", status_code=303)

    async def light(request: Request) -> Response:
        """Remember day or night, for browsers without scripts."""
        form = await request.form()
        to = "night" if form.get("to") == "night" else "day"
        response = RedirectResponse(way_back(form.get("back", "/")), status_code=303)
        response.set_cookie("light", to, max_age=31536000, samesite="strict")
        return response

    book.jobs.register(EXAMPLE, make)
    return [
        Route("/", start),
        Route("/making", start_work, methods=["POST"]),
        Route("/light", light, methods=["POST"]),
    ]
