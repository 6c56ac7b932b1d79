"""What the logbook teaches, kit and site corrected by it, and what is shown of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from slowglass.progress import Report, silent
from slowglass.workbench.pictures import Pictures

if TYPE_CHECKING:
    from slowglass.judge.introduce import Introduction
    from slowglass.kit.model import Site
    from slowglass.kit.skyline import Points
    from slowglass.learn.air import SkyByDirection
    from slowglass.learn.fieldreport.service import Paper
    from slowglass.learn.logbook.records import LoggedPicture
    from slowglass.learn.sensor import SensorResult
    from slowglass.learn.service import Lessons
    from slowglass.learn.values import KitValue


class Learning(Pictures):
    """Learning and telling."""

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
