"""``slowglass find``: the star-hop to an object, in words and as a chart."""

from __future__ import annotations

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
from slowglass.errors import NothingUseful

if TYPE_CHECKING:
    from slowglass.find.service import Route


def find(
    name: Annotated[str, typer.Argument(metavar="NAME", help='Object, star or "RA DEC".')],
    from_star: Annotated[
        str | None,
        typer.Option("--from", metavar="STAR", help="Star to start from; else the best one."),
    ] = None,
    output: Annotated[
        Path | None,
        typer.Option("-o", "--output", metavar="FILE", help="Chart to write: .pdf, .svg or .png."),
    ] = None,
    kit: KitOption = None,
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Find an object by hopping from a star.

    The hop starts at a star seen with the naked eye and goes leg by leg, each a move you can
    make and check in the eyepiece or finder. No motors are needed.
    """
    with progress() as report:
        bench = open_workbench(kit, site, report)
        route = bench.find(name, from_star=from_star)
        outputs = []
        if output is not None and route.legs:
            outputs.append(bench.chart(route, output))
    if as_json:
        print_document({**document(route), "outputs": [path.absolute() for path in outputs]})
    else:
        _show(route)
        if outputs:
            console().print(saved(outputs))
    if not route.legs:
        raise NothingUseful(route.reason, "try another star with --from")


def _show(route: Route) -> None:
    out = console()
    if route.note:
        out.print(f"Note: {route.note}.")
    if not route.legs:
        return
    title = route.object.title if route.object is not None else route.target
    out.print(f"To {title}, with the {route.field_name} of {route.field_deg * 60:.0f}′:")
    out.print(numbered([route.anchor_text, *(leg.text for leg in route.legs)]))
