"""The live page of a watched folder; its script asks for what has changed and puts it in place."""

from __future__ import annotations

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from slowglass.web.live_view import live_parts
from slowglass.web.notebook import Notebook
from slowglass.web.present import clock


def routes(book: Notebook) -> list[Route]:
    """The page, its parts as they change, its two pictures and the polar axis's switch."""

    def parts() -> dict[str, str]:
        assert book.watching is not None
        bench = book.workbench
        view = live_parts(
            book.watching.state, clock(bench.site.timezone), mount=bench.kit.mount, live=True
        )
        return {name: book.fragment(f"live/{name}.html", **told) for name, told in view.items()}

    def live(request: Request) -> Response:
        if book.watching is None:
            words = "Nobody is watching a folder. Start it with: slowglass watch FOLDER"
            return book.render(
                request, "message.html", heading="No live frames", words=words, status=404
            )
        state = book.watching.state
        return book.render(request, "live.html", state=state, parts=parts())

    def changed(request: Request) -> Response:
        if book.watching is None:
            raise HTTPException(404)
        state = book.watching.state
        told: dict[str, object] = {"version": state.version, "cue": state.say.cue}
        if request.query_params.get("seen") != str(state.version):
            told |= {"say": state.say.text, "parts": parts()}
        return JSONResponse(told, headers={"cache-control": "no-store"})

    def picture(request: Request) -> Response:
        state = None if book.watching is None else book.watching.state
        found = None
        if state is not None and request.path_params["which"] == "stack":
            found = state.stack
        elif state is not None and state.newest is not None:
            found = state.newest.picture
        if found is None:
            raise HTTPException(404)
        return Response(found.jpeg, media_type="image/jpeg", headers={"cache-control": "no-cache"})

    async def axis(request: Request) -> Response:
        if book.watching is None:
            raise HTTPException(404)
        form = await request.form()
        book.watching.set_axis(form.get("set") == "on")
        return RedirectResponse("/judge/live", status_code=303)

    return [
        Route("/judge/live", live),
        Route("/judge/live/changed", changed),
        Route("/judge/live/{which:str}.jpg", picture),
        Route("/judge/live/axis", axis, methods=["POST"]),
    ]
