"""``slowglass kit weigh``: what kits are good for over a year, side by side."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from slowglass.cli.common import (
    JsonOption,
    SiteOption,
    console,
    facts,
    numbered,
    open_workbench,
    print_document,
    progress,
    saved,
    table,
)
from slowglass.documents import document

if TYPE_CHECKING:
    from rich.console import Console


def weigh(
    kits: Annotated[
        list[str], typer.Argument(metavar="KIT", help="Kit files or built-in kits to weigh.")
    ],
    output: Annotated[
        Path | None,
        typer.Option("-o", "--output", metavar="FILE", help="Draw the counts: .svg, .png, .pdf."),
    ] = None,
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Weigh kits: can they take decent pictures, and of what?

    Every object of a known size is asked at its best moonless hours of the coming year: done well
    in one exposure, in one night, or never, and why. Kits are set side by side.
    """
    with progress() as report:
        bench = open_workbench(kits[0], site, report)
        weighing = bench.weigh(kits, output=output, report=report)
    found = {**document(weighing), "outputs": [str(output)] if output is not None else []}
    if as_json:
        print_document(found)
        return
    out = console()
    out.print(f"{found['site']}, a year from {found['first_night']}\n{found['text']}")
    out.print(_side_by_side(found["kits"]))
    for kit in found["kits"]:
        _show(out, kit, alone=len(found["kits"]) == 1)
    if output is not None:
        out.print(saved([output]))


def _side_by_side(kits: list[dict[str, Any]]) -> Any:
    from slowglass.choose.compare import FACTS

    rows = table("", "", *(kit["facts"]["name"] for kit in kits), right=(*range(1, len(kits) + 1),))

    def row(name: str, form: str, key: str, unit: str = "") -> None:
        values = (kit["facts"][key] for kit in kits)
        rows.add_row(name, *("–" if v is None else f"{v:{form}}{unit}" for v in values))

    if any(kit["facts"]["price"] is not None for kit in kits):
        row("price", ",.0f", "price")
    for name, key, digits, unit in FACTS:
        row(name, f".{digits}f", key, unit)
    for number, count in enumerate(kits[0]["classes"]):
        cells = (kit["classes"][number] for kit in kits)
        rows.add_row(
            f"{count['name']}, {count['up']} of {count['total']} come up",
            *(f"{c['one_exposure']} + {c['one_night']}" for c in cells),
        )
    rows.add_row("objects done well", *(str(kit["done"]) for kit in kits))
    rows.caption = "Objects: done in one exposure + in one night."
    return rows


def _show(out: Console, kit: dict[str, Any], *, alone: bool) -> None:
    words = [kit["wins"], kit["loses"]] if alone else [kit["verdict"], kit["wins"], kit["loses"]]
    out.print(f"{kit['facts']['name']}: {' '.join(word for word in words if word)}")
    best = [(thing["title"], f"{thing['kind']}, {thing['text']}") for thing in kit["best"]]
    if best:
        out.print(facts(f"Best of the year for {kit['facts']['name']}", best))
    if kit["changes"]:
        out.print(f"What one change to {kit['facts']['name']} would open up:")
        out.print(numbered([f"{change['text']}." for change in kit["changes"]]))
        out.print()
