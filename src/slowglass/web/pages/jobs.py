"""Long work: what runs, waits and has ended, with stop and again."""

from __future__ import annotations

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from slowglass.web.job import Job
from slowglass.web.notebook import Notebook, job_progress, way_back


def routes(book: Notebook) -> list[Route]:
    """The list of long work, where each is, and its buttons."""
    jobs = book.jobs

    def show(request: Request) -> Response:
        known = jobs.all()
        under_way = [job for job in reversed(known) if job.under_way]
        under_way.sort(key=lambda job: job.state != "running")
        return book.render(
            request,
            "jobs.html",
            under_way=under_way,
            ended=[job for job in known if not job.under_way and jobs.worth_telling(job)],
            can_run=jobs.can_run,
            trouble=jobs.trouble,
        )

    def asked_job(request: Request) -> Job:
        job = jobs.get(request.path_params["id"])
        if job is None:
            raise HTTPException(404)
        return job

    def progress(request: Request) -> Response:
        return job_progress(asked_job(request))

    async def answer(request: Request, job: Job) -> Response:
        """Where the job is for a script; for a form, the page it came from."""
        if "application/json" in request.headers.get("accept", ""):
            return job_progress(job)
        form = await request.form()
        return RedirectResponse(way_back(form.get("back", "/jobs")), status_code=303)

    async def stop(request: Request) -> Response:
        job = asked_job(request)
        jobs.stop(job.id)
        return await answer(request, job)

    async def again(request: Request) -> Response:
        return await answer(request, jobs.again(asked_job(request).id))

    async def forget(request: Request) -> Response:
        job = asked_job(request)
        jobs.forget(job.id)
        return await answer(request, job)

    return [
        Route("/jobs", show, methods=["GET"]),
        Route("/jobs/{id}/progress", progress, methods=["GET"]),
        Route("/jobs/{id}/stop", stop, methods=["POST"]),
        Route("/jobs/{id}/again", again, methods=["POST"]),
        Route("/jobs/{id}/forget", forget, methods=["POST"]),
    ]
