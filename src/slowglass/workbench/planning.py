"""What is asked before going out: which objects, which way, what exposure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from slowglass.errors import UsageError
from slowglass.progress import Report, silent
from slowglass.workbench.base import FIRST_YEAR, LAST_YEAR, Base, NameOrPath

if TYPE_CHECKING:
    from slowglass.choose.answers import Choice
    from slowglass.choose.framed import Framed
    from slowglass.choose.hours import Climb, NightHours
    from slowglass.choose.weigh_service import Weighing
    from slowglass.choose.year_service import YearPlan
    from slowglass.expose.plan import ExposurePlan
    from slowglass.expose.trial import Trial
    from slowglass.find.plates import ChartWish, PlateName
    from slowglass.find.result import Route
    from slowglass.find.svg import StyleName
    from slowglass.kit.model import Air, Kit, Wind
    from slowglass.sheets.plan import SheetWish


class Planning(Base):
    """Choosing, finding and exposing."""

    def warm_up(self) -> None:
        """Open the sky and load what an evening's first questions need, before they are asked."""
        import slowglass.choose.service
        import slowglass.find.plates  # noqa: F401

        self.hours(self.tonight())
        len(self.sky.stars)

    def choose(
        self,
        *,
        night: date | None = None,
        limit: int = 20,
        kinds: Iterable[str] = (),
        constellations: Iterable[str] = (),
        between: str | None = None,
        photographed: Iterable[str] = (),
        new: bool = False,
        names: Iterable[str] = (),
        report: Report = silent,
    ) -> Choice:
        """Objects worth an exposure in a night, best first; ``night`` None is the coming one.

        ``kinds`` ("globular", "double"), ``constellations`` and hours ``between`` ("22:00-01:30")
        narrow the list; objects whose names are in ``photographed`` are left out, and with
        ``new`` those that the logbook has a picture or a kept frame of. With ``names`` only those
        objects are asked.
        """
        from slowglass.choose.filters import Wanted
        from slowglass.choose.service import choose_tonight

        if night is not None:
            self._check_year(night)
        wanted = Wanted.of(
            kinds=kinds,
            constellations=constellations,
            between=between,
            photographed=[*photographed, *(self.logbook.photographed() if new else ())],
            names=names,
        )
        return choose_tonight(
            self.kit, self.site, self.sky, night=night, limit=limit, wanted=wanted, report=report
        )

    def hours(self, night: date) -> NightHours:
        """The hours of a night at the site: darkness, twilight and the Moon's height."""
        from slowglass.choose.hours import night_hours

        self._check_year(night)
        return night_hours(self.site, night)

    def climbs(self, hours: NightHours, places: Sequence[tuple[float, float]]) -> list[Climb]:
        """How places (ra, dec in degrees) climb and sink through a night, over the skyline."""
        from slowglass.choose.hours import climbs

        ra, dec = [place[0] for place in places], [place[1] for place in places]
        return list(climbs(hours, ra, dec, site=self.site))

    def framed(self, name: str, *, camera_angle_deg: float | None = None) -> Framed:
        """An object in the camera's frame at true scale, with the stars round it."""
        from slowglass.choose.framed import frame_object

        place = self.place(name)
        return frame_object(
            self.kit,
            self.sky,
            name=place.name,
            ra_deg=place.ra_deg,
            dec_deg=place.dec_deg,
            obj=place.object,
            camera_angle_deg=camera_angle_deg,
        )

    def weigh(
        self,
        kits: Sequence[NameOrPath | Kit],
        *,
        first: date | None = None,
        output: Path | None = None,
        report: Report = silent,
    ) -> Weighing:
        """What kits are good for at the site over a year from ``first`` (or tonight) on.

        Kits are given as they are, or by name or file. ``output`` draws the counts.
        """
        from slowglass.choose.weigh_picture import draw_weighing
        from slowglass.choose.weigh_service import weigh_kits
        from slowglass.kit.io import load_kit
        from slowglass.kit.model import Kit

        given = [kit if isinstance(kit, Kit) else load_kit(kit) for kit in kits]
        weighing = weigh_kits(given, self.site, self.sky, first=first, report=report)
        if output is not None:
            draw_weighing(weighing, output)
        return weighing

    def choose_year(
        self,
        name: str,
        *,
        first: date | None = None,
        limit: int = 10,
        output: Path | None = None,
        report: Report = silent,
    ) -> YearPlan:
        """The best nights for one object in the year from ``first`` (or tonight) on.

        ``output`` writes them as a calendar (.ics) or the whole year as a chart.
        """
        from slowglass.choose.year_io import write_year
        from slowglass.choose.year_service import plan_year

        if first is not None and not FIRST_YEAR <= first.year < LAST_YEAR:
            raise UsageError(
                f"night {first} is outside the years {FIRST_YEAR} to {LAST_YEAR - 1}",
                "choose a night nearer to ours",
            )
        plan = plan_year(
            self.kit, self.site, self.sky, name, first=first, limit=limit, report=report
        )
        if output is not None:
            write_year(plan, output)
        return plan

    def find(
        self, target: str, *, from_star: str | None = None, when: datetime | None = None
    ) -> Route:
        """The star-hop to a target."""
        from slowglass.find.service import find_route

        return find_route(self.kit, self.site, self.sky, target, from_star=from_star, when=when)

    def chart(
        self,
        route: Route,
        path: Path,
        *,
        style: StyleName = "paper",
        plate: PlateName | None = None,
        leg: int | None = None,
        wish: ChartWish | None = None,
    ) -> Path:
        """Path of a route's chart, written as .svg, .png or .pdf: hop and words, one plate, or one
        leg (the first is 1)."""
        from slowglass.find.plates import PLAIN, chart_route

        return chart_route(
            route,
            self.kit,
            self.site,
            self.sky,
            path,
            style=style,
            name=plate,
            leg=leg,
            wish=wish or PLAIN,
        )

    def up_there(self, ra_deg: float, dec_deg: float, when: datetime) -> tuple[float, float, float]:
        """(position angle of the way up, altitude, azimuth) of a place at a moment, degrees."""
        from slowglass.find.anchors import sight_of
        from slowglass.find.direction import zenith_angle_deg

        up = float(zenith_angle_deg(ra_deg, dec_deg, self.site, when)[0])
        return (up, *sight_of(ra_deg, dec_deg, self.site, when))

    def night_sheets(
        self,
        targets: Sequence[str],
        path: Path,
        *,
        wish: SheetWish | None = None,
        report: Report = silent,
    ) -> tuple[Path, tuple[Route, ...]]:
        """Path of the night's printed pages, one a target, and their routes.

        Several targets come with a page of contents and a packing list, in the order of their
        best hours.
        """
        from slowglass.sheets.plan import SheetWish
        from slowglass.sheets.service import write_night

        wish = wish or SheetWish()
        night = wish.night or self.tonight()
        self._check_year(night)
        return write_night(
            targets, path, self.kit, self.site, self.sky, night=night, wish=wish, report=report
        )

    def expose(
        self,
        target: str,
        *,
        seconds: float,
        frames: int = 1,
        when: datetime | None = None,
        output: Path | None = None,
        strip: Path | None = None,
        air: Air | None = None,
        wind: Wind | None = None,
        report: Report = silent,
    ) -> ExposurePlan:
        """What an exposure will give, and its forecast frame when ``output`` names a file.

        ``strip`` names a picture of the object in 1, 10 and 60 frames; ``air`` and ``wind`` are
        tonight's where they are not the site's usual ones.
        """
        from slowglass.expose.service import expose_object

        tonight = {key: value for key, value in (("air", air), ("wind", wind)) if value}
        return expose_object(
            self.kit,
            self.site.model_copy(update=tonight),
            self.sky,
            target,
            seconds=seconds,
            frames=frames,
            when=when,
            out=output,
            strip=strip,
            report=report,
        )

    def trial(self, target: str, *, when: datetime | None = None) -> Trial:
        """An object tonight, or at a moment, of which exposures can be tried out at once."""
        from slowglass.expose.trial import trial_of

        place = self.place(target)
        return trial_of(self.kit, self.site, self.sky, place, when=when, night=self.tonight())
