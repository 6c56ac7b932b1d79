"""What is asked of frames: a verdict each, a series summed up, a folder watched."""

from __future__ import annotations

import logging
from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from slowglass.errors import NothingUseful, SlowglassError
from slowglass.progress import Report, silent
from slowglass.workbench.planning import Planning

if TYPE_CHECKING:
    from slowglass.expose.plan import ExposurePlan
    from slowglass.find.hunt import HuntStep
    from slowglass.find.svg import StyleName
    from slowglass.judge.kept import Kept, KeptFrames
    from slowglass.judge.live_enough import TargetLight
    from slowglass.judge.look import Look
    from slowglass.judge.report import SeriesReport
    from slowglass.judge.verdict import Verdict
    from slowglass.judge.watch import Watch
    from slowglass.solve.own import Contribution

logger = logging.getLogger(__name__)


class Frames(Planning):
    """Judging and watching."""

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
