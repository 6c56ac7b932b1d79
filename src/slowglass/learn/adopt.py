"""Taking measured values into the files of kit and site, and putting them aside again."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from slowglass.errors import UsageError
from slowglass.kit.io import config_folder, load_kit, load_site, write_kit, write_site
from slowglass.kit.measured import put_aside, take_in
from slowglass.kit.model import Kit, Site
from slowglass.learn.logbook.records import LoggedMeasurement

if TYPE_CHECKING:
    from slowglass.learn.air import SkyByDirection
    from slowglass.learn.logbook.store import Logbook
    from slowglass.learn.values import KitValue


DOMES = "light_domes"


@dataclass(frozen=True)
class Files:
    """Where a kit and a site are kept; None means the user's own, made when first needed."""

    kit: str | os.PathLike[str] | None = None
    site: str | os.PathLike[str] | None = None

    @property
    def kit_path(self) -> Path:
        """The kit's file; a built-in kit is changed in the user's own copy."""
        return _path(self.kit, "kit.toml")

    @property
    def site_path(self) -> Path:
        """The site's file; a built-in site is changed in the user's own copy."""
        return _path(self.site, "site.toml")


def adopt(
    logbook: Logbook,
    values: Sequence[KitValue],
    *,
    kit: Kit,
    site: Site,
    files: Files,
    evening: date,
) -> tuple[Kit, Site, list[Path]]:
    """Kit and site with the values in use, written to their files; the logbook remembers.

    Every value is entered in the logbook, those without a key in a file as a record only.
    """
    day = evening.isoformat()
    written: list[Path] = []
    changed_kit, changed_site = kit, site
    for value in values:
        if not value.adoptable:
            continue
        if value.of_site:
            changed_site = take_in(changed_site, value.block(day))
        else:
            changed_kit = take_in(changed_kit, value.block(day))
    if changed_kit is not kit:
        written.append(_save(changed_kit, files.kit_path))
    if changed_site is not site:
        written.append(_save(changed_site, files.site_path))
    for value in values:
        number = logbook.add(value.entry(kit, site))
        if value.adoptable:
            logbook.adopt(number)
    return changed_kit, changed_site, written


def adopt_domes(
    logbook: Logbook, found: SkyByDirection, *, kit: Kit, site: Site, files: Files
) -> tuple[Site, Path]:
    """The site with the measured light domes, written to its file; the logbook keeps the old."""
    import json

    changed = site.model_copy(update={"light_domes": found.domes})
    path = _save(changed, files.site_path)
    number = logbook.add(
        LoggedMeasurement(
            kit=kit.name, site=site.name, quantity=DOMES, unit="domes",
            value=float(len(found.domes)), stated=float(len(site.light_domes)),
            how=json.dumps({"before": site.light_domes, "now": found.domes}),
        )
    )  # fmt: skip
    logbook.adopt(number)
    return changed, path


def put_domes_aside(logbook: Logbook, *, site: Site, files: Files) -> tuple[Site, Path]:
    """The site with the light domes it had before the measured ones, written to its file."""
    import json

    for entry in reversed(logbook.all(LoggedMeasurement)):
        if entry.quantity == DOMES and entry.site == site.name and entry.adopted_utc:
            before = tuple(tuple(map(float, dome)) for dome in json.loads(entry.how)["before"])
            changed = site.model_copy(update={"light_domes": before})
            path = _save(changed, files.site_path)
            if entry.id is not None:
                logbook.adopt(entry.id, undo=True)
            return changed, path
    raise UsageError(f"{site.name} uses no measured light domes", "nothing needs putting aside")


def unadopt(
    logbook: Logbook, quantity: str, *, kit: Kit, site: Site, files: Files
) -> tuple[Kit, Site, Path]:
    """Kit and site with the stated value of one quantity back in use, written to their file."""
    of_kit = any(m.quantity == quantity and m.in_use for m in kit.measured)
    of_site = any(m.quantity == quantity and m.in_use for m in site.measured)
    if not (of_kit or of_site):
        in_use = [m.quantity for m in (*kit.measured, *site.measured) if m.in_use]
        raise UsageError(
            f"no measured value is in use for {quantity}",
            f"in use: {', '.join(in_use)}" if in_use else "every key holds its stated value",
        )
    if of_kit:
        kit = put_aside(kit, quantity)
        path = _save(kit, files.kit_path)
    else:
        site = put_aside(site, quantity)
        path = _save(site, files.site_path)
    for entry in logbook.all(LoggedMeasurement):
        mine = entry.kit == kit.name if of_kit else entry.site == site.name
        if entry.quantity == quantity and mine and entry.adopted_utc and entry.id is not None:
            logbook.adopt(entry.id, undo=True)
    return kit, site, path


def _path(given: str | os.PathLike[str] | None, own_file: str) -> Path:
    if given is not None:
        path = Path(given).expanduser()
        if path.is_file():
            return path
    return config_folder() / own_file


def _save(record: Kit | Site, path: Path) -> Path:
    """Path of the record's file, written; another kit's or site's file is never written over."""
    word = type(record).__name__.lower()
    if path.is_file():
        present = load_kit(path) if isinstance(record, Kit) else load_site(path)
        if present.name != record.name:
            raise UsageError(
                f"{path} holds the {word} “{present.name}”, not “{record.name}”",
                f"write “{record.name}” to a file of its own first: slowglass {word} "
                f'"{record.name}" --write FILE; then name that file',
            )
    if isinstance(record, Kit):
        return write_kit(record, path, replace=True)
    return write_site(record, path, replace=True)
