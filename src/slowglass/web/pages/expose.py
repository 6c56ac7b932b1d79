"""Exposures tried out with sliders, and the plan of the record with its forecast frame."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from slowglass.documents import document
from slowglass.errors import SlowglassError
from slowglass.expose.suggest import seconds_words
from slowglass.web.exposing import (
    WINDS,
    Asked,
    Trials,
    captions,
    clips_of,
    query_of,
    rows_of,
    spoken,
)
from slowglass.web.notebook import Notebook
from slowglass.web.tables import plan_rows

USUAL = (30.0, 60)
PICTURES = {"one": 0, "every": 1}
KEEP_S = "private, max-age=600"
"""A picture's address holds all that it depends on but the kit, which carries a mark."""


def routes(book: Notebook) -> list[Route]:
    """The page, its answers to sliders, its pictures, and the choice kept."""
    trials = Trials(book)

    def usual(name: str) -> tuple[float, int]:
        """Seconds and frames where nobody says: the desk's, else the record's."""
        state, night = book.desk.state, book.night()
        if state.exposure_s and state.frames:
            return state.exposure_s, state.frames
        if night is not None and name in (night.index["target"]["name"], ""):
            plan = night.steps["plan"]
            return float(plan["exposure_s"]), int(plan["frames"])
        return USUAL

    def wanted(request: Request) -> Asked:
        asked = Asked.of(request.query_params)
        state, night = book.desk.state, book.night()
        if not asked.name and state.target:
            return replace(asked, name=state.target, when=asked.when or state.when)
        if not asked.name and night is not None:
            when = asked.when or str(night.steps["verdicts"][0].get("start_utc") or "")
            return replace(asked, name=night.index["target"]["name"], when=when)
        return asked

    def pictures(asked: Asked, setting: Any, suffix: str = "") -> dict[str, str]:
        query = f"{query_of(asked, setting)}&kit={book.instruments()}"
        return {f"{name}{suffix}": f"/expose/{name}.jpg?{query}" for name in PICTURES}

    def answered(asked: Asked) -> dict[str, Any]:
        """What the page and its script show of a setting, beside the plan's own suggestion."""
        trial = trials.get(asked)
        setting = asked.setting(usual(asked.name))
        mine = trial.answer(setting)
        better = trial.suggested(setting)
        other = trial.answer(better)
        columns = rows_of(mine), rows_of(other)
        out = {key: words for key, (_, words) in columns[0].items()}
        out |= {f"{key}-other": words for key, (_, words) in columns[1].items()}
        return {
            "trial": trial,
            "setting": setting,
            "plan": mine.plan,
            "names": {key: name for key, (name, _) in columns[0].items()},
            "out": out | captions(mine) | captions(other, "-other") | {"clips": clips_of(mine)},
            "pictures": pictures(asked, setting) | pictures(asked, better, "-other"),
            "sets": {"seconds": f"{better.seconds:g}", "frames": str(better.frames)},
            "other": query_of(asked, better),
            "spoken": spoken(mine),
        }

    def expose(request: Request) -> Response:
        from slowglass.expose import trial as bounds

        night, asked = book.night(), wanted(request)
        recorded = None
        told: dict[str, Any] | None = None
        if asked.name:
            told = answered(asked)
            told["plan"] = document(told["plan"])
            place = told["trial"].place
            its_own = night is not None and place.name == night.index["target"]["name"]
            if night is not None and its_own and not request.query_params.get("name"):
                recorded = night.steps["plan"]
        plan = recorded or (told["plan"] if told else None)
        return book.render(
            request,
            "expose.html",
            asked=asked,
            told=told,
            plan=plan,
            rows=[] if plan is None else plan_rows(plan),
            forecast=recorded is not None,
            winds=WINDS,
            seconds_words=seconds_words,
            bounds=bounds,
            kept="kept" in request.query_params,
        )

    def answer(request: Request) -> Response:
        try:
            told = answered(wanted(request))
        except SlowglassError as error:
            return JSONResponse({"trouble": str(error)}, status_code=400)
        shown = {key: told[key] for key in ("out", "pictures", "sets", "spoken")}
        return JSONResponse(shown, headers={"cache-control": "no-store"})

    def picture(request: Request) -> Response:
        which = PICTURES.get(request.path_params["which"])
        asked = wanted(request)
        if which is None or not asked.name:
            raise HTTPException(404)
        jpegs = trials.get(asked).jpegs(asked.setting(usual(asked.name)))
        return Response(jpegs[which], media_type="image/jpeg", headers={"cache-control": KEEP_S})

    async def keep(request: Request) -> Response:
        form = await request.form()
        asked = Asked.of({key: str(value) for key, value in form.items()})
        setting = asked.setting(usual(asked.name))
        place = book.workbench.place(asked.name)
        target = asked.name if place.object is None else place.object.id
        book.desk.change(
            target=target, when=asked.when, exposure_s=setting.seconds, frames=setting.frames
        )
        return RedirectResponse(f"/expose?{query_of(asked, setting)}&kept=1", status_code=303)

    return [
        Route("/expose", expose, methods=["GET"]),
        Route("/expose/answer", answer, methods=["GET"]),
        Route("/expose/{which}.jpg", picture, methods=["GET"]),
        Route("/expose/keep", keep, methods=["POST"]),
    ]
