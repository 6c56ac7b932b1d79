"""The first page: the night at a glance, or the offer to make one; and the light."""

from __future__ import annotations

from typing import Any

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from slowglass.progress import Report
from slowglass.web.jobs import Job
from slowglass.web.notebook import STEPS, Notebook, job_progress
from slowglass.web.tables import night_lines


def routes(book: Notebook) -> list[Route]:
    """The start, the making of the example night, and the light's switch."""
    job = Job()

    def start(request: Request) -> Response:
        night = book.night()
        return book.render(
            request,
            "start.html",
            work=job.progress,
            folder=str(book.folder),
            lines=[] if night is None else night_lines(night),
        )

    def making(request: Request) -> Response:
        return job_progress(job)

    def start_work(request: Request) -> Response:
        from slowglass.demo import run_demo

        def make(report: Report) -> Any:
            return run_demo(book.folder, report=report)

        if book.night() is None:
            job.start(make)
        return RedirectResponse("/", status_code=303)

    async def light(request: Request) -> Response:
        """Remember day or night, for browsers without scripts."""
        form = await request.form()
        to = "night" if form.get("to") == "night" else "day"
        back = str(form.get("back", "/"))
        known = {"/", *(step["href"] for step in STEPS)}
        if back not in known and not back.startswith("/judge/"):
            back = "/"
        response = RedirectResponse(back, status_code=303)
        response.set_cookie("light", to, max_age=31536000, samesite="strict")
        return response

    book.jobs.append(job)
    return [
        Route("/", start),
        Route("/making", making, methods=["GET"]),
        Route("/making", start_work, methods=["POST"]),
        Route("/light", light, methods=["POST"]),
    ]
