"""``slowglass choose``: what is worth an exposure tonight, and why."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime
from pathlib import Path
from typing import Annotated, Any

import typer

from slowglass.cli.common import (
    JsonOption,
    KitOption,
    SiteOption,
    console,
    open_workbench,
    or_dash,
    print_document,
    progress,
    table,
)
from slowglass.cli.words import clock_text
from slowglass.cli.year import show_year
from slowglass.documents import document
from slowglass.errors import NothingUseful, UnreadableFile, UsageError


def choose(
    night: Annotated[
        str | None,
        typer.Option("--night", metavar="YYYY-MM-DD", help="Evening's date; else the coming one."),
    ] = None,
    limit: Annotated[
        int, typer.Option("--limit", metavar="N", min=1, max=14000, help="At most so many objects.")
    ] = 20,
    kinds: Annotated[
        list[str] | None,
        typer.Option(
            "--type", metavar="KIND", help="Only this kind: globular, double, …; may be repeated."
        ),
    ] = None,
    constellations: Annotated[
        list[str] | None,
        typer.Option("--constellation", metavar="NAME", help="Only in this one; may be repeated."),
    ] = None,
    between: Annotated[
        str | None,
        typer.Option("--between", metavar="HH:MM-HH:MM", help="Only these hours, local time."),
    ] = None,
    without: Annotated[
        list[str] | None,
        typer.Option(
            "--without",
            metavar="NAME|FILE",
            help="Leave out this object, or all that a text file lists; may be repeated.",
        ),
    ] = None,
    new: Annotated[
        bool, typer.Option("--new", help="Leave out what the logbook has photographed.")
    ] = False,
    year: Annotated[
        str | None,
        typer.Option(
            "--year", metavar="NAME", help="The best nights of a year for this object instead."
        ),
    ] = None,
    output: Annotated[
        Path | None,
        typer.Option(
            "-o",
            "--output",
            metavar="FILE",
            help="With --year: best nights as a calendar (.ics), or a chart (.svg, .png, .pdf).",
        ),
    ] = None,
    kit: KitOption = None,
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Choose what to expose in a night.

    Every object is asked four questions: does it fit the frame, does it show in an exposure,
    does the mount hold it, can it be reached. The best come first, each with its reason.
    """
    evening = _evening(night)
    if year is not None:
        if kinds or constellations or between or without or new:
            raise UsageError("--year looks at one object", "leave out the options that narrow")
        show_year(year, evening, limit, output, kit=kit, site=site, as_json=as_json)
        return
    if output is not None:
        raise UsageError("-o writes a year", "give --year NAME with it")
    with progress() as report:
        bench = open_workbench(kit, site, report)
        choice = bench.choose(
            night=evening,
            limit=limit,
            kinds=kinds or (),
            constellations=constellations or (),
            between=between,
            photographed=names_in(without or ()),
            new=new,
            report=report,
        )
    found = document(choice)
    if as_json:
        print_document(found)
    else:
        _show(found, bench.site.timezone, f"{bench.kit.name} at {bench.site.name}")
    if not found["objects"]:
        raise NothingUseful(
            found["reason"] or f"no object is worth an exposure in the night of {found['night']}",
            "try another --night",
        )


def names_in(given: Iterable[str]) -> list[str]:
    """Names as given, those of files read from them: one on each line or between commas."""
    names: list[str] = []
    for text in given:
        path = Path(text).expanduser()
        if not path.is_file():
            names.append(text)
            continue
        try:
            lines = path.read_text(encoding="utf-8-sig").splitlines()
        except (OSError, UnicodeDecodeError) as error:
            raise UnreadableFile(path, f"cannot be read as text ({error})") from None
        names += [part.strip() for line in lines for part in line.split("#")[0].split(",")]
    return [name for name in names if name]


def _evening(text: str | None) -> date | None:
    if text is None:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise UsageError(f"--night {text!r} is no date", "write it as 2026-11-25") from None


def _show(found: dict[str, Any], timezone: str, where: str) -> None:
    out = console()
    moon = found["moon"]
    dark = "no darkness"
    if found["dark_from"] and found["dark_to"]:
        dark = f"dark {_clock(found['dark_from'], timezone)}–{_clock(found['dark_to'], timezone)}"
    out.print(
        f"Night of {found['night']}, {where}: {dark}, "
        f"Moon {moon['illuminated_fraction']:.0%} lit, {moon['text']}{_moonless(found, timezone)}"
    )
    if found["limits"]:
        out.print(f"Asked for: {found['limits']}.")
    if found["note"]:
        out.print(f"Note: {found['note']}.")
    rows = table(
        "", "object", "kind", "best", "high", "up", "S/N", "round", "frame", "score",
        right=(2, 3, 4, 5, 6, 7, 8),
    )  # fmt: skip
    for thing in found["objects"]:
        reach, shows, holds, fits = (thing[k] for k in ("reachable", "shows", "holds", "fits"))
        rows.add_row(
            thing["name"],
            thing["type"],
            _clock(reach["best_time"], timezone),
            or_dash(reach["altitude_deg"], ".0f", "°"),
            _hours(reach["minutes_up"]),
            or_dash(shows["snr_single"], ".0f"),
            or_dash(holds["keeper_fraction"], ".0%"),
            or_dash(fits["fraction"], ".0%"),
            or_dash(thing["score"], ".2f"),
        )
    if not found["objects"]:
        return
    out.print(rows)
    out.print("S/N: of one exposure. Round: share of exposures the mount keeps round.\n")
    for thing in found["objects"][:3]:
        out.print(f"{thing['name']}: {thing['reason']}")


def _moonless(found: dict[str, Any], timezone: str) -> str:
    """When it is dark without the Moon, where that is not the whole darkness."""
    begin, end = found["moonless_from"], found["moonless_to"]
    if begin is None or (begin, end) == (found["dark_from"], found["dark_to"]):
        return ""
    return f", moonless {_clock(begin, timezone)}–{_clock(end, timezone)}"


def _hours(minutes: float | None) -> str:
    return "–" if minutes is None else f"{minutes / 60:.1f} h"


def _clock(moment: str | None, timezone: str) -> str:
    if moment is None:
        return "–"
    return clock_text(datetime.fromisoformat(moment), timezone)
