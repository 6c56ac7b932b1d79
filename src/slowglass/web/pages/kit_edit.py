"""Every number of kit and site, to be changed in the browser."""

from __future__ import annotations

from collections.abc import Mapping

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from slowglass.errors import SlowglassError
from slowglass.web.hand_in import LARGEST_TEXT_BYTES, handed_in
from slowglass.web.notebook import Notebook

WORDS = {
    "ra": "right ascension",
    "none": "none",
    "red-dot": "red dot",
    "optical": "optical finder",
    "counterweight": "equatorial, with a counterweight",
}
"""Choices that read better otherwise than they stand in the file."""


def routes(book: Notebook) -> list[Route]:
    """The page and its two forms."""

    def page(
        request: Request,
        *,
        of: str = "",
        texts: Mapping[str, str] | None = None,
        faults: Mapping[str, str] | None = None,
    ) -> Response:
        """The page; with one form's texts as they were typed, and what is wrong with them."""
        from slowglass.kit.form import form_sections

        bench = book.workbench
        saved = request.query_params.get("saved", "")
        return book.render(
            request,
            "kit_edit.html",
            status=400 if faults else 200,
            forms=[
                (what, form_sections(record), path, texts if of == what else {}, faults or {})
                for what, record, path in (
                    ("kit", bench.kit, bench.kit_path()),
                    ("site", bench.site, bench.site_path()),
                )
            ],
            faulty=of,
            words=WORDS,
            saved=saved if saved in ("kit", "site") else "",
        )

    def show(request: Request) -> Response:
        return page(request)

    async def change(request: Request) -> Response:
        sent = await handed_in(request, most_bytes=LARGEST_TEXT_BYTES)
        await sent.form.close()
        return await run_in_threadpool(keep, request, sent.texts)

    def keep(request: Request, texts: dict[str, str]) -> Response:
        from slowglass.kit.form import read_form

        bench = book.workbench
        of = "site" if texts.get("of") == "site" else "kit"
        if texts.get("name_before", "") != (bench.site if of == "site" else bench.kit).name:
            words = f"another {of} is in use meanwhile: look at the page again, then change it"
            return page(request, of=of, texts=texts, faults={"name": words})
        kit, site = None, None
        if of == "site":
            site, faults = read_form(bench.site, texts)
        else:
            kit, faults = read_form(bench.kit, texts)
        if faults:
            return page(request, of=of, texts=texts, faults=faults)
        try:
            book.workbench, _ = bench.kept(kit=kit, site=site)
        except (SlowglassError, OSError) as error:
            return page(request, of=of, texts=texts, faults={"name": f"not saved: {error}"})
        return RedirectResponse(f"/kit/edit?saved={of}#{of}", status_code=303)

    return [
        Route("/kit/edit", show, methods=["GET"]),
        Route("/kit/edit", change, methods=["POST"]),
    ]
