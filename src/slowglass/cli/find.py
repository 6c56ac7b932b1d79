"""``slowglass find``: the star-hop to an object, in words, as charts and as printed sheets."""

from __future__ import annotations

from datetime import datetime
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from slowglass.cli.common import (
    JsonOption,
    KitOption,
    SiteOption,
    console,
    numbered,
    open_workbench,
    print_document,
    progress,
    saved,
)
from slowglass.documents import document
from slowglass.errors import NothingUseful, UsageError

if TYPE_CHECKING:
    from slowglass.find.result import Route
    from slowglass.workbench import Workbench


class Plate(StrEnum):
    """Charts of a route, one by one."""

    EYE = "eye"
    HOP = "hop"
    FIELD = "field"
    FRAME = "frame"


class Seen(StrEnum):
    """How the picture stands in what one looks through."""

    ERECT = "erect"
    INVERTED = "inverted"
    MIRRORED = "mirrored"
    CAMERA = "camera"


class Paper(StrEnum):
    """Sizes of printed pages."""

    A4 = "a4"
    LETTER = "letter"


def find(
    names: Annotated[
        list[str],
        typer.Argument(metavar="NAME", help='Object, star or "RA DEC"; several with --sheet.'),
    ],
    from_star: Annotated[
        str | None,
        typer.Option("--from", metavar="STAR", help="Star to start from; else the best one."),
    ] = None,
    output: Annotated[
        Path | None,
        typer.Option("-o", "--output", metavar="FILE", help="Chart to write: .pdf, .svg or .png."),
    ] = None,
    at: Annotated[
        datetime | None,
        typer.Option(
            "--at",
            metavar="TIME",
            formats=["%Y-%m-%dT%H:%M", "%Y-%m-%d %H:%M"],
            help='The site\'s clock, as "2026-10-10 22:30"; else now, or the best of the night.',
        ),
    ] = None,
    plate: Annotated[
        Plate | None,
        typer.Option(
            "--plate", help="One chart alone: by eye, the hop, the eyepiece field, the frame."
        ),
    ] = None,
    seen: Annotated[
        Seen, typer.Option("--seen", help="How the view stands: see the guide to finding.")
    ] = Seen.ERECT,
    angle_deg: Annotated[
        float | None,
        typer.Option(
            "--angle", metavar="DEG", help="Position angle of the frame's long side, 0 to 360."
        ),
    ] = None,
    red: Annotated[bool, typer.Option("--red", help="Draw for red light: red on black.")] = False,
    frame: Annotated[
        Path | None,
        typer.Option(
            "--frame", metavar="FILE", help="Frame just taken: say how to get from there on."
        ),
    ] = None,
    sheet: Annotated[
        bool, typer.Option("--sheet", help="Write the night sheet: one printed page an object.")
    ] = False,
    night: Annotated[
        datetime | None,
        typer.Option(
            "--night",
            metavar="DATE",
            formats=["%Y-%m-%d"],
            help="Evening's date for --sheet; else the coming night.",
        ),
    ] = None,
    paper: Annotated[Paper, typer.Option("--paper", help="Page size for --sheet.")] = Paper.A4,
    kit: KitOption = None,
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Find an object by hopping from a star.

    The hop starts at a star seen with the naked eye and goes leg by leg, each a move you can
    make and check in the eyepiece or finder. No motors are needed.
    """
    targets = _joined(names)
    if angle_deg is not None and not 0.0 <= angle_deg <= 360.0:
        raise UsageError(f"--angle {angle_deg:g} is outside 0 to 360", "give degrees from north")
    if not sheet and len(targets) > 1:
        raise UsageError(
            f"{len(targets)} objects: {', '.join(targets)}", "ask for one, or add --sheet -o FILE"
        )
    if not sheet and night is not None:
        raise UsageError("--night goes with --sheet", "give --at for the hour of a hop")
    if sheet and (plate is not None or at is not None):
        raise UsageError("--sheet has its own charts and hours", "leave --plate and --at out")
    if frame is not None:
        if sheet or plate is not None or at is not None or from_star is not None:
            raise UsageError("--frame tells the way from a frame alone", "leave the others out")
        _aim(targets[0], frame, output, angle_deg, kit, site, red=red, as_json=as_json)
        return
    with progress() as report:
        bench = open_workbench(kit, site, report)
        outputs: list[Path] = []
        if sheet:
            from slowglass.sheets.plan import SheetWish

            if output is None:
                raise UsageError("--sheet needs a file to write", "add -o FILE.pdf")
            wish = SheetWish(
                night=None if night is None else night.date(),
                paper=paper.value,
                style="night" if red else "paper",
                view=seen.value,
                camera_angle_deg=angle_deg,
                from_star=from_star,
            )
            path, routes = bench.night_sheets(targets, output, wish=wish, report=report)
            outputs.append(path)
        else:
            route = bench.find(targets[0], from_star=from_star, when=bench.local(at))
            routes = (route,)
            if output is not None and (route.legs or plate in (Plate.FIELD, Plate.FRAME)):
                outputs.append(_chart(bench, route, output, plate, seen, angle_deg, red=red))
    if as_json:
        first = document(routes[0])
        if len(routes) > 1:
            first["others"] = [document(other) for other in routes[1:]]
        print_document({**first, "outputs": [path.absolute() for path in outputs]})
    else:
        if not sheet:
            _show(routes[0])
        if outputs:
            console().print(saved(outputs))
    if not routes[0].legs and not outputs:
        gap = routes[0].reason.startswith("no chain")
        raise NothingUseful(routes[0].reason, "try another star with --from" if gap else "")


def _aim(
    target: str,
    frame: Path,
    output: Path | None,
    angle_deg: float | None,
    kit: str | None,
    site: str | None,
    *,
    red: bool,
    as_json: bool,
) -> None:
    with progress() as report:
        bench = open_workbench(kit, site, report)
        step = bench.aim(
            target,
            frame,
            camera_angle_deg=angle_deg,
            chart=output,
            style="night" if red else "paper",
        )
    outputs = [] if output is None else [output.absolute()]
    if as_json:
        print_document({"target": target, "nudge": step, "outputs": outputs})
        return
    console().print(step.text)
    if outputs:
        console().print(saved(outputs))


def _chart(
    bench: Workbench,
    route: Route,
    output: Path,
    plate: Plate | None,
    seen: Seen,
    angle_deg: float | None,
    *,
    red: bool,
) -> Path:
    from slowglass.find.plates import ChartWish

    return bench.chart(
        route,
        output,
        style="night" if red else "paper",
        plate=None if plate is None else plate.value,
        wish=ChartWish(seen.value, angle_deg),
    )


def _joined(words: list[str]) -> list[str]:
    """Names as given, with "NGC 253" put together when it was typed without quotes."""
    names: list[str] = []
    for word in words:
        bare = names and names[-1].isalpha() and word[:1].isdigit()
        if bare:
            names[-1] = f"{names[-1]} {word}"
        else:
            names.append(word)
    return names


def _show(route: Route) -> None:
    out = console()
    if route.note:
        out.print(f"Note: {route.note}.")
    if not route.legs:
        return
    title = route.object.title if route.object is not None else route.target
    out.print(f"To {title}, with the {route.field_name} of {route.field_deg * 60:.0f}′:")
    out.print(numbered([route.anchor_text, *(leg.text for leg in route.legs)]))
    from slowglass.find.result import moves_words

    others = [f"{moves_words(other)} from {other.anchor_title}" for other in route.alternatives]
    if others:
        out.print(f"Other starts: {'; '.join(others)}.")
    for aid in (route.sight_line, route.drift, route.circles):
        if aid is not None:
            out.print(aid.text)
