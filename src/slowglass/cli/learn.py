"""``slowglass learn``: the logbook, and what the nights teach."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from slowglass.cli import learn_logbook
from slowglass.cli.common import (
    JsonOption,
    KitOption,
    SiteOption,
    console,
    facts,
    numbered,
    open_workbench,
    or_dash,
    print_document,
    print_error,
    print_line,
    progress,
    saved,
    table,
)

if TYPE_CHECKING:
    from slowglass.learn.service import Lessons, LogbookSummary
    from slowglass.learn.values import KitValue

app = typer.Typer(
    help="Keep the logbook and learn from it.",
    invoke_without_command=True,
    add_completion=False,
    rich_markup_mode=None,
)
learn_logbook.add_to(app)

NightOption = Annotated[
    str | None,
    typer.Option("--night", metavar="YYYY-MM-DD", help="Only this night, by its evening's date."),
]
DrawOption = Annotated[
    Path | None,
    typer.Option("-o", "--output", metavar="FILE", help="Draw it: .png, .svg or .pdf."),
]
AdoptOption = Annotated[
    list[str] | None,
    typer.Option(
        "--adopt",
        metavar="QUANTITY",
        help="Take this measured value into the kit or site; “all” takes every one that differs.",
    ),
]


@app.callback()
def summary(context: typer.Context, as_json: JsonOption = False) -> None:
    """Keep the logbook and learn from it.

    Alone it shows what the logbook holds.
    """
    if context.invoked_subcommand is not None:
        return
    from slowglass.learn.service import summarise_logbook

    with progress() as report:
        bench = open_workbench(report=report)
        found = summarise_logbook(bench.logbook)
    if as_json:
        print_document({"file": bench.logbook.path, **found.to_json()})
        return
    _show_summary(found, bench.logbook.path)


@app.command("log")
def log(
    paths: Annotated[
        list[Path], typer.Argument(metavar="PATH...", help="Frames, or folders of them.")
    ],
    target: Annotated[
        str | None, typer.Option("--target", metavar="NAME", help="The object they are of.")
    ] = None,
    again: Annotated[
        bool, typer.Option("--again", help="Judge frames that are logged already once more.")
    ] = False,
    kit: KitOption = None,
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Judge frames and write them into the logbook, with what was predicted for them."""
    entered = known = faults = 0
    with progress() as report:
        bench = open_workbench(kit, site, report)
        for outcome in bench.log(paths, target=target, again=again, report=report):
            if as_json:
                print_line(outcome)
            if outcome.error is not None:
                faults += 1
                print_error(outcome.error)
            elif outcome.new:
                entered += 1
            else:
                known += 1
    if not as_json:
        parts = [f"{entered} new", f"{known} known"] + ([f"{faults} unreadable"] if faults else [])
        console().print(f"Logbook {bench.logbook.path}: {', '.join(parts)}.")
    if faults and not entered + known:
        raise typer.Exit(2)


@app.command("review")
def review(
    night: NightOption = None,
    picture: DrawOption = None,
    kit: KitOption = None,
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show what was predicted beside what was measured, and why they differ."""
    from slowglass.learn.plots import draw_review

    with progress() as report:
        bench = open_workbench(kit, site, report)
        lessons = bench.lessons(evening=night)
    written = [] if picture is None else [draw_review(lessons, picture)]
    if as_json:
        print_document({**lessons.to_json(), "outputs": written})
        return
    _show_review(lessons)
    if written:
        console().print(saved(written))
    if not lessons.reviews:
        raise typer.Exit(1)


@app.command("kit")
def kit_values(
    adopt: AdoptOption = None,
    put_aside: Annotated[
        str | None,
        typer.Option(
            "--put-aside", metavar="QUANTITY", help="Bring the stated value of a key back."
        ),
    ] = None,
    kit: KitOption = None,
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show what the logged frames say about kit and site, and take it in or put it aside."""
    with progress() as report:
        bench = open_workbench(kit, site, report)
        if put_aside is not None:
            path = bench.put_aside(put_aside)
            if as_json:
                print_document({"put_aside": put_aside, "outputs": [path]})
            else:
                console().print(f"{put_aside} holds its stated value again. {saved([path])}")
            return
        lessons = bench.lessons()
    written = bench.adopt(_chosen(adopt, lessons.values, lessons.differing)) if adopt else []
    if as_json:
        print_document({**lessons.to_json(), "outputs": written})
        return
    _show_values("Kit and site, from the logged frames", lessons.values)
    console().print(lessons.trial.text)
    if written:
        console().print(saved(written))
    if not lessons.values:
        raise typer.Exit(1)


@app.command("camera")
def camera(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="Bias frames, flats and darks of the camera.")
    ],
    adopt: AdoptOption = None,
    picture: DrawOption = None,
    kit: KitOption = None,
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Measure gain, read noise, dark current and more on the camera's own frames."""
    from slowglass.learn.plots import draw_transfer
    from slowglass.learn.review import worthwhile

    with progress() as report:
        bench = open_workbench(kit, site, report)
        found = bench.measure_camera(folder, report=report)
    written = [] if picture is None else [draw_transfer(found, picture)]
    if adopt:
        written += bench.adopt(_chosen(adopt, found.values, worthwhile(found.values)))
    if as_json:
        print_document({**found.to_json(), "outputs": written})
        return
    _show_values(f"Camera of {bench.kit.name}", found.values)
    for note in found.notes:
        console().print(note + ".")
    for name, why in found.left_out:
        console().print(f"Left out {name}: {why}.")
    if written:
        console().print(saved(written))


