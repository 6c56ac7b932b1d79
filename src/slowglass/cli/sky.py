"""``slowglass sky``: the star and object data, and questions to it."""

from __future__ import annotations

from typing import Annotated

import typer

from slowglass.cli import deepen, orbits, own
from slowglass.cli.common import (
    JsonOption,
    console,
    facts,
    open_workbench,
    or_dash,
    print_document,
    progress,
    table,
)
from slowglass.cli.words import place_text

app = typer.Typer(
    help="Ask the star and object data.",
    invoke_without_command=True,
    add_completion=False,
    rich_markup_mode=None,
)
app.command("deepen")(deepen.deepen)
app.command("add")(own.add)
app.command("forget")(deepen.forget)
app.command("orbits")(orbits.orbits)


@app.callback()
def status(context: typer.Context, as_json: JsonOption = False) -> None:
    """Ask the star and object data.

    Alone it shows which data is there.
    """
    if context.invoked_subcommand is not None:
        return
    from slowglass.sky.deep_store import DeepStore
    from slowglass.sky.own_store import OwnStore

    with progress() as report:
        sky = open_workbench(report=report).sky
    deeper, mine = DeepStore().summary(), OwnStore().summary()
    stars, objects, named = len(sky.stars), len(sky.objects), len(sky.named_stars.all())
    if as_json:
        print_document(
            {
                "stars": stars,
                "objects": objects,
                "named_stars": named,
                "packages": sky.meta["packages"],
                "folder": sky.folder,
                "deeper": deeper,
                "own": mine,
            }
        )
        return
    rows = [
        ("stars", f"{stars:,}".replace(",", " ")),
        ("objects", f"{objects:,}".replace(",", " ")),
        ("stars with names", str(named)),
        ("kept in", str(sky.folder)),
        ("deeper stars", deepen.store_text(deeper)),
        ("own stars", own.own_text(mine)),
    ]
    rows += [(f"from {name}", version) for name, version in sky.meta["packages"].items()]
    console().print(facts("Sky data", rows))


@app.command("near")
def near(
    place: Annotated[str, typer.Argument(metavar="PLACE", help='Object, star or "RA DEC".')],
    radius_deg: Annotated[
        float, typer.Option("--radius", metavar="DEG", min=0.01, max=20.0, help="How far to look.")
    ] = 1.0,
    limit: Annotated[
        int, typer.Option("--limit", metavar="N", min=1, max=1000, help="At most so many stars.")
    ] = 15,
    as_json: JsonOption = False,
) -> None:
    """List the brightest stars and the objects around a place."""
    from slowglass.sky.service import surroundings

    with progress() as report:
        bench = open_workbench(report=report)
        around = surroundings(bench.place(place), bench.sky, radius_deg=radius_deg, limit=limit)
    if as_json:
        print_document(around)
        return
    out = console()
    stars = table(f"Stars within {radius_deg:g}° of {place}", "star", "mag", "away", "where",
                  right=(1, 2))  # fmt: skip
    for star in around.stars:
        stars.add_row(
            star.name,
            f"{star.mag:.1f}",
            f"{star.distance_deg * 60:.0f}′",
            place_text(star.ra_deg, star.dec_deg),
        )
    out.print(stars)
    if around.objects:
        objects = table("Objects", "object", "kind", "mag", "size", "away", right=(2, 3, 4))
        for found in around.objects:
            thing = found.object
            objects.add_row(
                thing.title,
                thing.kind,
                or_dash(thing.mag, ".1f"),
                or_dash(thing.major_arcmin, ".1f", "′"),
                f"{found.distance_deg * 60:.0f}′",
            )
        out.print(objects)


@app.command("look")
def look(
    name: Annotated[str, typer.Argument(metavar="NAME", help="Object or star.")],
    as_json: JsonOption = False,
) -> None:
    """Show what is known of one object or star."""
    with progress() as report:
        place = open_workbench(report=report).place(name)
    if as_json:
        print_document(place)
        return
    thing = place.object
    rows = [("place (ICRS)", place_text(place.ra_deg, place.dec_deg))]
    if thing is not None:
        rows += [
            ("kind", f"{thing.kind} in {thing.constellation}"),
            ("magnitude (V)", or_dash(thing.mag, ".1f")),
            ("size", _size(thing.major_arcmin, thing.minor_arcmin)),
            ("surface", or_dash(thing.surface_brightness_mag_arcsec2, ".1f", " mag/arcsec²")),
            ("also", ", ".join((thing.id, *thing.aliases))),
        ]
    console().print(facts(thing.title if thing is not None else place.name, rows))


def _size(major_arcmin: float | None, minor_arcmin: float | None) -> str:
    if major_arcmin is None:
        return "–"
    return f"{major_arcmin:.1f}′ × {(minor_arcmin or major_arcmin):.1f}′"
