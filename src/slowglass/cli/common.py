"""What every command shares: option types, output on stdout, errors and progress on stderr."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from slowglass.documents import to_line, to_text
from slowglass.progress import Report, silent

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table

    from slowglass.workbench import Workbench

JsonOption = Annotated[
    bool, typer.Option("--json", help="Print the result as JSON and nothing else on stdout.")
]
KitOption = Annotated[
    str | None,
    typer.Option(
        "--kit", metavar="FILE", help="Kit file or built-in kit; else your own, else long 102."
    ),
]
SiteOption = Annotated[
    str | None,
    typer.Option(
        "--site",
        metavar="FILE",
        help="Site file or built-in site; else your own, else Fig Tree Yard.",
    ),
]

NearOption = Annotated[
    str | None,
    typer.Option("--near", metavar="PLACE", help='Look near an object, a star or "RA DEC".'),
]
RadiusOption = Annotated[
    float | None, typer.Option("--radius", metavar="DEG", help="How far from there to look.")
]
ScaleOption = Annotated[
    float | None,
    typer.Option("--scale", metavar="ARCSEC_PER_PX", help="Sky covered by one pixel."),
]

NoLogOption = Annotated[
    bool,
    typer.Option(
        "--no-log",
        help="Leave the logbook alone; else it is kept as soon as you have a kit of your own.",
    ),
]

FramesKitOption = Annotated[
    str | None,
    typer.Option(
        "--kit", metavar="FILE", help="Kit that took the frames; else your own, if you have one."
    ),
]
FramesSiteOption = Annotated[
    str | None,
    typer.Option("--site", metavar="FILE", help="Site the frames were taken from; else your own."),
]


def open_workbench(
    kit: str | None = None, site: str | None = None, report: Report = silent
) -> Workbench:
    """The workbench for these ``--kit`` and ``--site`` values."""
    from slowglass.workbench import Workbench

    return Workbench.open(kit=kit, site=site, report=report)


def print_document(value: Any) -> None:
    """One indented JSON document on stdout."""
    sys.stdout.write(to_text(value) + "\n")


def print_line(value: Any) -> None:
    """One JSON object on a line of its own, flushed so that a reader sees it at once."""
    sys.stdout.write(to_line(value) + "\n")
    sys.stdout.flush()


def print_error(text: str) -> None:
    """One line on stderr, after the program's name."""
    one_line = " ".join(str(text).split())
    sys.stderr.write(f"slowglass: {one_line}\n")
    sys.stderr.flush()


def console() -> Console:
    """Where tables go: stdout, plain when it is not a terminal."""
    from rich.console import Console

    return Console(highlight=False, soft_wrap=False, markup=False)


def table(title: str, *columns: str, right: tuple[int, ...] = ()) -> Table:
    """An empty table; columns whose number is in ``right`` are set flush right."""
    from rich import box
    from rich.table import Table

    made = Table(title=title, title_justify="left", box=box.SIMPLE_HEAD, title_style="bold")
    for number, column in enumerate(columns):
        made.add_column(column, justify="right" if number in right else "left")
    return made


def facts(title: str, rows: list[tuple[str, str]]) -> Table:
    """A table of names and values without a heading line."""
    made = table(title, "", "")
    made.show_header = False
    for name, value in rows:
        made.add_row(name, value)
    return made


def numbered(texts: list[str]) -> Table:
    """Texts under one another, each with its number in a column of its own."""
    from rich.table import Table

    made = Table.grid(padding=(0, 2))
    made.add_column(justify="right")
    made.add_column()
    for number, text in enumerate(texts, 1):
        made.add_row(f"{number}.", text)
    return made


@contextmanager
def progress() -> Iterator[Report]:
    """A ``report`` that draws a bar on stderr; silent when stderr is not a terminal."""
    if not sys.stderr.isatty():
        yield silent
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

    bar = Progress(
        TextColumn("{task.description}", markup=False),
        BarColumn(),
        MofNCompleteColumn(),
        console=Console(stderr=True),
        transient=True,
    )
    with bar:
        task = bar.add_task("", total=None)

        def report(stage: str, done: int, total: int) -> None:
            bar.update(task, description=stage, completed=done, total=total or None)

        yield report


def saved(paths: list[Path] | list[str]) -> str:
    """A line that names the files written."""
    return "Saved " + ", ".join(str(path) for path in paths)


def or_dash(value: float | None, form: str, unit: str = "") -> str:
    """A number in a format, with its unit, or a dash where there is none."""
    return "–" if value is None else f"{value:{form}}{unit}"
