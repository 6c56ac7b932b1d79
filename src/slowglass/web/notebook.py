"""What every page shares: the workbench, the night's record, the watch, the templates."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Sequence
from dataclasses import replace
from http.cookies import SimpleCookie
from pathlib import Path
from typing import TYPE_CHECKING, Any

from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response

from slowglass.learn.night import INDEX, NOTES, NightRecord, load_night
from slowglass.web.desk import Desk
from slowglass.web.job import Job
from slowglass.web.jobs import Jobs
from slowglass.web.present import FILTERS, clock
from slowglass.web.roots import Roots

if TYPE_CHECKING:
    from slowglass.judge.watch import Watch
    from slowglass.kit.model import Kit, Site
    from slowglass.web.lan import Lan
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


class Notebook:
    """One workbench, one folder with a night's record, and the watched folder if there is one."""

    def __init__(
        self,
        workbench: Workbench,
        folder: Path,
        watching: Watch | None = None,
        *,
        frames: Sequence[Path] = (),
        lan: Lan | None = None,
    ) -> None:
        self.workbench = workbench
        self.folder = folder
        self.watching = watching
        self.lan = lan
        self.notes = folder / NOTES
        """Where the pages keep what was chosen and what is under way."""
        self.jobs = Jobs(self.notes / "jobs")
        self.desk = Desk(self.notes / "desk.json")
        watched = () if watching is None else (watching.folder,)
        self.roots = Roots((folder, *watched, *frames))
        """The folders into which the pages may look."""
        self._night: tuple[int, NightRecord] | None = None
        self._templates = Environment(
            loader=PackageLoader("slowglass.web"),
            autoescape=select_autoescape(default=True),
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        self._templates.filters.update(FILTERS)

    def use(self, *, kit: Kit | None = None, site: Site | None = None) -> None:
        """Go on with a changed kit or site; sky and logbook stay open."""
        old = self.workbench
        new = replace(old, kit=kit or old.kit, site=site or old.site)
        for kept in ("sky", "logbook"):
            if kept in vars(old):
                vars(new)[kept] = vars(old)[kept]
        self.workbench = new

    def instruments(self) -> str:
        """A mark of kit, site and edition: what was worked out for another one is old."""
        from slowglass import __version__

        bench = self.workbench
        parts = [__version__, bench.kit.model_dump(mode="json"), bench.site.model_dump(mode="json")]
        return hashlib.sha256(json.dumps(parts, sort_keys=True).encode()).hexdigest()[:16]

    def reopen(self) -> None:
        """Go on with kit and site as their files now are."""
        from slowglass.kit.io import load_kit, load_site
        from slowglass.learn.adopt import Files

        bench = self.workbench
        files = Files(bench.kit_file, bench.site_file)
        kit = load_kit(files.kit_path) if files.kit_path.is_file() else None
        site = load_site(files.site_path) if files.site_path.is_file() else None
        self.use(
            kit=kit if kit is not None and kit.name == bench.kit.name else None,
            site=site if site is not None and site.name == bench.site.name else None,
        )

    def night(self) -> NightRecord | None:
        """The folder's night, read again when its index has changed."""
        try:
            stamp = (self.folder / INDEX).stat().st_mtime_ns
        except OSError:
            return None
        if self._night is None or self._night[0] != stamp:
            record = load_night(self.folder)
            if record is None:
                return None
            self._night = (stamp, record)
        return self._night[1]

    def revision(self) -> str:
        """A mark that changes whenever pages have something new to show."""
        try:
            night = (self.folder / INDEX).stat().st_mtime_ns
        except OSError:
            night = 0
        phones = 0 if self.lan is None else self.lan.changes
        seen = (self.desk.state.revision, self.jobs.ended, self.instruments(), night, phones)
        return hashlib.sha256(repr(seen).encode()).hexdigest()[:16]

    def render(
        self, request: Request, template: str, *, status: int = 200, **content: Any
    ) -> HTMLResponse:
        """A filled template as a page."""
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
            here="/" + path.strip("/").partition("/")[0],
            path=path,
            address=path + (f"?{request.url.query}" if request.url.query else ""),
            light=light_of(request),
            watching=self.watching is not None,
            over_lan=request.scope.get("over_lan", False),
            current=self.jobs.current(),
            desk=self.desk.state,
            desk_trouble=self.desk.trouble,
            revision=self.revision(),
            **content,
        )
        return HTMLResponse(html, status_code=status, headers={"cache-control": "no-cache"})

    def fragment(self, template: str, **content: Any) -> str:
        """A filled template that is a part of a page."""
        return self._templates.get_template(template).render(**content)


def light_of(request: Request) -> str:
    """ "night" or "day", as the cookie remembers it."""
    cookies = SimpleCookie(request.headers.get("cookie", ""))
    morsel = cookies.get("light")
    return "night" if morsel is not None and morsel.value == "night" else "day"


def asked(request: Request, key: str) -> str:
    """A value of the address's query, shortened to a sane length."""
    return request.query_params.get(key, "").strip()[:80]


def way_back(text: object) -> str:
    """An address of these pages to go back to; the first page for anything else."""
    text = str(text)
    return text if re.fullmatch(r"/(?![/\\])[^\s\\]*", text) else "/"


def job_progress(job: Job) -> Response:
    """Where a piece of work is, as the page's script follows it."""
    return JSONResponse(job.told(), headers={"cache-control": "no-store"})
