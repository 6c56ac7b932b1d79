"""The plan of the record, with its forecast frame, or of any exposure asked for."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from slowglass.documents import document
from slowglass.web.notebook import Notebook, asked, asked_number
from slowglass.web.tables import plan_rows
from slowglass.web.ways import moment


def routes(book: Notebook) -> list[Route]:
    """The plan."""

    def expose(request: Request) -> Response:
        night = book.night()
        name = asked(request, "name")
        if not name:
            if night is None:
                return book.render(request, "expose.html", plan=None, rows=[], forecast=False)
            plan = night.steps["plan"]
            return book.render(
                request, "expose.html", plan=plan, rows=plan_rows(plan), forecast=True
            )
        plan = document(
            book.workbench.expose(
                name,
                seconds=asked_number(request, "seconds", 30.0),
                frames=int(asked_number(request, "frames", 1.0)),
                when=moment(asked(request, "when")),
            )
        )
        return book.render(request, "expose.html", plan=plan, rows=plan_rows(plan), forecast=False)

    return [Route("/expose", expose)]
