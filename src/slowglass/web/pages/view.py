"""Any picture in full size: squares for the screen, and what is under the pointer.

A picture's address is its whole path, inside the chosen folders; squares carry its stamp as well,
so that a browser may keep them for good.
"""

from __future__ import annotations

import contextlib
import threading
from dataclasses import asdict
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from slowglass.errors import SlowglassError
from slowglass.finish.picture_place import place_of_finished
from slowglass.frame.adjust import Adjustment
from slowglass.frame.shelf import Shown, encode_quick, encode_tile, stamp_of
from slowglass.frame.tiles import TILE_PX
from slowglass.judge.kept import KeptFrames
from slowglass.judge.spot import gain_of, read_spot
from slowglass.judge.viewing import Viewing
from slowglass.progress import Report
from slowglass.sky.graticule import graticule
from slowglass.web.notebook import Notebook, way_back
from slowglass.web.view_words import facts_rows, mark_rows, neighbours, target_of, view_address

FOR_GOOD = "private, max-age=31536000, immutable"
QUICK_PX = 1600


def routes(book: Notebook) -> list[Route]:
    """The page, its plain twin without scripts, squares, values, marks, and judging one frame."""
    viewing = Viewing(KeptFrames(book.notes / "judged"))

    def judge_frame(request: dict[str, Any], report: Report) -> dict[str, Any]:
        path = book.roots.file(request["file"])
        target = request["target"] or None
        known = book.workbench.judge_and_keep([path], viewing.kept, target=target, report=report)
        return {"solved": known[0].verdict.solved}

    book.jobs.register("judge-frame", judge_frame, quick=True)

    def opened(path: Path) -> Shown:
        return viewing.open(path, clock_zone=ZoneInfo(book.workbench.site.timezone))

    def open_ahead(path: Path) -> None:
        with contextlib.suppress(SlowglassError):  # the script asks again and is told
            opened(path)

    def asked_shown(request: Request) -> Shown:
        """The picture a script asks for; 404 outside the chosen folders and for no picture."""
        try:
            return opened(book.roots.file(request.query_params.get("of", "")))
        except SlowglassError as error:
            raise HTTPException(404, str(error)) from error

    def placed(shown: Shown) -> Any:
        known = _known_verdict(book, shown.path)
        return viewing.place(shown, verdict=known, finished=place_of_finished)

    def page(request: Request) -> Response:
        path = book.roots.file(request.query_params.get("of", ""))
        before, after, place, count = neighbours(path)
        # While the browser fetches styles and scripts the picture is being read already; who
        # leafs through many does not wait for all of them.
        if not viewing.shelf.busy:
            threading.Thread(target=open_ahead, args=(path,), daemon=True).start()
        return book.render(
            request, "view.html", frame=path, of=str(path), before=before, after=after,
            position=(place, count), view_address=view_address,
        )  # fmt: skip

    def plain(request: Request) -> Response:
        path = book.roots.file(request.query_params.get("of", ""))
        shown = opened(path)
        where = placed(shown)
        marks = viewing.marks(shown, where, book.workbench.sky, target_of(book))
        middle = read_spot(
            shown, where.wcs, (shown.width_px - 1) / 2.0, (shown.height_px - 1) / 2.0,
            gain_e_per_adu=gain_of(shown, _own_kit(book)),
        )  # fmt: skip
        before, after, place, count = neighbours(path)
        return book.render(
            request, "view_plain.html", frame=path, of=str(path), shown=shown, marks=marks,
            rows=facts_rows(shown, marks, middle), marked=mark_rows(marks), before=before,
            after=after, position=(place, count), view_address=view_address,
        )  # fmt: skip

    def newest(request: Request) -> Response:
        watching = book.watching
        seen = None if watching is None else watching.state.newest
        if watching is None or seen is None:
            raise HTTPException(404)
        return RedirectResponse(view_address(watching.folder / seen.name), status_code=303)

    def finished(request: Request) -> Response:
        night = book.night()
        names = () if night is None else tuple(night.index["outputs"])
        for suffix in (".png", ".tiff", ".tif", ".jpg", ".fits"):
            for name in names:
                path = None if night is None else night.output(name)
                if path is not None and path.suffix == suffix:
                    return RedirectResponse(view_address(path), status_code=303)
        raise HTTPException(404)

    def facts(request: Request) -> Response:
        try:
            shown = opened(book.roots.file(request.query_params.get("of", "")))
        except SlowglassError as error:
            return JSONResponse({"words": str(error)}, status_code=404)
        pyramid = shown.pyramid
        return _json(
            {
                "stamp": shown.stamp,
                "sizes": pyramid.sizes,
                "channels": pyramid.channels,
                "square": TILE_PX,
                "finished": pyramid.finished,
                "sky": pyramid.sky,
                "codings": [asdict(coding) for coding in pyramid.codings],
                "stretch": asdict(pyramid.stretch),
                "white": shown.white_adu,
            }
        )

    def square(request: Request) -> Response:
        told = request.path_params
        numbers = (told["level"], told["column"], told["row"], told["coding"])
        try:
            path = book.roots.file(request.query_params.get("of", ""))
            stamp = stamp_of(path)
            if request.query_params.get("at") != stamp:
                raise HTTPException(404, "the file has changed")
            tag = f'"{stamp}-{"-".join(map(str, numbers))}"'
            headers = {"cache-control": FOR_GOOD, "etag": tag}
            if request.headers.get("if-none-match") == tag:
                return Response(status_code=304, headers=headers)
            data, kind = encode_tile(opened(path), *numbers)
        except (SlowglassError, IndexError) as error:
            raise HTTPException(404, str(error)) from error
        return Response(data, media_type=kind, headers=headers)

    def quick(request: Request) -> Response:
        shown = asked_shown(request)
        asked = {k: request.query_params.get(k, "0") for k in ("black", "brightness", "contrast")}
        try:
            by = Adjustment(**{name: int(text) for name, text in asked.items()})
        except ValueError as error:
            raise HTTPException(404, str(error)) from error
        grey = request.query_params.get("grey") == "1"
        data = encode_quick(shown, longest_px=QUICK_PX, by=by, grey=grey)
        return Response(data, media_type="image/jpeg", headers={"cache-control": "no-cache"})

    def spot(request: Request) -> Response:
        shown = asked_shown(request)
        x, y = (_number(request, name) for name in ("x", "y"))
        gain = gain_of(shown, _own_kit(book))
        return _json(read_spot(shown, placed(shown).wcs, x, y, gain_e_per_adu=gain).to_json())

    def marks(request: Request) -> Response:
        shown = asked_shown(request)
        told = viewing.marks(shown, placed(shown), book.workbench.sky, target_of(book)).to_json()
        judged = viewing.kept.get(shown.path) is not None
        return _json({**told, "judged": judged})

    def grid(request: Request) -> Response:
        shown = asked_shown(request)
        left, top, right, bottom = (
            _number(request, name) for name in ("left", "top", "right", "bottom")
        )
        if not (left < right and top < bottom):
            raise HTTPException(404)
        wcs = placed(shown).wcs
        lines = [] if wcs is None else graticule(wcs, (left, top, right, bottom))
        return _json({"lines": [asdict(line) for line in lines]})

    async def judge(request: Request) -> Response:
        form = await request.form()
        path = book.roots.file(str(form.get("of", "")))
        aim = target_of(book)
        job = book.jobs.start(
            "judge-frame",
            title=f"Judge {path.name}",
            request={"file": str(path), "target": "" if aim is None else aim.name},
            href=view_address(path),
        )
        if "application/json" in request.headers.get("accept", ""):
            return _json(job.told())
        back = way_back(form.get("back", view_address(path)))
        return RedirectResponse(back, status_code=303)

    return [
        Route("/view", page, methods=["GET"]),
        Route("/view/plain", plain, methods=["GET"]),
        Route("/view/newest", newest, methods=["GET"]),
        Route("/view/finished", finished, methods=["GET"]),
        Route("/view/facts", facts, methods=["GET"]),
        Route(
            "/view/square/{level:int}/{column:int}/{row:int}/{coding:int}", square, methods=["GET"]
        ),
        Route("/view/quick", quick, methods=["GET"]),
        Route("/view/spot", spot, methods=["GET"]),
        Route("/view/marks", marks, methods=["GET"]),
        Route("/view/grid", grid, methods=["GET"]),
        Route("/view/judge", judge, methods=["POST"]),
    ]


def _own_kit(book: Notebook) -> Any:
    bench = book.workbench
    return None if bench.kit_is_stand_in else bench.kit


def _known_verdict(book: Notebook, path: Path) -> dict[str, Any] | None:
    """The verdict that the night's record or the watch has of a frame, as JSON."""
    watching = book.watching
    if watching is not None:
        for entry in watching.state.entries:
            if watching.folder / entry.name == path:
                return asdict(entry.verdict)
    night = book.night()
    if night is not None and path.is_relative_to(book.folder.resolve()):
        for frame in night.frames:
            if frame["name"] == path.name:
                verdict: dict[str, Any] = frame["verdict"]
                return verdict
    return None


def _number(request: Request, name: str) -> float:
    try:
        value = float(request.query_params.get(name, ""))
    except ValueError as error:
        raise HTTPException(404) from error
    if not abs(value) < 1e7:
        raise HTTPException(404)
    return value


def _json(told: Any) -> Response:
    return JSONResponse(told, headers={"cache-control": "no-store"})
