"""``slowglass sky orbits``: comets and asteroids that a person keeps elements of."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from slowglass.cli.common import JsonOption, console, or_dash, print_document, saved, table
from slowglass.cli.words import place_text
from slowglass.errors import NothingUseful, UsageError


def orbits(
    file: Annotated[
        Path | None,
        typer.Argument(
            metavar="[FILE]", help="Keep the orbits of this file in place of those before."
        ),
    ] = None,
    forget: Annotated[bool, typer.Option("--forget", help="Remove the orbits kept.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Keep comets and asteroids from a file of orbital elements.

    One body on each line, in the Minor Planet Center's format for comets or for minor planets.
    They are then chosen, found and exposed like any object.
    """
    from slowglass.sky.wanderers import forget_orbits, keep_orbits, kept_bodies, orbits_file

    if forget and file is not None:
        raise UsageError("--forget with a file", "give one or the other")
    removed = forget_orbits() if forget else False
    if file is not None:
        keep_orbits(file)
    bodies = kept_bodies(datetime.now(UTC).timestamp())
    if as_json:
        print_document({"orbits": bodies, "file": orbits_file(), "removed": removed})
    elif removed:
        console().print("The orbits are removed.")
    if not bodies and not removed:
        raise NothingUseful("no orbits are kept", "give a file with one body on each line")
    if as_json or not bodies:
        return
    out = console()
    shown = table("", "body", "kind", "now at", "magnitude", "elements", right=(3,))
    for body in bodies:
        shown.add_row(
            body.object.name,
            body.object.kind,
            place_text(body.object.ra_deg, body.object.dec_deg),
            or_dash(body.object.mag, ".1f"),
            f"{body.aged_years:.1f} years from their epoch",
        )
    out.print(shown)
    out.print(saved([orbits_file()]) if file is not None else f"Kept in {orbits_file()}")
