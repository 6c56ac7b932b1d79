"""``slowglass demo``: the example night, made and shown."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from slowglass.cli.common import JsonOption, console, facts, print_document, progress, table
from slowglass.cli.serve import PortOption, serve_folder


def demo(
    folder: Annotated[
        Path,
        typer.Option("-o", "--output", metavar="FOLDER", help="Where to put the night."),
    ] = Path("demo-night"),
    quick: Annotated[
        bool, typer.Option("--quick", help="A smaller sensor: sooner done, less to see.")
    ] = False,
    once: Annotated[
        bool, typer.Option("--once", help="Make the night and stop, without the web page.")
    ] = False,
    browser: Annotated[
        bool, typer.Option("--browser/--no-browser", help="Open a browser window, or not.")
    ] = True,
    port: PortOption = None,
    as_json: JsonOption = False,
) -> None:
    """Make an example night and show it.

    Renders a night's frames from the star data, works through all the steps, and shows the
    night in the browser.
    """
    from slowglass.demo import run_demo

    with progress() as report:
        result = run_demo(folder, quick=quick, report=report)
    if as_json:
        print_document(result)
    else:
        out = console()
        word = "found whole" if result.reused else f"made in {result.seconds:.0f} s"
        rows = [(key.replace("_", " "), _shown(value)) for key, value in result.summary.items()]
        out.print(facts(f"Example night in {result.folder} ({word})", rows))
        files = table("Pictures and data", "file")
        for path in result.outputs:
            files.add_row(str(path))
        out.print(files)
    if not once:
        serve_folder(result.folder, port=port, open_browser=browser)


def _shown(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)
