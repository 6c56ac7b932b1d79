"""The routes: each reads the night's record or asks the workbench, and fills a template."""

from __future__ import annotations

import math
from datetime import date as Date
from http.cookies import SimpleCookie
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from slowglass.documents import document
from slowglass.errors import NothingUseful, SlowglassError, UsageError
from slowglass.learn.night import NightRecord, load_night
from slowglass.progress import Report
from slowglass.web.guard import HEADERS
from slowglass.web.jobs import Job
from slowglass.web.present import FILTERS, clock
from slowglass.web.tables import frame_view, kit_rows, night_lines, plan_rows
from slowglass.web.tonight import Tonight
from slowglass.web.ways import Ways, moment

if TYPE_CHECKING:
    from slowglass.judge.watch import Watch
    from slowglass.workbench import Workbench

STEPS = (
    {"name": "Choose", "href": "/choose"},
    {"name": "Find", "href": "/find"},
    {"name": "Expose", "href": "/expose"},
    {"name": "Judge", "href": "/judge"},
    {"name": "Finish", "href": "/finish"},
    {"name": "Learn", "href": "/learn"},
    {"name": "Kit and site", "href": "/kit"},
)
UNKNOWN: dict[str, Any] = {
    "objects": [], "dark_from": None, "moon": None, "note": None, "reason": None,
}  # fmt: skip
TYPES = {".jpg": "image/jpeg", ".png": "image/png", ".svg": "image/svg+xml"}


def light_of(request: Request) -> str:
    """ "night" or "day", as the cookie remembers it."""
    cookies = SimpleCookie(request.headers.get("cookie", ""))
    morsel = cookies.get("light")
    return "night" if morsel is not None and morsel.value == "night" else "day"


def _asked(request: Request, key: str) -> str:
    """A value of the address's query, shortened to a sane length."""
    return request.query_params.get(key, "").strip()[:80]


def _number(request: Request, key: str, usual: float) -> float:
    text = _asked(request, key)
    try:
        value = float(text) if text else usual
    except ValueError:
        value = math.nan
    if not 0 < value <= 100_000:
        raise UsageError(f"{key} “{text}” is not a number above 0", "write it as 30")
    return value


