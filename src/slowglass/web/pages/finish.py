"""The finished picture, what went in and what was left out, and its files to keep."""

from __future__ import annotations

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, RedirectResponse, Response
from starlette.routing import Route

from slowglass.web.notebook import Notebook


def routes(book: Notebook) -> list[Route]:
    """The picture and its files."""

    def finish(request: Request) -> Response:
        night = book.night()
        if night is None:
            return RedirectResponse("/", status_code=303)
        files = []
        for name in night.index["outputs"]:
            path = night.output(name)
            if path is not None:
                files.append({"name": name, "size": path.stat().st_size})
        return book.render(request, "finish.html", files=files)

    def output(request: Request) -> Response:
        night = book.night()
        path = night.output(request.path_params["name"]) if night is not None else None
        if path is None:
            raise HTTPException(404)
        return FileResponse(path, filename=path.name, media_type="application/octet-stream")

    return [Route("/finish", finish), Route("/output/{name}", output)]
