"""What follows from the kit and the site, and the skyline drawn by hand."""

from __future__ import annotations

from pathlib import Path

from starlette.datastructures import UploadFile
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from slowglass.errors import ConfigError, SlowglassError
from slowglass.kit.skyline import Points, skyline_from_text
from slowglass.web.notebook import Notebook
from slowglass.web.tables import kit_rows

LARGEST_BYTES = 200_000


def routes(book: Notebook) -> list[Route]:
    """Kit and site, and the forms of the skyline."""

    def page(
        request: Request,
        *,
        points: Points | None = None,
        text: str | None = None,
        faults: tuple[str, ...] = (),
    ) -> Response:
        """The page; with points not saved yet, or a text as it was written and its faults."""
        from slowglass.kit.form import form_sections, key_labels
        from slowglass.kit.service import skyline_by_direction, summarise_kit
        from slowglass.kit.skyline_io import earlier_file, skyline_text

        bench = book.workbench
        kit, site = bench.kit, bench.site
        drawn = site if points is None else site.model_copy(update={"horizon": points})
        summary = summarise_kit(kit, site)
        path = bench.site_path()
        fields = [field for section in form_sections(kit) for field in section.fields]
        return book.render(
            request,
            "kit.html",
            status=400 if faults else 200,
            summary=summary,
            rows=kit_rows(kit, summary),
            assumed=[(f.label, f"{f.text} {f.unit}".strip()) for f in fields if f.assumed],
            measured=[*kit.measured, *site.measured],
            labels=key_labels(),
            skyline=skyline_by_direction(drawn),
            outline=[(az, -float(drawn.horizon_alt_deg(az))) for az in range(0, 361, 4)],
            pairs=skyline_text(drawn.horizon) if text is None else text,
            faults=faults,
            unsaved=points is not None,
            saved="saved" in request.query_params,
            earlier=earlier_file(path).is_file(),
            site_path=path,
        )

    def show(request: Request) -> Response:
        return page(request)

    def keep(request: Request, points: Points | None, text: str | None = None) -> Response:
        try:
            book.use(site=book.workbench.keep_skyline(points))
        except SlowglassError as error:
            return page(request, text=text, faults=(str(error),))
        except OSError as error:
            return page(request, text=text, faults=(f"The site’s file cannot be written: {error}",))
        return RedirectResponse("/kit?saved#skyline", status_code=303)

    async def save(request: Request) -> Response:
        async with request.form(max_part_size=LARGEST_BYTES) as form:
            text = str(form.get("pairs", "")).replace("\r\n", "\n")
        try:
            points = skyline_from_text(text, source="The list")
        except ConfigError as error:
            return page(request, text=text, faults=error.faults)
        return keep(request, points, text)

    async def read_file(request: Request) -> Response:
        async with request.form(max_files=1, max_part_size=LARGEST_BYTES) as form:
            file = form.get("file")
            if not isinstance(file, UploadFile) or not file.filename:
                return page(request, faults=("No file is chosen",))
            name, content = Path(file.filename).name, await file.read(LARGEST_BYTES + 1)
        if len(content) > LARGEST_BYTES:
            return page(request, faults=(f"The file {name} is too large for a skyline",))
        try:
            text = content.decode("utf-8-sig")
        except UnicodeDecodeError:
            return page(request, faults=(f"The file {name} is not UTF-8 text: save it as UTF-8",))
        try:
            return page(request, points=skyline_from_text(text, source=name))
        except ConfigError as error:
            return page(request, faults=tuple(f"The file {name}: {f}" for f in error.faults))

    async def bring_back(request: Request) -> Response:
        return keep(request, None)

    return [
        Route("/kit", show, methods=["GET"]),
        Route("/kit/skyline", save, methods=["POST"]),
        Route("/kit/skyline/file", read_file, methods=["POST"]),
        Route("/kit/skyline/back", bring_back, methods=["POST"]),
    ]
