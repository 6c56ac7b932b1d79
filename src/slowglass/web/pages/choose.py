"""What a night offers, as cards; the plan of what is pinned; one object with its year."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date as Date
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from slowglass.errors import NothingUseful, UsageError
from slowglass.web.night_drawing import curve, night_frame, plan_bars, year_strip
from slowglass.web.notebook import Notebook, asked
from slowglass.web.tonight import Tonight, Wanted

if TYPE_CHECKING:
    from slowglass.choose.hours import NightHours
    from slowglass.web.job import Job

Row = dict[str, Any]
NOTHING: dict[str, Any] = {
    "objects": [], "dark_from": None, "dark_to": None, "moon": None, "note": None, "reason": None,
}  # fmt: skip
SORTS = {
    "best": "the best first",
    "time": "by their best time",
    "height": "the highest first",
    "light": "the brightest first",
    "name": "by name",
}
KEPT_PICTURES = 400
WAIT_S = 0.5
"""A page waits so long for a year before it is shown without."""


def routes(book: Notebook) -> list[Route]:
    """The list, the page of one object, and their pictures."""
    tonight = Tonight(book)

    def unfailed(job: Job) -> Job:
        """The job, unless it failed: then its words, as a page of their own; it is tried anew."""
        if job.state in ("failed", "stopped"):
            book.jobs.forget(job.id)
            raise NothingUseful(job.words)
        return job

    @lru_cache(maxsize=8)
    def hours_of(instruments: str, night: Date) -> NightHours:
        return book.workbench.hours(night)

    @lru_cache(maxsize=KEPT_PICTURES)
    def picture(instruments: str, name: str, angle: float | None, light: str) -> str:
        framed = book.workbench.framed(name, camera_angle_deg=angle)
        return book.fragment("framing.svg", framed=framed, light=light)

    def drawn(night: Date, rows: Sequence[Row], zone: str) -> dict[str, Any]:
        """The night's hours and the curve of each row, for the templates."""
        hours = hours_of(book.instruments(), night)
        climbs = book.workbench.climbs(hours, [(row["ra_deg"], row["dec_deg"]) for row in rows])
        curves = {
            row["id"]: curve(hours, climb, row["reachable"]["best_time"])
            for row, climb in zip(rows, climbs, strict=True)
        }
        return {"hours": hours, "frame": night_frame(hours, zone), "curves": curves}

    def choose(request: Request) -> Response:
        wanted, night = _wanted(request), book.night()
        text = asked(request, "night")
        recorded = night is not None and text in ("", night.index["night"]) and wanted == Wanted()
        if recorded and night is not None:
            date = Date.fromisoformat(night.index["night"])
            choice, work = {**night.steps["choice"], "considered": night.index["considered"]}, None
            chosen = night.index["target"]["id"]
        else:
            date, chosen = _date(text) or tonight.coming(), book.desk.state.target
            work = unfailed(tonight.ask(date, wanted))
            choice = work.result or {"night": date.isoformat(), **NOTHING, "considered": 0}
        rows = _sorted(_matching(choice["objects"], asked(request, "q")), asked(request, "sort"))
        zone = book.workbench.site.timezone
        plan = planned(date, choice["objects"], zone)
        return book.render(
            request,
            "choose.html",
            choice={**choice, "objects": rows},
            found=len(choice["objects"]),
            chosen=chosen,
            zone=zone,
            work=work if work is not None and work.under_way else None,
            wanted=wanted,
            q=asked(request, "q"),
            sort=asked(request, "sort") or "best",
            sorts=SORTS,
            kinds=_kinds(),
            constellations=_constellations(),
            plan=plan,
            version=book.instruments(),
            photographed=tonight.photographed(),
            **drawn(date, rows, zone),
        )

    def planned(date: Date, listed: Sequence[Row], zone: str) -> dict[str, Any] | None:
        """What is pinned, in its turns through the night; None with nothing pinned."""
        from slowglass.choose.timeline import plan_rows

        ids = book.desk.state.plan
        if not ids:
            return None
        known = {row["id"]: row for row in listed} | tonight.rows(date, ids)
        missing = tuple(id_ for id_ in ids if id_ not in known)
        work = unfailed(tonight.ask(date, Wanted(names=missing))) if missing else None
        asking = work is not None and work.under_way
        if work is not None and work.result:
            known |= {row["id"]: row for row in work.result["objects"]}
        rows = [known[id_] for id_ in ids if id_ in known]
        turns, crowded = plan_rows(rows)
        hours = hours_of(book.instruments(), date)
        return {
            "turns": [
                {"turn": turn, "row": known[turn.id], "bar": bar}
                for turn, bar in zip(turns, plan_bars(hours, turns), strict=True)
            ],
            "crowded": [known[id_] for id_ in crowded],
            "unknown": [] if asking else [id_ for id_ in ids if id_ not in known],
            "work": work if asking else None,
        }

    def one(request: Request) -> Response:
        """One object: its answers that night, its frame, its year."""
        name = request.path_params["name"]
        place = book.workbench.place(name)
        id_ = place.object.id if place.object is not None else name
        date = _date(asked(request, "night")) or book.desk.state.night or tonight.coming()
        known = tonight.rows(date, [id_])
        year = tonight.year(id_, tonight.coming())
        work = None if known else unfailed(tonight.ask(date, Wanted(names=(id_,))))
        for job in (year, *([work] if work is not None else [])):
            book.jobs.wait(job, seconds=WAIT_S)
        asking = work is not None and work.under_way
        if work is not None and work.result:
            known = {row["id"]: row for row in work.result["objects"]}
        # A double star has more names than its id: asked alone, it is what came out.
        row = known.get(id_) or next(iter(known.values()), None)
        id_ = id_ if row is None else row["id"]
        zone = book.workbench.site.timezone
        return book.render(
            request,
            "object.html",
            place=place,
            id=id_,
            row=row,
            date=date.isoformat(),
            reason=(work.result or {}).get("reason") if work is not None else None,
            work=work if asking else None,
            year=year,
            strip=year_strip(year.result) if year.result and year.result["best"] else None,
            zone=zone,
            version=book.instruments(),
            photographed=tonight.photographed(),
            **drawn(date, [row] if row else [], zone),
        )

    def framing(request: Request) -> Response:
        light = "night" if asked(request, "light") == "night" else "day"
        angle = asked(request, "angle")
        try:
            turned = round(float(angle) % 180.0, 1) if angle else None
        except ValueError as error:
            raise HTTPException(404) from error
        if turned is not None and not math.isfinite(turned):
            raise HTTPException(404)
        try:
            svg = picture(book.instruments(), request.path_params["name"], turned, light)
        except UsageError as error:
            raise HTTPException(404) from error
        # The address names the instruments: another kit has other addresses.
        kept = "max-age=86400, immutable" if asked(request, "v") else "no-cache"
        return Response(
            svg, media_type="image/svg+xml", headers={"cache-control": f"private, {kept}"}
        )

    return [
        Route("/choose", choose),
        Route("/choose/{name}", one, methods=["GET"]),
        Route("/choose/{name}/framing.svg", framing, methods=["GET"]),
    ]


