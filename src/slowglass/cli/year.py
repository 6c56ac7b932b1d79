"""What ``slowglass choose --year`` shows: a year of nights for one object."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path

from slowglass.cli.common import console, open_workbench, or_dash, print_document, progress, table
from slowglass.cli.words import clock_text
from slowglass.documents import document
from slowglass.errors import NothingUseful


def show_year(
    name: str,
    first: date | None,
    limit: int,
    output: Path | None,
    *,
    kit: str | None,
    site: str | None,
    as_json: bool,
) -> None:
    """Print the best nights for an object in the year from an evening on."""
    with progress() as report:
        bench = open_workbench(kit, site, report)
        plan = bench.choose_year(name, first=first, limit=limit, output=output, report=report)
    found = {**document(plan), "outputs": [str(output)] if output is not None else []}
    if as_json:
        print_document(found)
    if not found["best"]:
        raise NothingUseful(found["reason"], "try another object, or a place with a lower skyline")
    if as_json:
        return
    from slowglass.choose.year_service import year_strip

    out = console()
    first_night, last_night = plan.nights[0].night, plan.nights[-1].night
    out.print(f"{plan.name} from {plan.site} with {plan.kit}, {first_night} to {last_night}")
    out.print(f"|{year_strip(plan.nights)}|")
    out.print(plan.text)
    rows = table(
        "", "night", "best", "high", "dark", "Moon down", "Moon lit", "worth", right=(2, 3, 4, 5, 6)
    )
    for night in found["best"]:
        rows.add_row(
            night["night"],
            clock_text(datetime.fromisoformat(night["best_time"]), plan.timezone),
            or_dash(night["altitude_deg"], ".0f", "°"),
            or_dash(night["hours_up"], ".1f", " h"),
            or_dash(night["moonless_hours"], ".1f", " h"),
            or_dash(night["moon_fraction"], ".0%"),
            or_dash(night["worth_hours"], ".1f", " h"),
        )
    out.print(rows)
    out.print("Worth: hours with the object at its highest in a moonless sky that do as much.")
    if output is not None:
        out.print(f"Saved {output}")