@app.command("sky")
def sky(
    adopt: Annotated[
        bool, typer.Option("--adopt", help="Take the light domes found into the site.")
    ] = False,
    put_aside: Annotated[
        bool, typer.Option("--put-aside", help="Bring the site's earlier light domes back.")
    ] = False,
    picture: DrawOption = None,
    kit: KitOption = None,
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show by direction where the logged frames' sky is bright, and which towns explain it."""
    from slowglass.learn.plots import draw_sky_by_direction

    with progress() as report:
        bench = open_workbench(kit, site, report)
        if put_aside:
            console().print(saved([bench.adopt_domes(None)]))
            return
        found = bench.sky_by_direction()
    written = [] if picture is None or found is None else [draw_sky_by_direction(found, picture)]
    if adopt and found is not None:
        written.append(bench.adopt_domes(found))
    if as_json:
        print_document({"sky": found, "outputs": written})
        return
    out = console()
    if found is None:
        out.print("Too few solved frames without Moon or cloud to tell directions apart.")
        raise typer.Exit(1)
    rows = table(f"Sky of {bench.site.name}", "toward", "darker by", "frames", right=(0, 1, 2))
    for azimuth, offset, frames in found.sectors:
        rows.add_row(f"{azimuth:.0f}°", f"{offset:+.2f} mag", str(frames))
    out.print(rows)
    for azimuth, width, size in found.domes:
        out.print(f"Light dome toward {azimuth:.0f}°, {width:.0f}° wide, {size:.1f} mag at 20° up.")
    if not found.domes:
        out.print("No direction stands out: no light dome is needed.")
    if written:
        out.print(saved(written))


@app.command("advice")
def advice(kit: KitOption = None, site: SiteOption = None, as_json: JsonOption = False) -> None:
    """Rank what would pay most on your own nights, with the sums."""
    with progress() as report:
        bench = open_workbench(kit, site, report)
        lessons = bench.lessons()
    if as_json:
        print_document(lessons.advice)
        return
    out = console()
    if not lessons.advice:
        out.print(
            "Nothing that would pay more than 3 %."
            if lessons.reviews
            else f"The logbook has no frames of {bench.kit.name} at {bench.site.name} yet. "
            "Log a night first: slowglass learn log FOLDER"
        )
        raise typer.Exit(0 if lessons.reviews else 1)
    out.print("What would pay most, in signal to noise for the same time:")
    out.print(numbered([f"{a.change}: +{a.gain_percent:.0f} %. {a.sums}." for a in lessons.advice]))


@app.command("pictures")
def pictures(
    picture: Annotated[
        Path | None,
        typer.Option(
            "-o", "--output", metavar="FILE", help="Draw a map of the sky: .png, .svg or .pdf."
        ),
    ] = None,
    thing: Annotated[
        str | None, typer.Option("--object", metavar="NAME", help="Of this object.")
    ] = None,
    near: Annotated[
        str | None, typer.Option("--near", metavar="PLACE", help='Around an object or "RA DEC".')
    ] = None,
    radius_deg: Annotated[
        float, typer.Option("--radius", metavar="DEG", min=0.01, max=180.0, help="How far around.")
    ] = 1.0,
    text: Annotated[
        str | None, typer.Option("--text", metavar="TEXT", help="Part of caption or file name.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """List the finished pictures, and draw where in the sky they are."""
    from slowglass.learn.gallery import names_of
    from slowglass.learn.plots import draw_picture_sky

    with progress() as report:
        bench = open_workbench(report=report)
        found, _ = bench.pictures(
            name=thing or "", near=near or "", radius=f"{radius_deg:g}", text=text or ""
        )
        names = names_of(found, bench.sky)
    written = [] if picture is None else [draw_picture_sky(found, names, picture)]
    if as_json:
        print_document({"pictures": found, "outputs": written})
        return
    if not found:
        console().print("No logged picture answers that.")
        raise typer.Exit(1)
    shown = table("Pictures", "no.", "object", "frames", "exposure", "file", right=(0, 2, 3))
    for one in found:
        shown.add_row(
            str(one.id), names[one.id], or_dash(one.frames_used, "d"),
            or_dash(None if one.integration_s is None else one.integration_s / 60, ".0f", " min"),
            one.file,
        )  # fmt: skip
    console().print(shown)
    if written:
        console().print(saved(written))


@app.command("report")
def field_report(
    output: Annotated[
        Path, typer.Option("-o", "--output", metavar="FILE", help="Write it: .html or .pdf.")
    ],
    night: NightOption = None,
    exact_place: Annotated[
        bool,
        typer.Option("--exact-place", help="Name the site and its coordinates; else blurred."),
    ] = False,
    letter: Annotated[
        bool, typer.Option("--letter", help="Letter paper for .pdf; else A4.")
    ] = False,
    kit: KitOption = None,
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Write the account of a night, or of all nights with a kit, to show to others.

    Title and captions go to a .captions.toml file beside it: change them and write it again.
    """
    with progress() as report:
        bench = open_workbench(kit, site, report)
        written = bench.field_report(
            output,
            evening=night,
            exact_place=exact_place,
            paper="Letter" if letter else "A4",
            report=report,
        )
    if as_json:
        print_document({"outputs": written})
    else:
        console().print(saved(written))


def _chosen(
    wanted: list[str], values: tuple[KitValue, ...], differing: tuple[KitValue, ...]
) -> list[KitValue]:
    """The values that ``--adopt`` names; “all” stands for those that differ."""
    from slowglass.errors import UsageError

    by_name = {v.quantity: v for v in values if v.adoptable}
    chosen: dict[str, KitValue] = {}
    for name in wanted:
        if name == "all":
            chosen |= {v.quantity: v for v in differing if v.adoptable}
        elif name in by_name:
            chosen[name] = by_name[name]
        else:
            raise UsageError(
                f"no value of {name} was measured", f"measured: {', '.join(by_name) or 'none'}"
            )
    return list(chosen.values())


def _show_summary(found: LogbookSummary, path: Path) -> None:
    out = console()
    if not found.nights:
        out.print(f"The logbook {path} is empty. Fill it with: slowglass learn log FOLDER")
        return
    rows = [
        ("nights", str(len(found.nights))),
        ("light frames", f"{found.frames}, {found.keepers} kept"),
        ("exposure kept", f"{found.kept_s / 3600:.1f} h"),
        ("objects", str(len(found.objects))),
        ("pictures", str(found.pictures)),
        ("file", str(path)),
    ]
    out.print(facts("Logbook", rows))
    nights = table("Nights", "evening", "kit", "site", "objects", "frames", "kept", "exposure",
                   right=(4, 5, 6))  # fmt: skip
    for row in found.nights[:12]:
        nights.add_row(
            row.night.evening, row.night.kit, row.night.site, ", ".join(row.objects) or "–",
            str(row.frames), str(row.keepers), f"{row.kept_s / 60:.0f} min",
        )  # fmt: skip
    out.print(nights)


def _show_values(title: str, values: tuple[KitValue, ...]) -> None:
    found = table(title, "key", "measured", "±", "stated", "unit", right=(1, 2, 3))
    for value in values:
        found.add_row(
            value.quantity if value.adoptable else value.label,
            f"{value.value:.4g}",
            f"{value.sigma:.2g}",
            or_dash(value.stated, ".4g"),
            value.unit,
        )
    out = console()
    out.print(found)
    for value in values:
        out.print(f"{value.label[:1].upper()}{value.label[1:]}: {value.how}.")


def _show_review(lessons: Lessons) -> None:
    out = console()
    if not lessons.reviews:
        out.print("No logged frames of this kit at this site. Log some: slowglass learn log FOLDER")
        return
    for review in lessons.reviews:
        group = review.group
        rows = table(
            f"{group.night.evening}  {group.object}, {review.measured.frames} × "
            f"{group.exposure_s:g} s", "", "predicted", "measured", "ratio or difference",
            right=(1, 2, 3),
        )  # fmt: skip
        for row in review.rows:
            rows.add_row(
                f"{row.quantity}{f' ({row.unit})' if row.unit else ''}",
                or_dash(row.predicted, ".4g" if row.in_magnitudes else ".3g"),
                or_dash(row.measured, ".4g" if row.in_magnitudes else ".3g"),
                or_dash(row.difference, "+.2f") if row.in_magnitudes else or_dash(row.ratio, ".2f"),
            )  # fmt: skip
        out.print(rows)
        out.print(f"Biggest reason: {review.reason}." if review.reason else "As predicted.")
    out.print(lessons.trial.text)
