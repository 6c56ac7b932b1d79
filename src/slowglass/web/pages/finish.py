"""Finished pictures: made from chosen folders, moved with sliders, compared, exported, kept."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from urllib.parse import urlencode

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from slowglass.errors import SlowglassError, UnreadableFile, UsageError
from slowglass.web.finishing import EXPORT, FINISH, NIGHT, Finished, Finishing, told_of
from slowglass.web.notebook import Notebook

KEEP_S = "private, max-age=600"
MIDDLE = (50.0, 50.0)


def routes(book: Notebook) -> list[Route]:
    """The page of a picture, its answers to sliders, and the jobs behind it."""
    finishing = Finishing(book)

    def asked_picture(request: Request) -> Finished:
        picture = finishing.get(request.path_params["id"])
        if picture is None:
            raise HTTPException(404)
        return picture

    def finish(request: Request) -> Response:
        wanted = request.path_params.get("id")
        pictures = finishing.pictures()
        picture = next((p for p in pictures if wanted in (None, p.id)), None)
        if wanted is not None and picture is None:
            raise HTTPException(404)
        folder = book.desk.state.frames_folder
        names: list[str] = []
        trouble = ""
        if folder:
            try:
                names = finishing.frames_in(book.roots.folder(folder))
            except (SlowglassError, OSError) as error:
                folder, trouble = "", str(error)
        night = book.night()
        target = book.desk.state.target or (night.index["target"]["name"] if night else "")
        return book.render(
            request,
            "finish.html",
            picture=picture,
            others=[p for p in pictures if p is not picture],
            recorded=picture is not None and picture.id == NIGHT,
            files=[] if picture is None else sizes_of(picture),
            sliders=None if picture is None else sliders(picture, request.query_params),
            exports=[] if picture is None else export_rows(picture),
            exporting=book.jobs.latest(EXPORT),
            work=book.jobs.latest(FINISH),
            folder=folder,
            folder_trouble=trouble,
            frames=names,
            target=target,
        )

    def sizes_of(picture: Finished) -> list[dict[str, Any]]:
        return [{"name": f.name, "size": f.stat().st_size} for f in picture.files]

    def export_rows(picture: Finished) -> list[dict[str, Any]]:
        rows = []
        for job in finishing.exports(picture):
            for text in (job.result or {}).get("outputs", []):
                path = finishing.file(picture, text.replace("\\", "/").rpartition("/")[2])
                if path is not None:
                    rows.append({"name": path.name, "size": path.stat().st_size})
        return rows

    def sliders(picture: Finished, query: Mapping[str, str]) -> dict[str, Any]:
        """What the page shows of the sliders, or why there are none."""
        from slowglass.finish.sliders import SLIDERS

        fault = ""
        try:
            proof = finishing.proof(picture)
            moves = read_moves(query)
        except UnreadableFile as error:
            return {"trouble": str(error), "pair": False}
        except UsageError as error:
            fault, query = str(error), {}
            moves = read_moves(query)
        start, facts = proof.start, proof.facts
        cut = facts.recipe.cut
        width, height = proof.finished_size
        scale = min(1.0, proof.longest_px / max(width, height))
        return {
            "trouble": "",
            "fault": fault,
            "sliders": SLIDERS,
            "fields": {s.name: query.get(s.name, "") for s in SLIDERS},
            "start": {s.name: percented(start[s.name], s.percent) for s in SLIDERS},
            "pictures": addresses(picture, query),
            "around": cut.around_subject if moves.around_subject is None else moves.around_subject,
            "north": cut.north_up if moves.north_up is None else moves.north_up,
            "can_turn": proof.can_turn,
            "can_cut": facts.scene.subject is not None,
            "pair": proof.has_pair,
            "size": (round(width * scale), round(height * scale)),
            "side": 0 if facts.square is None else facts.square.width_px,
            "place": place_of(query),
        }

    def answer(request: Request) -> Response:
        try:
            picture = asked_picture(request)
            proof, moves = finishing.proof(picture), read_moves(request.query_params)
            told = told_of(proof.shown(moves), proof.size(moves))
        except SlowglassError as error:
            return JSONResponse({"trouble": str(error)}, status_code=400)
        return JSONResponse(
            {
                "out": told,
                "pictures": addresses(picture, request.query_params),
                "sets": {},
                "spoken": f"Picture drawn: {told['black']} black, {told['white']} white.",
            },
            headers={"cache-control": "no-store"},
        )

    def shown(request: Request) -> Response:
        picture, which = asked_picture(request), request.path_params["which"]
        proof, moves = finishing.proof(picture), read_moves(request.query_params)
        if which == "picture":
            jpeg = proof.shown(moves).jpeg
        elif which == "closely":
            x, y = place_of(request.query_params)
            jpeg = proof.loupe(moves, x / 100.0, y / 100.0)
        elif which in ("single", "every") and proof.has_pair:
            jpeg = proof.pair(moves)[which == "every"]
        else:
            raise HTTPException(404)
        return Response(jpeg, media_type="image/jpeg", headers={"cache-control": KEEP_S})

    async def make(request: Request) -> Response:
        async with request.form() as form:
            finishing.start({key: str(value) for key, value in form.items()})
        return RedirectResponse("/finish#new", status_code=303)

    async def export(request: Request) -> Response:
        picture = asked_picture(request)
        async with request.form() as form:
            sent = {key: str(value) for key, value in form.items()}
            kinds = [str(kind) for kind in form.getlist("kind")]
        finishing.start_export(picture, read_moves(sent), kinds, sent.get("stem", ""))
        kept = {key: value for key, value in sent.items() if key in MOVED and value}
        query = f"?{urlencode(kept)}" if kept else ""
        return RedirectResponse(f"/finish/{picture.id}{query}#exports", status_code=303)

    def file(request: Request) -> Response:
        path = finishing.file(asked_picture(request), request.path_params["name"])
        return download(path)

    def output(request: Request) -> Response:
        night = book.night()
        return download(night.output(request.path_params["name"]) if night is not None else None)

    def download(path: Any) -> Response:
        if path is None:
            raise HTTPException(404)
        return FileResponse(path, filename=path.name, media_type="application/octet-stream")

    return [
        Route("/finish", finish, methods=["GET"]),
        Route("/finish", make, methods=["POST"]),
        Route("/finish/{id}", finish, methods=["GET"]),
        Route("/finish/{id}/answer", answer, methods=["GET"]),
        Route("/finish/{id}/export", export, methods=["POST"]),
        Route("/finish/{id}/file/{name}", file, methods=["GET"]),
        Route("/finish/{id}/{which}.jpg", shown, methods=["GET"]),
        Route("/output/{name}", output, methods=["GET"]),
    ]


MOVED = (
    "darkness", "brightness", "faint", "saturation", "quiet", "sharpen", "smaller_stars",
    "local_contrast", "around_subject", "north_up",
)  # fmt: skip


def read_moves(query: Mapping[str, str]) -> Any:
    """The moves of an address's or a form's texts, in which strengths are per cent."""
    from slowglass.finish.sliders import SLIDERS, Moves

    values: dict[str, Any] = {key: query.get(key, "").strip()[:20] for key in MOVED}
    for slider in SLIDERS:
        text = values[slider.name].replace(",", ".").replace("−", "-")
        try:
            values[slider.name] = float(text) / (100.0 if slider.percent else 1.0) if text else ""
        except ValueError as error:
            raise UsageError(
                f"{slider.label.lower()} “{text}” is not a number", "leave it out or mend it"
            ) from error
    return Moves.read(values)


def percented(value: float, percent: bool) -> str:
    """A slider's value as its field shows it."""
    return f"{round(value * 100.0, 1):g}" if percent else f"{value:g}"


def place_of(query: Mapping[str, str]) -> tuple[float, float]:
    """The place to look at closely, per cent of width and height."""
    found = []
    for key, usual in zip("xy", MIDDLE, strict=True):
        try:
            found.append(min(100.0, max(0.0, float(query.get(key) or usual))))
        except ValueError:
            found.append(usual)
    return found[0], found[1]


def addresses(picture: Finished, query: Mapping[str, str]) -> dict[str, str]:
    """The addresses of a picture's pictures under the moves of a query."""
    path = picture.linear
    moved = {key: query[key] for key in MOVED if query.get(key)}
    mark = {"of": str(path.stat().st_mtime_ns % 10**9)} if path is not None else {}
    x, y = place_of(query)
    found = {
        name: f"/finish/{picture.id}/{name}.jpg?{urlencode(moved | mark)}"
        for name in ("picture", "single", "every")
    }
    place = {"x": f"{x:g}", "y": f"{y:g}"}
    found["closely"] = f"/finish/{picture.id}/closely.jpg?{urlencode(moved | place | mark)}"
    return found
