"""What was predicted beside what was measured."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from slowglass.web.notebook import Notebook


def routes(book: Notebook) -> list[Route]:
    """The comparison of the record."""

    def learn(request: Request) -> Response:
        if book.night() is None:
            return RedirectResponse("/", status_code=303)
        return book.render(request, "learn.html")

    return [Route("/learn", learn)]
