"""What a workbench holds: kit, site, sky and logbook, and the names it knows."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, datetime
from functools import cached_property
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, Self

from slowglass.errors import UsageError
from slowglass.progress import Report, silent

if TYPE_CHECKING:
    from slowglass.kit.model import Kit, Site
    from slowglass.kit.service import KitSummary
    from slowglass.learn.logbook.store import Logbook
    from slowglass.sky.place import Place
    from slowglass.sky.store import Sky

NameOrPath = str | PathLike[str]

FIRST_YEAR, LAST_YEAR = 1900, 2099
"""Years for which the places of Sun and Moon hold (the span of ERFA's epv00)."""


@dataclass(frozen=True)
class Base:
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
    ) -> Self:
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
    ) -> tuple[Self, list[Path]]:
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
