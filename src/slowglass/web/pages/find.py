"""The way to the record's target, or to any object asked for: its charts, its legs one by one."""

from __future__ import annotations

import json
import tempfile
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from slowglass.errors import NothingUseful
from slowglass.find.chart import ViewName
from slowglass.find.plates import PlateName
from slowglass.learn.night import write_json
from slowglass.web.notebook import Notebook, asked
from slowglass.web.ways import STYLES, Ways, moment, view_named

WORDS: dict[PlateName, str] = {
    "eye": "The sky by eye, zenith up",
    "hop": "The hop",
    "field": "In the eyepiece",
    "frame": "On the camera",
}
SEEN: dict[ViewName, str] = {
    "erect": "by eye or red dot",
    "inverted": "straight finder",
    "mirrored": "star diagonal",
    "camera": "camera",
}
LEG_CUT = (22, 89, 756, 781)
"""Of a leg's chart, in its units: the sky with its scale and key, without heading and credits."""


def routes(book: Notebook) -> list[Route]:
    """The way, its legs, its charts, its printed sheet."""
    ways = Ways(book)
    steps_file = book.notes / "hop.json"

    def meant(request: Request) -> tuple[str, str]:
        """Name and moment asked for; else those chosen for the evening, else of the record."""
        name, when = asked(request, "name"), asked(request, "when")
        if not name and book.desk.state.target:
            return book.desk.state.target, book.desk.state.when
        night = book.night()
        if not name and night is not None:
            return night.index["target"]["name"], night.steps["route"]["when"] or ""
        return name, when

    def find(request: Request) -> Response:
        night, seen = book.night(), view_named(asked(request, "seen"))
        name, when = meant(request)
        chosen = asked(request, "name") or book.desk.state.target
        recorded = not chosen and night is not None
        if not name:
            return book.render(request, "find.html", route=None, **_nothing(seen))
        if recorded and night is not None:
            route = night.steps["route"]
            charts = [
                {"light": light, "href": f"/plate/{plate}", "size": night.index["sizes"][plate]}
                for light, plate in (("by-day", "chart"), ("by-night", "chart-night"))
            ]
            zone = night.index["site"]["timezone"]
        else:
            way = ways.find(name, when)
            route, zone = way.route, book.workbench.site.timezone
            query = _query(name, when)
            charts = [
                {"light": light, "href": f"/chart/{style}?{query}", "size": way.size}
                for light, style in (("by-day", "paper"), ("by-night", "night"))
            ]
        there = bool(route["legs"])
        return book.render(
            request,
            "find.html",
            route=route,
            charts=charts if there else [],
            plates=_plates(name, when, seen) if there else [],
            name=name,
            when=when,
            zone=zone,
            seen=seen,
            views=SEEN,
            found=read_steps().get(_key(name, when), 0),
        )

    def steps(request: Request) -> Response:
        """One leg at a time, large, for a phone beside the telescope."""
        name, when = meant(request)
        if not name:
            return RedirectResponse("/find", status_code=303)
        way = ways.find(name, when)
        legs = way.route["legs"]
        if not legs:
            raise NothingUseful(way.route["reason"] or "there is no hop to walk")
        found = min(read_steps().get(_key(name, when), 0), len(legs) + 1)
        text = asked(request, "step")
        step = min(int(text), len(legs) + 1) if text.isdecimal() else min(found, len(legs) + 1)
        seen = view_named(asked(request, "seen"))
        return book.render(
            request,
            "steps.html",
            route=way.route,
            legs=legs,
            step=step,
            found=found,
            name=name,
            when=when,
            zone=book.workbench.site.timezone,
            seen=seen,
            views=SEEN,
            plates=_plates(name, when, seen, only=_shown(step, len(legs))),
            query=lambda number: _query(name, when, seen=seen, step=number),
        )

    async def tick(request: Request) -> Response:
        """A leg found, or not after all: kept, and on to the next."""
        form = await request.form()
        name, when = str(form.get("name", ""))[:80], str(form.get("when", ""))[:80]
        seen = view_named(str(form.get("seen", "")))
        text = str(form.get("found", ""))
        found = min(int(text), 999) if text.isdecimal() else 0

        def keep() -> None:
            kept = read_steps()
            kept.pop(_key(name, when), None)
            newest = dict(list(kept.items())[-30:])
            write_json(steps_file, {**newest, _key(name, when): found})

        await run_in_threadpool(keep)
        query = _query(name, when, seen=seen, step=found)
        return RedirectResponse(f"/find/steps?{query}", status_code=303)

    def read_steps() -> dict[str, int]:
        """How many legs are found of each way, by name and moment."""
        try:
            kept = json.loads(steps_file.read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return {}
        return {k: v for k, v in kept.items() if isinstance(v, int)} if kept else {}

    def chart(request: Request) -> Response:
        name, when = asked(request, "name"), asked(request, "when")
        style = next((s for s in STYLES if s == request.path_params["style"]), None)
        what = request.path_params.get("what", "hop-and-words")
        seen = view_named(asked(request, "seen"))
        svg = None
        if name and style is not None:
            svg = ways.chart(ways.find(name, when), what, style, seen)
        if svg is None:
            raise HTTPException(404)
        return Response(svg, media_type="image/svg+xml", headers={"cache-control": "no-cache"})

    def up(request: Request) -> Response:
        """The way up at a place of the sky now, for a chart that is turned to it."""
        try:
            ra, dec = float(asked(request, "ra")) % 360.0, float(asked(request, "dec"))
        except ValueError as error:
            raise HTTPException(400, "a place is two numbers in degrees") from error
        if not -90.0 <= dec <= 90.0:
            raise HTTPException(400, "declinations run from −90 to 90")
        now = datetime.now(UTC)
        zenith, alt, _ = book.workbench.up_there(ra, dec, now)
        clock = now.astimezone(ZoneInfo(book.workbench.site.timezone))
        told = {"zenith_deg": round(zenith, 2), "altitude_deg": round(alt, 1)}
        return JSONResponse(
            {**told, "clock": f"{clock:%H:%M}"}, headers={"cache-control": "no-store"}
        )

    def sheet(request: Request) -> Response:
        """The night sheet of one object, or of all that is pinned, to print."""
        name = asked(request, "name")
        names = [name] if name else list(book.desk.state.plan)
        if not names:
            raise NothingUseful("nothing is on the plan", "pin objects on the page Choose first")
        pdf = _sheet(book, names, moment(asked(request, "when")))
        called = "".join(c if c.isalnum() else "-" for c in name) or "the-plan"
        return Response(
            pdf,
            media_type="application/pdf",
            headers={"content-disposition": f'inline; filename="{called}.pdf"'},
        )

    return [
        Route("/find", find, methods=["GET"]),
        Route("/find/steps", steps, methods=["GET"]),
        Route("/find/steps", tick, methods=["POST"]),
        Route("/find/sheet.pdf", sheet, methods=["GET"]),
        Route("/sky/up", up, methods=["GET"]),
        Route("/chart/{style}", chart, methods=["GET"]),
        Route("/chart/{style}/{what}", chart, methods=["GET"]),
    ]


def _sheet(book: Notebook, names: list[str], when: datetime | None) -> bytes:
    from slowglass.sheets.plan import SheetWish

    bench = book.workbench
    night = None
    if when is not None:
        # Before noon it is still the night that began the evening before.
        local = when.astimezone(ZoneInfo(bench.site.timezone))
        night = (local - timedelta(hours=12)).date()
    with tempfile.TemporaryDirectory() as folder:
        path, _ = bench.night_sheets(names, Path(folder) / "sheet.pdf", wish=SheetWish(night=night))
        return path.read_bytes()


def _nothing(seen: ViewName) -> dict[str, Any]:
    return {
        "charts": [], "plates": [], "name": "", "when": "", "zone": "", "seen": seen,
        "views": SEEN, "found": 0,
    }  # fmt: skip


def _key(name: str, when: str) -> str:
    return f"{name.strip().casefold()} {when}"


def _query(name: str, when: str, **more: Any) -> str:
    """An address's query; what is empty is left out, and a view as by eye is not said."""
    said = {"name": name, "when": when, **more}
    if said.get("seen") == "erect":
        del said["seen"]
    return urlencode({key: value for key, value in said.items() if value != ""})


def _shown(step: int, legs: int) -> tuple[str, str]:
    """The chart of a step and its words: the sky by eye, a leg, at last the eyepiece's view."""
    if step == 0:
        return "eye", "The sky by eye, where the way begins"
    return ("field", WORDS["field"]) if step > legs else (f"leg-{step}", f"Leg {step}")


def _plates(
    name: str, when: str, seen: ViewName, only: tuple[str, str] | None = None
) -> list[dict[str, Any]]:
    """Charts of a way one by one: an address for each light, and what each shows."""
    wanted = list(WORDS.items()) if only is None else [only]
    query = _query(name, when, seen=seen)
    return [
        {
            "words": words,
            "what": what,
            "paper": f"/chart/paper/{what}?{query}",
            "night": f"/chart/night/{what}?{query}",
            "fixed": what in ("eye", "frame"),
            "cut": LEG_CUT if what.startswith("leg-") else None,
        }
        for what, words in wanted
    ]
