"""Pages for what goes wrong, in the light that is set: a white one would blind."""

from __future__ import annotations

from typing import Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from slowglass.errors import NothingUseful, SlowglassError, UsageError
from slowglass.web.guard import HEADERS
from slowglass.web.notebook import Notebook


def exception_handlers(book: Notebook) -> dict[Any, Any]:
    """The page for each kind of fault."""

    def http_fault(request: Request, error: HTTPException) -> Response:
        heading, words = "Not possible", str(error.detail)
        if error.status_code == 404:
            heading, words = "No such page", "This address is not in the notebook."
        return book.render(
            request, "message.html", status=error.status_code, heading=heading, words=words
        )

    def fault(request: Request, error: SlowglassError) -> Response:
        status = 400 if isinstance(error, UsageError | NothingUseful) else 500
        return book.render(
            request, "message.html", status=status, night=None, heading="That did not work",
            words=str(error),
        )  # fmt: skip

    def unexpected(request: Request, error: Exception) -> Response:
        answer = book.render(
            request, "message.html", status=500, night=None, heading="An unexpected fault",
            words="The workbench’s own window says more. The night’s files are untouched.",
        )  # fmt: skip
        answer.headers.update(HEADERS)
        return answer

    return {HTTPException: http_fault, SlowglassError: fault, Exception: unexpected}
