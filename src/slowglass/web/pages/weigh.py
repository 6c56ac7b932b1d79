"""Kits set side by side: what each does well over a year, and what one change would open."""

from __future__ import annotations

from starlette.datastructures import UploadFile
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from slowglass.errors import ConfigError
from slowglass.web.notebook import Notebook
from slowglass.web.tables import class_rows, side_by_side
from slowglass.web.weighing import Weighings

LARGEST_BYTES = 100_000


def routes(book: Notebook) -> list[Route]:
    """The scales."""
    weighings = Weighings(book)

    def page(
        request: Request, *, faults: tuple[str, ...] = (), text: str = "", status: int = 200
    ) -> Response:
        job = weighings.job()
        found = job.result if job is not None and job.state == "done" else None
        if job is not None and job.state == "failed" and not faults:
            faults = (job.words,)
        return book.render(
            request,
            "weigh.html",
            status=status,
            choosable=weighings.choosable(),
            chosen=weighings.chosen,
            faults=faults,
            text=text,
            work=job if job is not None and job.under_way else None,
            weighing=found,
            sides=[] if found is None else side_by_side(found["kits"]),
            classes=[] if found is None else [class_rows(kit) for kit in found["kits"]],
        )

    def show(request: Request) -> Response:
        return page(request)

    async def weigh(request: Request) -> Response:
        from slowglass.choose.weigh_service import MOST_KITS
        from slowglass.kit.io import kit_from_toml

        faults: list[str] = []
        texts: list[tuple[str, str]] = []
        async with request.form(max_files=MOST_KITS, max_part_size=LARGEST_BYTES) as form:
            wanted = [str(key) for key in form.getlist("kit")]
            pasted = str(form.get("text", "")).replace("\r\n", "\n")
            for file in form.getlist("file"):
                if not isinstance(file, UploadFile) or not file.filename:
                    continue
                content = await file.read(LARGEST_BYTES + 1)
                if len(content) > LARGEST_BYTES:
                    faults.append(f"The file {file.filename} is too large for a kit file")
                    continue
                try:
                    texts.append((f"The file {file.filename}", content.decode("utf-8-sig")))
                except UnicodeDecodeError:
                    faults.append(f"The file {file.filename} is not UTF-8 text: save it as UTF-8")
        if pasted.strip():
            texts.append(("The pasted kit", pasted))
        for source, text in texts:
            try:
                wanted.append(weighings.hand_in(kit_from_toml(text, source=source)))
            except ConfigError as error:
                faults += [f"{source}: {fault}" for fault in error.faults]
            else:
                pasted = "" if source == "The pasted kit" else pasted
        known = {choosable.key: choosable.kit for choosable in weighings.choosable()}
        wanted = [key for key in dict.fromkeys(wanted) if key in known]
        weighings.chosen = tuple(wanted)
        if not faults and not wanted:
            faults.append("No kit is chosen: tick one or more, or hand one in")
        if len(wanted) > MOST_KITS:
            faults.append(f"{len(wanted)} kits are too many to set side by side: take {MOST_KITS}")
        if faults:
            return page(request, faults=tuple(faults), text=pasted, status=400)
        weighings.start([known[key] for key in wanted])
        return RedirectResponse("/weigh", status_code=303)

    return [
        Route("/weigh", show, methods=["GET"]),
        Route("/weigh", weigh, methods=["POST"]),
    ]
