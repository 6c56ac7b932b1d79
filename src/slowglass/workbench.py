"""The front door of the library: kit, site and sky bound together, one method a step.

    from slowglass.workbench import Workbench

    bench = Workbench.open()
    route = bench.find("M15")

Everything heavy is imported when a step needs it, so opening a workbench is quick.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from functools import cached_property
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING

from slowglass.errors import NothingUseful, SlowglassError, UsageError
from slowglass.progress import Report, silent

if TYPE_CHECKING:
    from slowglass.choose.answers import Choice
    from slowglass.choose.framed import Framed
    from slowglass.choose.hours import Climb, NightHours
    from slowglass.choose.weigh_service import Weighing
    from slowglass.choose.year_service import YearPlan
    from slowglass.expose.plan import ExposurePlan
    from slowglass.expose.trial import Trial
    from slowglass.find.hunt import HuntStep
    from slowglass.find.plates import ChartWish, PlateName
    from slowglass.find.result import Route
    from slowglass.find.svg import StyleName
    from slowglass.finish.proof import Proof
    from slowglass.finish.recipe import Recipe
    from slowglass.finish.types import FinishResult
    from slowglass.judge.introduce import Introduction
    from slowglass.judge.kept import Kept, KeptFrames
    from slowglass.judge.live_enough import TargetLight
    from slowglass.judge.look import Look
    from slowglass.judge.report import SeriesReport
    from slowglass.judge.verdict import Verdict
    from slowglass.judge.watch import Watch
    from slowglass.judge.watch_state import WatchEvent
    from slowglass.kit.model import Air, Kit, Site, Wind
    from slowglass.kit.service import KitSummary
    from slowglass.kit.skyline import Points
    from slowglass.learn.air import SkyByDirection
    from slowglass.learn.fieldreport.service import Paper
    from slowglass.learn.log import Outcome
    from slowglass.learn.logbook.records import LoggedPicture
    from slowglass.learn.logbook.store import Logbook
    from slowglass.learn.sensor import SensorResult
    from slowglass.learn.service import Lessons
    from slowglass.learn.values import KitValue
    from slowglass.sheets.plan import SheetWish
    from slowglass.sky.place import Place
    from slowglass.sky.store import Sky
    from slowglass.solve.own import Contribution

logger = logging.getLogger(__name__)

NameOrPath = str | PathLike[str]

FIRST_YEAR, LAST_YEAR = 1900, 2099
"""Years for which the places of Sun and Moon hold (the span of ERFA's epv00)."""


@dataclass(frozen=True)
class Workbench:
    """A kit at a site under the sky.

    ``kit_is_stand_in`` says that nobody chose the kit: plans then describe the built-in one,
    and frames are judged without assuming it took them.
    """

    kit: Kit
    site: Site
    kit_is_stand_in: bool = False
    report: Report = silent
    """Hears about opening the sky, which the first time builds an index."""
    kit_file: NameOrPath | None = None
    site_file: NameOrPath | None = None
    """Where kit and site came from; None for the user's own."""

    @classmethod
    def open(
        cls,
        *,
        kit: NameOrPath | None = None,
        site: NameOrPath | None = None,
        report: Report = silent,
    ) -> Workbench:
        """The workbench for a kit and a site: names, files, or (None) the user's own."""
        from slowglass.kit.io import has_own_kit, load_kit, load_site

        return cls(
            load_kit(kit),
            load_site(site),
            kit_is_stand_in=kit is None and not has_own_kit(),
            report=report,
            kit_file=kit,
            site_file=site,
        )

    @cached_property
    def sky(self) -> Sky:
        """The star and object catalogues, opened at first use."""
        from slowglass.sky.store import open_sky

        return open_sky(report=self.report)

    @cached_property
    def logbook(self) -> Logbook:
        """The logbook, opened (and made) at first use."""
        from slowglass.learn.logbook.store import open_logbook

        return open_logbook()

    def warm_up(self) -> None:
        """Open the sky and load what an evening's first questions need, before they are asked."""
        import slowglass.choose.service
        import slowglass.find.plates  # noqa: F401

        self.hours(self.tonight())
        len(self.sky.stars)

    def place(self, text: str) -> Place:
        """The place meant by an object's name, a star's name or "RA DEC"."""
        from slowglass.sky.place import resolve_place

        return resolve_place(text, self.sky)

    def local(self, clock: datetime | None) -> datetime | None:
        """The moment at which the site's clock shows a time without a zone."""
        from zoneinfo import ZoneInfo

        return None if clock is None else clock.replace(tzinfo=ZoneInfo(self.site.timezone))

    def tonight(self) -> date:
        """The evening's date of the night under way or coming at the site."""
        from slowglass.expose.service import tonight

        return tonight(self.site)

    @staticmethod
    def _check_year(night: date) -> None:
        if not FIRST_YEAR <= night.year <= LAST_YEAR:
            raise UsageError(
                f"night {night} is outside the years {FIRST_YEAR} to {LAST_YEAR}",
                "choose a night nearer to ours",
            )

    def kit_summary(self) -> KitSummary:
        """What the kit's numbers amount to under the site's usual seeing."""
        from slowglass.kit.service import summarise_kit

        return summarise_kit(self.kit, self.site)

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

    def aim(
        self,
        target: str,
        frame: Path,
        *,
        camera_angle_deg: float | None = None,
        chart: Path | None = None,
        style: StyleName = "paper",
    ) -> HuntStep:
        """The step from where a frame points to a target in mid-frame, with its chart if wanted.

        The frame is solved near the target. ``NothingUseful`` says why it could not be.
        """
        from slowglass.find.hunt import hunt_step
        from slowglass.find.picture import write_chart
        from slowglass.find.plates import nudge_chart
        from slowglass.sky.wcs import TanWcs

        place = self.place(target)
        verdict = next(iter(self.judge([frame], near=target, target=target)))
        ra, dec = verdict.ra_deg, verdict.dec_deg
        width, height = verdict.width_px, verdict.height_px
        if not verdict.solved or ra is None or dec is None or not width or not height:
            why = verdict.error or verdict.reason
            raise NothingUseful(f"{frame}: {why}", "take another frame nearer to the anchor star")
        wcs = TanWcs.from_simple(
            ra_deg=ra,
            dec_deg=dec,
            width_px=width,
            height_px=height,
            scale_arcsec_per_px=verdict.scale_arcsec_per_px or self.kit.scale_arcsec_per_px,
            rotation_deg=verdict.rotation_deg or 0.0,
            parity=verdict.parity or 1,
        )
        size = (width, height)
        goal = (place.name, place.ra_deg, place.dec_deg)
        step = hunt_step(wcs, size, goal, camera_angle_deg=camera_angle_deg)
        if chart is not None:
            drawn = nudge_chart(wcs, size, goal, self.sky, obj=place.object, words=(step.text,))
            write_chart(drawn, chart, style=style)
        return step

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

    def judge(
        self,
        paths: Iterable[Path],
        *,
        near: str | None = None,
        radius_deg: float | None = None,
        scale_arcsec_per_px: float | None = None,
        target: str | None = None,
        write_wcs: bool = False,
        report: Report = silent,
    ) -> Iterator[Verdict]:
        """A verdict for each frame in the files and folders, as each is done."""
        from slowglass.judge.service import judge_paths

        return judge_paths(
            paths,
            self.sky,
            near=None if near is None else self.place(near),
            radius_deg=radius_deg,
            scale_arcsec_per_px=scale_arcsec_per_px,
            target=None if target is None else self.place(target),
            kit=None if self.kit_is_stand_in else self.kit,
            site=None if self.kit_is_stand_in else self.site,
            write_wcs=write_wcs,
            report=report,
        )

    def sum_up(
        self,
        verdicts: Sequence[Verdict],
        *,
        focus_turn: float | None = None,
        own_site: bool = False,
    ) -> SeriesReport:
        """What judged frames say together: focus, drift, worm, polar axis, sky, causes.

        With ``focus_turn`` they were taken, in this order, while the focuser was turned by so
        many turns between each. ``own_site`` says that the site is theirs though the kit is a
        stand-in: the polar axis needs no more.
        """
        from slowglass.judge.report import sum_up

        return sum_up(
            verdicts,
            kit=None if self.kit_is_stand_in else self.kit,
            site=self.site if own_site or not self.kit_is_stand_in else None,
            focus_turn=focus_turn,
        )

    def judge_and_keep(
        self,
        paths: Iterable[Path],
        kept: KeptFrames,
        *,
        target: str | None = None,
        report: Report = silent,
    ) -> list[Kept]:
        """What is known of each frame, judged where that is not kept already.

        With a kit of one's own, each that is judged goes into the logbook as well.
        """
        from slowglass.judge.viewing import judge_and_keep
        from slowglass.learn.log import log_judged

        aim = None if target is None else self.place(target)
        thing = None if aim is None else aim.object
        keeping = not self.kit_is_stand_in

        def hear(verdict: Verdict, light: TargetLight | None) -> None:
            nonlocal keeping
            if not keeping:
                return
            try:
                log_judged(
                    self.logbook,
                    verdict,
                    kit=self.kit,
                    site=self.site,
                    sky=self.sky,
                    target=thing,
                    light=light,
                )
            except SlowglassError as error:  # a broken logbook does not stop the judging
                keeping = False
                logger.warning("the logbook is not kept: %s", error)

        return judge_and_keep(
            paths,
            kept,
            self.sky,
            hear=hear,
            target=aim,
            kit=None if self.kit_is_stand_in else self.kit,
            site=None if self.kit_is_stand_in else self.site,
            report=report,
        )

    def look(
        self,
        paths: Iterable[Path],
        *,
        near: str | None = None,
        target: str | None = None,
        longest_px: int = 1600,
        report: Report = silent,
    ) -> Iterator[Look]:
        """A verdict for each file, with its picture and what to draw over it."""
        from slowglass.judge.look import look_at_files

        return look_at_files(
            paths,
            self.sky,
            longest_px=longest_px,
            report=report,
            near=None if near is None else self.place(near),
            target=None if target is None else self.place(target),
            kit=None if self.kit_is_stand_in else self.kit,
            site=None if self.kit_is_stand_in else self.site,
        )

    def watch(
        self,
        folder: Path,
        *,
        near: str | None = None,
        radius_deg: float | None = None,
        scale_arcsec_per_px: float | None = None,
        target: str | None = None,
        fresh: bool = False,
        set_axis: bool = False,
        report: Report = silent,
    ) -> Watch:
        """A watch over the camera's folder; its ``run`` yields what happens, as it happens.

        ``fresh`` judges everything anew in place of going on from the journal. With a kit of
        one's own and a target, the stack is measured against the plan. ``set_axis`` leads through
        setting the polar axis.
        """
        from slowglass.judge.watch import Watch

        aim = None if target is None else self.place(target)

        def plan_for(seconds: float, when: datetime | None) -> ExposurePlan | None:
            from slowglass.expose.service import expose_object

            if target is None or self.kit_is_stand_in:
                return None
            for moment in (when, None):  # a clock that is off may put the target below ground
                try:
                    return expose_object(
                        self.kit, self.site, self.sky, target, seconds=seconds, when=moment
                    )
                except SlowglassError:
                    continue
            return None

        return Watch(
            folder,
            self.sky,
            plan_for=plan_for,
            fresh=fresh,
            set_axis=set_axis,
            report=report,
            near=None if near is None else self.place(near),
            radius_deg=radius_deg,
            scale_arcsec_per_px=scale_arcsec_per_px,
            target=aim,
            kit=None if self.kit_is_stand_in else self.kit,
            site=None if self.kit_is_stand_in else self.site,
        )

    def add_stars(
        self,
        paths: Iterable[Path],
        *,
        near: str | None = None,
        radius_deg: float | None = None,
        scale_arcsec_per_px: float | None = None,
        report: Report = silent,
    ) -> Iterator[Contribution]:
        """What each solved frame gave to the own stars; places and scales as for ``judge``."""
        from slowglass.judge.own_stars import add_own_stars

        return add_own_stars(
            paths,
            self.sky,
            near=None if near is None else self.place(near),
            radius_deg=radius_deg,
            scale_arcsec_per_px=scale_arcsec_per_px,
            kit=None if self.kit_is_stand_in else self.kit,
            report=report,
        )

    def finish(
        self,
        source: Path,
        output: Path,
        *,
        recipe: Path | Recipe | None = None,
        near: str | None = None,
        scale_arcsec_per_px: float | None = None,
        whole: bool = False,
        north_up: bool = False,
        calibration: Sequence[Path] = (),
        finer: float | None = None,
        report: Report = silent,
    ) -> FinishResult:
        """The picture of a folder of lights, darks, flats and bias frames, or of one frame.

        Folders of ``calibration`` frames may lie apart. ``finer`` asks for pixels so many times
        smaller than the camera's. What was read off the frames is kept for later runs.
        """
        from slowglass.finish.service import finish_path
        from slowglass.sky.store import data_folder

        return finish_path(
            source,
            output,
            recipe=recipe,
            near=near,
            scale_arcsec_per_px=scale_arcsec_per_px,
            whole=whole,
            north_up=north_up,
            calibration=calibration,
            finer=finer,
            keep=data_folder() / "readings",
            kit=None if self.kit_is_stand_in else self.kit,
            sky=self.sky,
            report=report,
        )

    def proof(self, picture: Path) -> Proof:
        """A finished picture's linear FITS, opened to be moved with sliders and exported."""
        from slowglass.finish.proof import Proof

        return Proof(picture)

    def log(
        self,
        paths: Iterable[Path],
        *,
        target: str | None = None,
        again: bool = False,
        report: Report = silent,
    ) -> Iterator[Outcome]:
        """Judge frames and write each into the logbook as soon as it is done."""
        from slowglass.learn.log import log_paths

        return log_paths(
            self.logbook,
            paths,
            kit=self.kit,
            site=self.site,
            sky=self.sky,
            target=None if target is None else self.place(target),
            again=again,
            report=report,
        )

    def logged(
        self,
        events: Iterable[WatchEvent],
        folder: Path,
        trouble: Callable[[SlowglassError], None],
    ) -> Iterator[WatchEvent]:
        """The same events, each frame among them written into the logbook on its way.

        ``trouble`` hears once why the logbook cannot be kept. With no kit of one's own there is
        nobody to keep it for.
        """
        from slowglass.learn.log import log_event

        keeping = not self.kit_is_stand_in
        for event in events:
            if keeping:
                try:
                    log_event(
                        self.logbook, event, folder, kit=self.kit, site=self.site, sky=self.sky
                    )
                except SlowglassError as error:
                    keeping = False
                    trouble(error)
            yield event

    def log_finished(self, result: FinishResult) -> int | None:
        """The logbook's number of a finished picture; None with no kit of one's own."""
        from slowglass.learn.log import log_finished

        if self.kit_is_stand_in:
            return None
        return log_finished(self.logbook, result, kit=self.kit, site=self.site, sky=self.sky)

    def lessons(self, *, evening: str | None = None, report: Report = silent) -> Lessons:
        """What the logged nights teach about this kit at this site."""
        from slowglass.learn.service import learn_from

        return learn_from(
            self.logbook, self.kit, self.site, self.sky, evening=evening, report=report
        )

    def pictures(
        self, *, name: str = "", near: str = "", radius: str = "", text: str = ""
    ) -> tuple[list[LoggedPicture], tuple[float, float, float] | None]:
        """Finished pictures of an object, near a place or with a word, the newest first.

        The second is the circle looked in: right ascension, declination and radius in degrees.
        """
        from slowglass.learn.ask import place_and_radius
        from slowglass.learn.gallery import find_pictures

        around = place_and_radius(near, radius, self.sky)
        thing = self.sky.objects.get(name).id if name else None
        return find_pictures(self.logbook, object=thing, near=around, text=text), around

    def measure_camera(self, folder: Path, *, report: Report = silent) -> SensorResult:
        """Gain, noise and flaws of the camera from a folder of bias, darks and flats."""
        from slowglass.learn.sensor import measure_sensor

        return measure_sensor(folder, self.kit, report=report)

    def adopt(self, values: Sequence[KitValue]) -> list[Path]:
        """Files of kit and site rewritten with the values in use; undo with ``put_aside``."""
        from slowglass.learn.adopt import Files, adopt

        _, _, written = adopt(
            self.logbook,
            values,
            kit=self.kit,
            site=self.site,
            files=Files(self.kit_file, self.site_file),
            evening=self.tonight(),
        )
        return written

    def kit_path(self) -> Path:
        """The file in which changes of the kit are kept."""
        from slowglass.learn.adopt import Files

        return Files(self.kit_file, self.site_file).kit_path

    def site_path(self) -> Path:
        """The file in which changes of the site are kept."""
        from slowglass.learn.adopt import Files

        return Files(self.kit_file, self.site_file).site_path

    def kept(
        self, *, kit: Kit | None = None, site: Site | None = None, own: bool = False
    ) -> tuple[Workbench, list[Path]]:
        """A workbench that goes on with these, written to their files, and all files written.

        They go where kit and site came from, or with ``own`` into the user's own files, whose
        former content is set aside when it is of another kit or site.
        """
        from slowglass.kit.keep import keep
        from slowglass.learn.adopt import Files

        files = Files() if own else Files(self.kit_file, self.site_file)
        written: list[Path | None] = []
        if kit is not None:
            written += keep(kit, files.kit_path, editing="" if own else self.kit.name)
        if site is not None:
            written += keep(site, files.site_path, editing="" if own else self.site.name)
        made = replace(
            self,
            kit=kit or self.kit,
            site=site or self.site,
            kit_is_stand_in=self.kit_is_stand_in and kit is None,
            kit_file=files.kit_path if kit is not None else self.kit_file,
            site_file=files.site_path if site is not None else self.site_file,
        )
        for opened in ("sky", "logbook"):
            if opened in vars(self):
                vars(made)[opened] = vars(self)[opened]
        return made, [path for path in written if path is not None]

    def introduce(
        self,
        path: Path,
        *,
        answers: Mapping[str, str] | None = None,
        near: str = "",
        report: Report = silent,
    ) -> Introduction:
        """What one frame says of the kit that took it, as answers to the set-up's questions."""
        from slowglass.judge.introduce import introduce

        place = self.place(near) if near else None
        return introduce(path, self.sky, answers=answers, near=place, report=report)

    def keep_skyline(self, points: Points | None) -> Site:
        """The site with a skyline, or (None) its earlier one, written to its file."""
        from slowglass.kit.skyline_io import bring_skyline_back, keep_skyline

        if points is None:
            return bring_skyline_back(self.site, self.site_path())
        return keep_skyline(points, self.site, self.site_path())

    def sky_by_direction(self) -> SkyByDirection | None:
        """Where this site's sky is brighter than its zenith explains; None with few frames."""
        from slowglass.learn.air import sky_by_direction
        from slowglass.learn.groups import groups_of

        groups = groups_of(self.logbook, kit=self.kit.name, site=self.site.name)
        return sky_by_direction(groups, self.site)

    def adopt_domes(self, found: SkyByDirection | None) -> Path:
        """The site's file rewritten with measured light domes, or (None) those before them."""
        from slowglass.learn.adopt import Files, adopt_domes, put_domes_aside

        files = Files(self.kit_file, self.site_file)
        if found is None:
            return put_domes_aside(self.logbook, site=self.site, files=files)[1]
        return adopt_domes(self.logbook, found, kit=self.kit, site=self.site, files=files)[1]

    def put_aside(self, quantity: str) -> Path:
        """File of the kit or site rewritten with the stated value back in use."""
        from slowglass.learn.adopt import Files, unadopt

        files = Files(self.kit_file, self.site_file)
        return unadopt(self.logbook, quantity, kit=self.kit, site=self.site, files=files)[2]

    def field_report(
        self,
        output: Path,
        *,
        evening: str | None = None,
        exact_place: bool = False,
        paper: Paper = "A4",
        report: Report = silent,
    ) -> list[Path]:
        """Files of the account of a night, or of all nights with this kit at this site."""
        from slowglass.learn.fieldreport.service import write_report

        return write_report(
            self.logbook,
            self.kit,
            self.site,
            self.sky,
            output,
            evening=evening,
            exact_place=exact_place,
            paper=paper,
            report=report,
        )
