"""The parts of ``slowglass learn`` that look into the logbook, keep it safe and take it along."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from slowglass.cli.common import (
    JsonOption,
    console,
    open_workbench,
    or_dash,
    print_document,
    progress,
    table,
)

KINDS = ("frame", "plan", "picture", "note", "measurement")


def add_to(app: typer.Typer) -> None:
    """Give the sub-commands of this module to ``slowglass learn``."""
    app.command("frames")(frames)
    app.command("note")(note)
    app.command("notes")(notes)
    app.command("remove")(remove)
    app.command("backup")(backup)
    app.command("write")(write)
    app.command("read")(read)


ObjectOption = Annotated[
    str | None, typer.Option("--object", metavar="NAME", help="Of this object.")
]


def frames(
    thing: ObjectOption = None,
    night: Annotated[
        str | None, typer.Option("--night", metavar="YYYY-MM-DD", help="Of this evening.")
    ] = None,
    since: Annotated[
        str | None, typer.Option("--since", metavar="YYYY-MM-DD", help="From this evening on.")
    ] = None,
    until: Annotated[
        str | None, typer.Option("--until", metavar="YYYY-MM-DD", help="Up to this evening.")
    ] = None,
    keepers: Annotated[bool, typer.Option("--keepers", help="Only frames worth stacking.")] = False,
    kind: Annotated[
        str, typer.Option("--kind", metavar="KIND", help="light, dark, flat, bias or any.")
    ] = "light",
    fwhm_below: Annotated[
        float | None, typer.Option("--fwhm-below", metavar="ARCSEC", help="Stars narrower than.")
    ] = None,
    elongation_below: Annotated[
        float | None, typer.Option("--elongation-below", metavar="RATIO", help="Rounder than.")
    ] = None,
    darker_than: Annotated[
        float | None,
        typer.Option("--darker-than", metavar="MAG", help="Sky darker than, mag/arcsec²."),
    ] = None,
    reaching: Annotated[
        float | None,
        typer.Option("--reaching", metavar="MAG", help="Whose faintest stars are of MAG or below."),
    ] = None,
    near: Annotated[
        str | None, typer.Option("--near", metavar="PLACE", help='Around an object or "RA DEC".')
    ] = None,
    radius_deg: Annotated[
        float, typer.Option("--radius", metavar="DEG", min=0.01, max=90.0, help="How far around.")
    ] = 1.0,
    text: Annotated[
        str | None, typer.Option("--file", metavar="TEXT", help="Part of the file's name.")
    ] = None,
    limit: Annotated[
        int | None, typer.Option("--limit", metavar="N", min=1, help="At most so many.")
    ] = None,
    removed: Annotated[bool, typer.Option("--removed", help="Show removed ones instead.")] = False,
    output: Annotated[
        Path | None,
        typer.Option("-o", "--output", metavar="FILE", help="Write them: .csv or .ecsv."),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """List logged frames that answer every condition given."""
    from slowglass.learn.logbook.exchange import write_logbook
    from slowglass.learn.logbook.records import FrameQuery

    if kind not in ("light", "dark", "flat", "bias", "unknown", "any"):
        raise typer.BadParameter(f"{kind}: use light, dark, flat, bias or any", param_hint="--kind")
    with progress() as report:
        bench = open_workbench(report=report)
        place = None if near is None else bench.place(near)
        query = FrameQuery(
            object=None if thing is None else bench.sky.objects.get(thing).id,
            evening=_evening(night),
            since=_evening(since),
            until=_evening(until),
            kind=None if kind == "any" else kind,
            keeper=True if keepers else None,
            fwhm_below_arcsec=fwhm_below,
            elongation_below=elongation_below,
            sky_darker_than=darker_than,
            reaching_mag=reaching,
            near=None if place is None else (place.ra_deg, place.dec_deg, radius_deg),
            text=text,
            removed=removed,
            limit=limit,
        )
        found = bench.logbook.frames(query)
    if output is not None:
        write_logbook(bench.logbook, output, query)
    if as_json:
        print_document(found)
        return
    if not found:
        console().print("No logged frame answers that.")
        raise typer.Exit(1)
    shown = table(f"{len(found)} frames", "no.", "UTC", "object", "time", "FWHM",
                  "long", "sky", "reaches", "S/N", "kept", "file",
                  right=(0, 3, 4, 5, 6, 7, 8))  # fmt: skip
    for frame in found:
        shown.add_row(
            str(frame.id), (frame.start_utc or "–")[:16].replace("T", " "),
            frame.object or "–", or_dash(frame.exposure_s, "g", " s"),
            or_dash(frame.fwhm_arcsec, ".1f", "″"), or_dash(frame.elongation, ".2f"),
            or_dash(frame.sky_mag_arcsec2, ".2f"), or_dash(frame.faintest_mag, ".1f"),
            or_dash(frame.snr, ".0f"),
            "yes" if frame.keeper else "no", Path(frame.file).name,
        )  # fmt: skip
    console().print(shown)
    if output is not None:
        console().print(f"Saved {output}")


def note(
    text: Annotated[str, typer.Argument(metavar="TEXT", help="What to remember.")],
    night: Annotated[
        str | None, typer.Option("--night", metavar="YYYY-MM-DD", help="The evening; else tonight.")
    ] = None,
    thing: ObjectOption = None,
    as_json: JsonOption = False,
) -> None:
    """Write a note about a night or an object."""
    from slowglass.learn.logbook.records import LoggedNote, Night

    with progress() as report:
        bench = open_workbench(report=report)
        evening = _evening(night) or bench.tonight().isoformat()
        night_id = bench.logbook.night(Night(evening, bench.site.name, bench.kit.name))
        name = None if thing is None else bench.sky.objects.get(thing).id
        number = bench.logbook.add(LoggedNote(text, object=name, night_id=night_id))
    if as_json:
        print_document({"note": number, "night": evening, "object": name})
    else:
        console().print(f"Note {number} written for the night of {evening}.")


def notes(thing: ObjectOption = None, as_json: JsonOption = False) -> None:
    """List the notes."""
    from slowglass.learn.logbook.records import LoggedNote, Night

    with progress() as report:
        bench = open_workbench(report=report)
        name = None if thing is None else bench.sky.objects.get(thing).id
        found = bench.logbook.all(LoggedNote, object=name)
        evenings = {n.id: n.evening for n in bench.logbook.all(Night)}
    if as_json:
        print_document([{"note": n, "night": evenings.get(n.night_id)} for n in found])
        return
    shown = table("Notes", "no.", "night", "object", "note", right=(0,))
    for one in found:
        shown.add_row(str(one.id), evenings.get(one.night_id, "–"), one.object or "–", one.text)
    console().print(shown)


def remove(
    kind: Annotated[str, typer.Argument(metavar="KIND", help=f"One of {', '.join(KINDS)}.")],
    number: Annotated[int, typer.Argument(metavar="NUMBER", help="Its number in the lists.")],
    undo: Annotated[bool, typer.Option("--undo", help="Bring it back.")] = False,
) -> None:
    """Take an entry out of the lists; it stays in the file and can be brought back."""
    from slowglass.learn.logbook.records import (
        LoggedFrame,
        LoggedMeasurement,
        LoggedNote,
        LoggedPicture,
        LoggedPlan,
    )

    records = dict(
        zip(
            KINDS,
            (LoggedFrame, LoggedPlan, LoggedPicture, LoggedNote, LoggedMeasurement),
            strict=True,
        )
    )
    if kind not in records:
        raise typer.BadParameter(f"{kind}: use one of {', '.join(KINDS)}", param_hint="KIND")
    bench = open_workbench()
    bench.logbook.remove(records[kind], number, undo=undo)
    word = "is back" if undo else f"is out of the lists; undo: slowglass learn remove {kind} "
    console().print(f"{kind} {number} {word}" + ("" if undo else f"{number} --undo"))


def backup(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="Where the copy goes.")],
) -> None:
    """Copy the whole logbook into one file, also while it is in use."""
    from slowglass.learn.logbook.backup import back_up

    bench = open_workbench()
    console().print(f"Saved {back_up(bench.logbook.engine, file)}")


def write(
    file: Annotated[
        Path, typer.Argument(metavar="FILE", help=".json (everything), .csv or .ecsv (frames).")
    ],
) -> None:
    """Write the logbook in an open format."""
    from slowglass.learn.logbook.exchange import write_logbook

    bench = open_workbench()
    console().print(f"Saved {file}: {write_logbook(bench.logbook, file)} entries.")


def read(
    file: Annotated[
        Path, typer.Argument(metavar="FILE", help="A .json, .csv or .ecsv written before.")
    ],
) -> None:
    """Bring entries of another logbook in; what is there already stays as it is."""
    from slowglass.learn.logbook.exchange import read_logbook

    bench = open_workbench()
    taken = read_logbook(bench.logbook, file)
    console().print(f"{taken.new} new entries, {taken.known} were there already.")


def _evening(text: str | None) -> str | None:
    """A date as the logbook writes it; a clear error for anything else."""
    if text is None:
        return None
    from datetime import date

    from slowglass.errors import UsageError

    try:
        return date.fromisoformat(text).isoformat()
    except ValueError:
        raise UsageError(f"{text} is no date", "write it like 2026-10-12") from None
