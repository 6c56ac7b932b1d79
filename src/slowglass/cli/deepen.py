"""``slowglass sky deepen`` and ``sky forget``: fainter stars, fetched once while online."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from slowglass.cli.common import (
    JsonOption,
    KitOption,
    SiteOption,
    console,
    facts,
    open_workbench,
    print_document,
    progress,
)
from slowglass.errors import Cancelled, NothingUseful, UsageError

if TYPE_CHECKING:
    from slowglass.sky.deep_store import StoreSummary
    from slowglass.sky.deepen import DeepenPlan

YesOption = Annotated[bool, typer.Option("--yes", help="Go on without asking.")]


def deepen(
    places: Annotated[
        list[str] | None, typer.Argument(metavar="PLACE", help='Objects, stars or "RA DEC".')
    ] = None,
    radius_deg: Annotated[
        float,
        typer.Option("--radius", metavar="DEG", min=0.1, max=30.0, help="How far round each."),
    ] = 2.0,
    to_mag: Annotated[
        float,
        typer.Option("--to-mag", metavar="G", min=10.5, max=18.0, help="Faintest stars to fetch."),
    ] = 14.0,
    tonight: Annotated[
        bool, typer.Option("--tonight", help="Round the best objects of the coming night.")
    ] = False,
    plan_of: Annotated[
        Path | None,
        typer.Option(
            "--plan", metavar="FOLDER", help="Round every object pinned in a night's folder."
        ),
    ] = None,
    limit: Annotated[
        int,
        typer.Option("--limit", metavar="N", min=1, max=500, help="With --tonight: how many."),
    ] = 10,
    all_sky: Annotated[bool, typer.Option("--all-sky", help="The whole sky.")] = False,
    service: Annotated[
        str | None,
        typer.Option(
            "--service",
            metavar="URL",
            help="TAP service of a Gaia archive; else SLOWGLASS_TAP, else ESA's.",
        ),
    ] = None,
    kit: KitOption = None,
    site: SiteOption = None,
    yes: YesOption = False,
    as_json: JsonOption = False,
) -> None:
    """Fetch fainter stars from the Gaia archive, for frames too small for the packaged ones.

    Needs a network, once. Tiles already fetched are not fetched again, so the same command goes
    on where it stopped. Judge and finish then use the fainter stars by themselves.
    """
    from slowglass.sky.archive import service_url
    from slowglass.sky.deep_store import DeepStore
    from slowglass.sky.deepen import deepen as fetch
    from slowglass.sky.deepen import plan_deepening

    if bool(places) + tonight + all_sky + (plan_of is not None) != 1:
        raise UsageError(
            "say where to deepen in one way",
            "name places (slowglass sky deepen M15 M57), or give --plan, --tonight or --all-sky",
        )
    url = service_url(service)
    store = DeepStore()
    with progress() as report:
        where = None
        if not all_sky:
            bench = open_workbench(kit, site, report)
            names = places or []
            if plan_of is not None:
                names = _pinned(plan_of)
            if tonight:
                names = [thing.object.id for thing in bench.choose(limit=limit).objects]
                if not names:
                    raise NothingUseful(
                        "no object is worth an exposure tonight", "name places instead"
                    )
            where = [bench.place(name) for name in names]
        plan = plan_deepening(where, radius_deg=radius_deg, to_mag=to_mag, store=store)
    if plan.to_fetch and not yes:
        _ask(plan, url)
    with progress() as report:
        done = fetch(plan, store=store, url=url, report=report)
    if as_json:
        print_document(done)
        return
    rows = [
        ("to magnitude (G)", f"{done.to_mag:g}"),
        ("tiles", f"{done.tiles}: {done.tiles_fetched} fetched, {done.tiles_kept} already there"),
        ("stars in them", f"{done.stars:,}".replace(",", " ")),
        ("size", f"{done.megabytes:.1f} MB"),
        ("kept in", str(done.folder)),
    ]
    console().print(facts("Deeper stars", rows))


def _pinned(folder: Path) -> list[str]:
    """The objects of the plan kept with a night."""
    from slowglass.learn.night import NOTES
    from slowglass.web.desk import Desk

    path = folder / NOTES / "desk.json"
    names = list(Desk(path).state.plan) if path.is_file() else []
    if not names:
        raise NothingUseful(
            f"{folder} holds no plan",
            "give the folder of slowglass serve, with objects pinned on its Choose page",
        )
    return names


def forget(
    own: Annotated[
        bool, typer.Option("--own", help="Your own frames' stars, in place of the fetched ones.")
    ] = False,
    frame: Annotated[
        str | None,
        typer.Option("--frame", metavar="NAME", help="With --own: those of this frame only."),
    ] = None,
    around: Annotated[
        str | None,
        typer.Option("--around", metavar="PLACE", help="With --own: those round a place only."),
    ] = None,
    radius_deg: Annotated[
        float,
        typer.Option("--radius", metavar="DEG", min=0.01, max=30.0, help="With --around: how far."),
    ] = 2.0,
    yes: YesOption = False,
    as_json: JsonOption = False,
) -> None:
    """Remove the fainter stars that were fetched, or those of your own frames.

    The packaged stars stay.
    """
    if own:
        _forget_own(frame, around, radius_deg, yes=yes, as_json=as_json)
        return
    if frame or around:
        raise UsageError("fetched stars are removed all together", "add --own for your own stars")
    from slowglass.sky.deep_store import DeepStore

    store = DeepStore()
    held = store.summary()
    if held.tiles and not yes:
        _confirm(f"Remove {store_text(held)} in {held.folder}?")
    held = store.forget()
    if as_json:
        print_document(held)
        return
    console().print(f"Removed: {store_text(held)}")


def _forget_own(
    frame: str | None, around: str | None, radius_deg: float, *, yes: bool, as_json: bool
) -> None:
    from slowglass.sky.own_store import OwnStore

    store = OwnStore()
    held = store.summary()
    if frame is not None and frame not in {origin.name for origin in held.frames}:
        raise UsageError(
            f"no stars of a frame named {frame} are kept",
            "slowglass sky --json lists the frames under own",
        )
    circle = None
    if around is not None:
        place = open_workbench().place(around)
        circle = place.ra_deg, place.dec_deg, radius_deg
    which = f" of {frame}" if frame else ""
    which += f" within {radius_deg:g}° of {around}" if around else ""
    if held.frames and not yes:
        _confirm(f"Remove own stars{which or ' of all frames'} in {held.folder}?")
    gone = store.forget(frame=frame, around=circle)
    if as_json:
        print_document({"sightings_removed": gone, "own": store.summary()})
        return
    console().print(f"Removed: {gone} sightings{which}")


def store_text(held: StoreSummary) -> str:
    """What a store holds, in a line."""
    if not held.tiles:
        return "none"
    return (
        f"{held.stars:,}".replace(",", " ")
        + f" to magnitude {held.to_mag_least:g}"
        + (f" to {held.to_mag_most:g}" if held.to_mag_most != held.to_mag_least else "")
        + f" in {held.tiles} tile{'s' if held.tiles != 1 else ''}"
        + f" ({held.area_deg2:.0f} square degrees, {held.megabytes:.1f} MB)"
    )


def _ask(plan: DeepenPlan, url: str) -> None:
    _confirm(
        f"About {plan.stars:,} stars".replace(",", " ")
        + f" to magnitude {plan.to_mag:g}, {plan.megabytes:.1f} MB, in {len(plan.to_fetch)} tiles"
        + f" from {url}. Fetch them?"
    )


def _confirm(question: str) -> None:
    if not sys.stdin.isatty():
        raise UsageError(f"{question.rstrip('?')}: nobody is there to answer", "add --yes")
    if not typer.confirm(question, err=True):
        raise Cancelled
