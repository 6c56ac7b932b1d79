"""One frame of the night's record with its solution drawn over, and the record's pictures."""

from __future__ import annotations

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, RedirectResponse, Response
from starlette.routing import Route

from slowglass.judge.folder import entries_of_json, told_state
from slowglass.learn.night import NightRecord
from slowglass.web.live_view import live_parts
from slowglass.web.notebook import Notebook
from slowglass.web.present import clock
from slowglass.web.tables import frame_view
from slowglass.web.view_words import night_frame, view_address

TYPES = {".jpg": "image/jpeg", ".png": "image/png", ".svg": "image/svg+xml"}


def routes(book: Notebook) -> list[Route]:
    """A frame, and the small pictures that the record names."""

    told: list[tuple[NightRecord, dict[str, str]]] = []

    def series(night: NightRecord) -> dict[str, str]:
        """The plots and the axis of the night's frames, worked out once for a record."""
        if not told or told[0][0] is not night:
            bench = book.workbench
            own_site = bench.site if bench.site.name == night.index["site"]["name"] else None
            entries = entries_of_json([frame["verdict"] for frame in night.frames])
            state = told_state(night.folder, entries, site=own_site)
            view = live_parts(state, clock(night.index["site"]["timezone"]), mount=bench.kit.mount)
            parts = {n: book.fragment(f"live/{n}.html", **view[n]) for n in ("plots", "axis")}
            told[:] = [(night, parts)]
        return told[0][1]

    def judge(request: Request) -> Response:
        night = book.night()
        if night is None:
            away = "/judge/live" if book.watching else "/judge/folder"
            return RedirectResponse(away, status_code=303)
        frames = [frame_view(frame) for frame in night.frames]
        wanted = request.path_params.get("frame_id", frames[0]["id"])
        frame = next((f for f in frames if f["id"] == wanted), None)
        overlay = night.overlay(wanted)
        if frame is None or overlay is None:
            raise HTTPException(404)
        file = night_frame(night, wanted)
        return book.render(
            request, "judge.html", frame=frame, frames=frames, overlay=overlay,
            full=None if file is None else view_address(file), series=series(night),
        )  # fmt: skip

    def plate(request: Request) -> Response:
        night = book.night()
        path = night.plate(request.path_params["name"]) if night is not None else None
        if path is None or path.suffix not in TYPES:
            raise HTTPException(404)
        return FileResponse(
            path, media_type=TYPES[path.suffix], headers={"cache-control": "no-cache"}
        )

    return [
        Route("/judge", judge),
        Route("/judge/{frame_id}", judge),
        Route("/plate/{name}", plate),
    ]