class Pages:
    """The pages over one workbench and one folder."""

    def __init__(self, workbench: Workbench, folder: Path, watching: Watch | None = None) -> None:
        self.workbench = workbench
        self.watching = watching
        self.folder = folder
        self.job = Job()
        self.tonight = Tonight(workbench)
        self.ways = Ways(workbench)
        self._night: tuple[int, NightRecord] | None = None
        self._templates = Environment(
            loader=PackageLoader("slowglass.web"),
            autoescape=select_autoescape(default=True),
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        self._templates.filters.update(FILTERS)

    def routes(self) -> list[Route]:
        """Every address that answers."""
        return [
            Route("/", self.start),
            Route("/choose", self.choose),
            Route("/find", self.find),
            Route("/expose", self.expose),
            Route("/judge", self.judge),
            Route("/judge/{frame_id}", self.judge),
            Route("/finish", self.finish),
            Route("/learn", self.step("learn.html")),
            Route("/kit", self.kit),
            Route("/plate/{name}", self.plate),
            Route("/output/{name}", self.output),
            Route("/chart/{style}", self.chart),
            Route("/light", self.light, methods=["POST"]),
            Route("/making", self.making, methods=["GET"]),
            Route("/choose/progress", self.choosing, methods=["GET"]),
            Route("/making", self.start_work, methods=["POST"]),
        ]

    def exception_handlers(self) -> dict[Any, Any]:
        """Pages for what goes wrong."""
        return {
            HTTPException: self.http_fault,
            SlowglassError: self.fault,
            Exception: self.unexpected,
        }

    def night(self) -> NightRecord | None:
        """The folder's night, read again when its index has changed."""
        try:
            stamp = (self.folder / "night.json").stat().st_mtime_ns
        except OSError:
            return None
        if self._night is None or self._night[0] != stamp:
            record = load_night(self.folder)
            if record is None:
                return None
            self._night = (stamp, record)
        return self._night[1]

    def render(
        self, request: Request, template: str, *, status: int = 200, **content: Any
    ) -> HTMLResponse:
        """A filled template."""
        night = self.night() if "night" not in content else content.pop("night")
        site, kit = self.workbench.site, self.workbench.kit
        night_zone = night.index["site"]["timezone"] if night is not None else site.timezone
        path = request.url.path
        html = self._templates.get_template(template).render(
            night=night,
            site=site,
            kit=kit,
            clock=clock(night_zone),
            zone_clock=clock,
            steps=STEPS,
            here="/judge" if path.startswith("/judge") else path,
            path=path,
            light=light_of(request),
            **content,
        )
        return HTMLResponse(html, status_code=status, headers={"cache-control": "no-cache"})

    def start(self, request: Request) -> Response:
        """The first page: the night at a glance, or the offer to make one."""
        night = self.night()
        return self.render(
            request,
            "start.html",
            work=self.job.progress,
            folder=str(self.folder),
            lines=[] if night is None else night_lines(night),
        )

    def step(self, template: str) -> Any:
        """A page that needs nothing but the night's record."""

        def page(request: Request) -> Response:
            if self.night() is None:
                return RedirectResponse("/", status_code=303)
            return self.render(request, template)

        return page

    def choose(self, request: Request) -> Response:
        """The list of the record's night, or of any night asked for."""
        night = self.night()
        wanted = request.query_params.get("night", "")
        if night is not None and wanted in ("", night.index["night"]):
            return self.render(
                request,
                "choose.html",
                choice=night.steps["choice"],
                considered=night.index["considered"],
                chosen=night.index["target"]["id"],
                zone=night.index["site"]["timezone"],
                work=None,
            )
        try:
            date = Date.fromisoformat(wanted) if wanted else self.tonight.coming()
        except ValueError as error:
            raise UsageError(f"“{wanted}” is not a date", "write it as 2026-10-09") from error
        choice = self.tonight.ask(date)
        work = self.tonight.job.progress if choice is None else None
        if work is not None and work.state == "failed":
            words = work.words
            self.tonight.forget_failure()
            raise NothingUseful(words)
        return self.render(
            request,
            "choose.html",
            choice=choice or {"night": date.isoformat(), **UNKNOWN},
            considered=0 if choice is None else choice["considered"],
            chosen=None,
            zone=self.workbench.site.timezone,
            work=work,
        )

    def find(self, request: Request) -> Response:
        """The way to the record's target, or to any object asked for."""
        night = self.night()
        name, when = _asked(request, "name"), _asked(request, "when")
        if not name:
            if night is None:
                return self.render(request, "find.html", route=None, charts=[], name="", zone="")
            index = night.index
            charts = [
                {"light": light, "href": f"/plate/{plate}", "size": index["sizes"][plate]}
                for light, plate in (("by-day", "chart"), ("by-night", "chart-night"))
            ]
            return self.render(
                request,
                "find.html",
                route=night.steps["route"],
                charts=charts,
                name=index["target"]["name"],
                zone=index["site"]["timezone"],
            )
        way = self.ways.find(name, when)
        query = urlencode({"name": name, "when": when})
        charts = [
            {"light": light, "href": f"/chart/{style}?{query}", "size": way.size}
            for light, style in (("by-day", "paper"), ("by-night", "night"))
            if style in way.charts
        ]
        return self.render(
            request,
            "find.html",
            route=way.route,
            charts=charts,
            name=name,
            zone=self.workbench.site.timezone,
        )

    def chart(self, request: Request) -> Response:
        """The chart of a way asked for."""
        name = _asked(request, "name")
        way = self.ways.find(name, _asked(request, "when")) if name else None
        svg = None if way is None else way.charts.get(request.path_params["style"])
        if svg is None:
            raise HTTPException(404)
        return Response(svg, media_type="image/svg+xml", headers={"cache-control": "no-cache"})

    def expose(self, request: Request) -> Response:
        """The plan of the record, with its forecast frame, or of any exposure asked for."""
        night = self.night()
        name = _asked(request, "name")
        if not name:
            if night is None:
                return self.render(request, "expose.html", plan=None, rows=[], forecast=False)
            plan = night.steps["plan"]
            return self.render(
                request, "expose.html", plan=plan, rows=plan_rows(plan), forecast=True
            )
        plan = document(
            self.workbench.expose(
                name,
                seconds=_number(request, "seconds", 30.0),
                frames=int(_number(request, "frames", 1.0)),
                when=moment(_asked(request, "when")),
            )
        )
        return self.render(request, "expose.html", plan=plan, rows=plan_rows(plan), forecast=False)

    def judge(self, request: Request) -> Response:
        """One frame with its solution drawn over."""
        night = self.night()
        if night is None:
            return RedirectResponse("/", status_code=303)
        frames = [frame_view(frame) for frame in night.frames]
        wanted = request.path_params.get("frame_id", frames[0]["id"])
        frame = next((f for f in frames if f["id"] == wanted), None)
        overlay = night.overlay(wanted)
        if frame is None or overlay is None:
            raise HTTPException(404)
        return self.render(request, "judge.html", frame=frame, frames=frames, overlay=overlay)

    def finish(self, request: Request) -> Response:
        """The finished picture, what went in and what was left out."""
        night = self.night()
        if night is None:
            return RedirectResponse("/", status_code=303)
        files = []
        for name in night.index["outputs"]:
            path = night.output(name)
            if path is not None:
                files.append({"name": name, "size": path.stat().st_size})
        return self.render(request, "finish.html", files=files)

    def kit(self, request: Request) -> Response:
        """What follows from the kit and the site."""
        from slowglass.kit.service import skyline_by_direction, summarise_kit

        kit, site = self.workbench.kit, self.workbench.site
        summary = summarise_kit(kit, site)
        return self.render(
            request,
            "kit.html",
            summary=summary,
            rows=kit_rows(kit, summary),
            skyline=skyline_by_direction(site),
            outline=[(az, -float(site.horizon_alt_deg(az))) for az in range(0, 361, 4)],
        )

    def plate(self, request: Request) -> Response:
        """A small picture that the night's record names."""
        night = self.night()
        path = night.plate(request.path_params["name"]) if night is not None else None
        if path is None or path.suffix not in TYPES:
            raise HTTPException(404)
        return FileResponse(
            path, media_type=TYPES[path.suffix], headers={"cache-control": "no-cache"}
        )

    def output(self, request: Request) -> Response:
        """A finished file that the night's record names, to keep."""
        night = self.night()
        path = night.output(request.path_params["name"]) if night is not None else None
        if path is None:
            raise HTTPException(404)
        return FileResponse(path, filename=path.name, media_type="application/octet-stream")

    async def light(self, request: Request) -> Response:
        """Remember day or night, for browsers without scripts."""
        form = await request.form()
        to = "night" if form.get("to") == "night" else "day"
        back = str(form.get("back", "/"))
        known = {"/", *(step["href"] for step in STEPS)}
        if back not in known and not back.startswith("/judge/"):
            back = "/"
        response = RedirectResponse(back, status_code=303)
        response.set_cookie("light", to, max_age=31536000, samesite="strict")
        return response

    def making(self, request: Request) -> Response:
        """Where the example night in the making is."""
        return self._progress(self.job)

    def choosing(self, request: Request) -> Response:
        """Where the night's list is."""
        return self._progress(self.tonight.job)

    def _progress(self, job: Job) -> Response:
        p = job.progress
        words = p.words if not p.total else f"{p.words}: {p.done} of {p.total}"
        return JSONResponse(
            {"state": p.state, "words": words, "done": p.done, "total": p.total},
            headers={"cache-control": "no-store"},
        )

    def start_work(self, request: Request) -> Response:
        """Make the example night in the background."""
        from slowglass.demo import run_demo

        def make(report: Report) -> Any:
            return run_demo(self.folder, report=report)

        if self.night() is None:
            self.job.start(make)
        return RedirectResponse("/", status_code=303)

    def http_fault(self, request: Request, error: HTTPException) -> Response:
        """A page for an address that does not exist, and the like."""
        if error.status_code == 404:
            return self.render(
                request, "message.html", status=404, heading="No such page",
                words="This address is not in the notebook.",
            )  # fmt: skip
        return self.render(
            request, "message.html", status=error.status_code, heading="Not possible",
            words=str(error.detail),
        )  # fmt: skip

    def fault(self, request: Request, error: SlowglassError) -> Response:
        """A page for an expected failure, with its cure."""
        status = 400 if isinstance(error, UsageError) else 500
        return self.render(
            request, "message.html", status=status, night=None, heading="That did not work",
            words=str(error),
        )  # fmt: skip

    def unexpected(self, request: Request, error: Exception) -> Response:
        """A page for a fault of ours, in the light that is set: a white one would blind."""
        answer = self.render(
            request, "message.html", status=500, night=None, heading="An unexpected fault",
            words="The workbench’s own window says more. The night’s files are untouched.",
        )  # fmt: skip
        answer.headers.update(HEADERS)
        return answer
