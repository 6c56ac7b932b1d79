"""The evening's choices as forms write them, the folders to choose from, and what changed."""

from __future__ import annotations

from typing import Any

from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from slowglass.errors import UsageError
from slowglass.web.desk import Evening
from slowglass.web.notebook import Notebook, asked, way_back

PLAIN = ("night", "target", "when", "exposure_s", "frames")
"""Choices that a form sets as they are; an empty one is taken back."""
FOLDERS = {
    "frames_folder": "the frames of the night",
    "calibration_folders": "darks, flats and bias",
}


def routes(book: Notebook) -> list[Route]:
    """The form of choices, the page of folders, and the revision."""
    desk, roots = book.desk, book.roots

    def revision(request: Request) -> Response:
        current = book.jobs.current()
        told = {"revision": book.revision(), "current": current.told() if current else None}
        return JSONResponse(told, headers={"cache-control": "no-store"})

    async def change(request: Request) -> Response:
        """Take over what a form sends: plain choices, a pin, or a folder to use or leave."""
        form = await request.form()
        sent = {key: str(value) for key, value in form.items()}
        fields: dict[str, Any] = {
            key: sent[key] or Evening.model_fields[key].default for key in PLAIN if key in sent
        }
        if "frames_folder" in sent:
            text = sent["frames_folder"]
            fields["frames_folder"] = str(roots.folder(text)) if text else ""
        apart = desk.state.calibration_folders
        if sent.get("calibration_folders"):
            folder = str(roots.folder(sent["calibration_folders"]))
            fields["calibration_folders"] = tuple(dict.fromkeys((*apart, folder)))
        if "leave_folder" in sent:
            fields["calibration_folders"] = tuple(f for f in apart if f != sent["leave_folder"])
        if fields:
            desk.change(**fields)
        if "pin" in sent:
            desk.pin(sent["pin"])
        if "unpin" in sent:
            desk.unpin(sent["unpin"])
        if "application/json" in request.headers.get("accept", ""):
            return revision(request)
        return RedirectResponse(way_back(sent.get("back", "/")), status_code=303)

    def folders(request: Request) -> Response:
        purpose = asked(request, "for") or "frames_folder"
        if purpose not in FOLDERS:
            raise UsageError(f"“{purpose}” is not chosen from folders")
        at = request.query_params.get("at", "")
        return book.render(
            request,
            "folders.html",
            listing=roots.listing(at),
            purpose=purpose,
            words=FOLDERS[purpose],
            back=way_back(request.query_params.get("back", "/")),
            chosen=desk.state.frames_folder,
        )

    return [
        Route("/desk", change, methods=["POST"]),
        Route("/desk/revision", revision, methods=["GET"]),
        Route("/folders", folders, methods=["GET"]),
    ]
