"""Any folder of frames: judged as a job, kept, and shown as the live page shows a night."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from slowglass.frame.io import list_frames
from slowglass.judge.folder import judged_folder, overlay_of_kept
from slowglass.judge.kept import KeptFrames
from slowglass.judge.watch_state import WatchState
from slowglass.progress import Report
from slowglass.web.live_view import live_parts, measured_words
from slowglass.web.notebook import Notebook
from slowglass.web.present import clock
from slowglass.web.view_words import target_of, view_address

KIND = "judge-folder"
MOST_ROWS = 400
"""Frames in the list; the newest of them."""


def routes(book: Notebook) -> list[Route]:
    """A folder's frames with what was found, and judging them."""
    kept = KeptFrames(book.notes / "judged")

    def judge(request: dict[str, Any], report: Report) -> dict[str, Any]:
        paths = list_frames(book.roots.folder(request["folder"]))
        target = request["target"] or None
        known = book.workbench.judge_and_keep(paths, kept, target=target, report=report)
        return {"frames": len(known), "keepers": sum(one.verdict.keeper for one in known)}

    book.jobs.register(KIND, judge)

    def asked_folder(text: str) -> Path | None:
        text = text or book.desk.state.frames_folder
        return book.roots.folder(text) if text else None

    def request_for(folder: Path) -> dict[str, Any]:
        target = target_of(book)
        return {"folder": str(folder), "target": "" if target is None else target.name}

    def show(request: Request) -> Response:
        folder = asked_folder(request.query_params.get("of", ""))
        if folder is None:
            return book.render(request, "judged.html", folder=None, job=None)
        bench = book.workbench
        paths = list_frames(folder)
        frame = request.query_params.get("frame", "")
        if frame and folder / frame not in paths:
            raise HTTPException(404)
        target = target_of(book)
        own = not bench.kit_is_stand_in
        found = judged_folder(
            folder, paths, kept,
            target=None if target is None else target.name,
            kit=bench.kit if own else None, site=bench.site if own else None,
        )  # fmt: skip
        view = live_parts(
            found.state, clock(bench.site.timezone), rows=MOST_ROWS, mount=bench.kit.mount
        )
        names = ("say", "plots", "axis", "frames")
        parts = {name: book.fragment(f"live/{name}.html", **view[name]) for name in names}
        return book.render(
            request, "judged.html", folder=folder, count=len(paths), state=found.state,
            parts=parts, to_judge=len(found.to_judge), target=target,
            job=book.jobs.latest(KIND, request_for(folder)),
            shown=pictured(found.state, frame),
        )  # fmt: skip

    def pictured(state: WatchState, name: str) -> dict[str, Any] | None:
        """The frame pictured on the page: the one asked for, else the newest light."""
        entries = {entry.name: entry for entry in state.entries}
        lights = [e.name for e in state.entries if e.role in ("light", "test") and e.verdict.stars]
        name = name or (lights[-1] if lights else "")
        entry = entries.get(name)
        if entry is None or entry.verdict.error is not None:
            return None
        path = Path(state.folder) / name
        one = kept.get(path)
        overlay = None if one is None else overlay_of_kept(one, book.workbench.sky, target_of(book))
        if overlay is None:
            return None
        return {
            "name": name, "verdict": entry.verdict, "overlay": overlay, "of": str(path),
            "href": view_address(path), "judged": measured_words(entry.verdict),
        }  # fmt: skip

    async def start(request: Request) -> Response:
        form = await request.form()
        folder = asked_folder(str(form.get("of", "")))
        if folder is None:
            return RedirectResponse("/judge/folder", status_code=303)
        address = "/judge/folder?" + view_address(folder).partition("?")[2]
        book.jobs.start(
            KIND, title=f"Judge {folder.name}", request=request_for(folder), href=address
        )
        return RedirectResponse(address, status_code=303)

    return [
        Route("/judge/folder", show, methods=["GET"]),
        Route("/judge/folder", start, methods=["POST"]),
    ]
