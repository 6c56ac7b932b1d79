"""The logbook looked into: frames that answer a question, finished pictures and their map."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from slowglass.errors import SlowglassError
from slowglass.web.notebook import Notebook, asked

FRAMES_SHOWN = 60
PICTURES_SHOWN = 60
KEEP_S = "private, max-age=3600"


def routes(book: Notebook) -> list[Route]:
    """Frames, pictures, and each picture made small."""

    def frames(request: Request) -> Response:
        from slowglass.learn.ask import FIELDS, ask_frames

        bench = book.workbench
        said = {name: asked(request, name) for name in FIELDS}
        question = ask_frames(said, bench.sky, limit=FRAMES_SHOWN)
        answered = any(said.values()) and not question.faults
        return book.render(
            request,
            "learn_frames.html",
            status=400 if question.faults else 200,
            said=said,
            faults=question.faults,
            answered=answered,
            frames=bench.logbook.frames(question.query) if answered else [],
            count=bench.logbook.count_frames(question.query) if answered else 0,
        )

    def pictures(request: Request) -> Response:
        from slowglass.learn.gallery import is_there, names_of, spots_of
        from slowglass.learn.skymap import map_svg

        said = {name: asked(request, name) for name in ("object", "near", "radius", "text")}
        found: list[Any] = []
        around, fault = None, ""
        try:
            found, around = book.workbench.pictures(
                name=said["object"], near=said["near"], radius=said["radius"], text=said["text"]
            )
        except SlowglassError as error:
            fault = str(error)
        names = names_of(found, book.workbench.sky)
        shown = found[:PICTURES_SHOWN]
        return book.render(
            request,
            "learn_pictures.html",
            status=400 if fault else 200,
            names=names,
            said=said,
            fault=fault,
            pictures=[(one, is_there(one)) for one in shown],
            count=len(found),
            drawing=map_svg(spots_of(shown, names, "#picture-"), around=around),
        )

    def picture(request: Request) -> Response:
        from slowglass.learn.logbook.records import LoggedPicture

        found = book.workbench.logbook.get(LoggedPicture, request.path_params["id"])
        if found is None:
            raise HTTPException(404)
        try:
            stamp = Path(found.file).stat().st_mtime_ns
        except OSError:
            raise HTTPException(404) from None
        jpeg = _small(found.file, stamp)
        if jpeg is None:
            raise HTTPException(404)
        return Response(jpeg, media_type="image/jpeg", headers={"cache-control": KEEP_S})

    return [
        Route("/learn/frames", frames, methods=["GET"]),
        Route("/learn/pictures", pictures, methods=["GET"]),
        Route("/learn/pictures/{id:int}.jpg", picture, methods=["GET"]),
    ]


@lru_cache(maxsize=64)
def _small(file: str, _stamp: int) -> bytes | None:
    """A picture made small, kept while the file stays as it is; None for none to show."""
    from slowglass.learn.gallery import small_picture
    from slowglass.learn.logbook.records import LoggedPicture

    try:
        return small_picture(LoggedPicture(file))
    except SlowglassError:
        return None