def _wanted(request: Request) -> Wanted:
    begin, end = asked(request, "from"), asked(request, "to")
    between = f"{begin or '12:00'}-{end or '11:59'}" if begin or end else ""
    return Wanted(
        kind=asked(request, "kind"),
        constellation=asked(request, "constellation"),
        between=between,
        new=asked(request, "new") == "yes",
    )


def _date(text: str) -> Date | None:
    try:
        return Date.fromisoformat(text) if text else None
    except ValueError as error:
        raise UsageError(f"“{text}” is not a date", "write it as 2026-10-09") from error


def _matching(rows: Sequence[Row], text: str) -> list[Row]:
    """Rows whose names, kind or constellation hold a text."""
    words = text.casefold().replace(" ", "")
    return [
        row
        for row in rows
        if words
        in "|".join(
            str(row[key] or "") for key in ("id", "name", "common_name", "type", "constellation")
        )
        .casefold()
        .replace(" ", "")
    ]


def _sorted(rows: list[Row], by: str) -> list[Row]:
    """Rows in another order than that of the list."""
    if by == "time":
        return sorted(rows, key=lambda row: row["reachable"]["best_time"] or "~")
    if by == "height":
        return sorted(rows, key=lambda row: -row["reachable"]["altitude_deg"])
    if by == "light":
        return sorted(rows, key=lambda row: 99.0 if row["mag"] is None else row["mag"])
    if by == "name":
        return sorted(rows, key=lambda row: row["name"])
    return rows


@lru_cache(maxsize=1)
def _kinds() -> tuple[str, ...]:
    from slowglass.choose.filters import KINDS

    return tuple(KINDS)


@lru_cache(maxsize=1)
def _constellations() -> tuple[tuple[str, str], ...]:
    from slowglass.choose.filters import CONSTELLATIONS

    pairs = (entry.split(" ", 1) for entry in CONSTELLATIONS.split("|"))
    return tuple(sorted(((short, name) for short, name in pairs), key=lambda pair: pair[1]))
