"""``slowglass serve``: the browser workbench, on this machine and the phones it lets in."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from contextlib import nullcontext
from pathlib import Path
from typing import Annotated

import typer

from slowglass.cli.common import KitOption, SiteOption, open_workbench
from slowglass.errors import UsageError

PortOption = Annotated[
    int | None,
    typer.Option(
        "--port", metavar="PORT", min=1, max=65535, help="Port of the page; else the next free one."
    ),
]


def serve(
    folder: Annotated[
        Path, typer.Argument(metavar="[FOLDER]", help="Folder of the night to show.")
    ] = Path("demo-night"),
    host: Annotated[
        str | None,
        typer.Option(
            "--host",
            metavar="ADDRESS",
            help="Address to listen on: this machine's, or with --lan one on your network.",
        ),
    ] = None,
    port: PortOption = None,
    watch: Annotated[
        Path | None,
        typer.Option("--watch", metavar="FOLDER", help="Follow this camera's folder as well."),
    ] = None,
    target: Annotated[
        str | None,
        typer.Option("--target", metavar="PLACE", help="What the watched frames are to show."),
    ] = None,
    frames: Annotated[
        list[Path] | None,
        typer.Option(
            "--frames",
            metavar="FOLDER",
            help="A folder of frames to judge and finish on the page; give it once for each.",
        ),
    ] = None,
    lan: Annotated[
        bool,
        typer.Option("--lan", help="Let a phone on your own network in, by a code to scan."),
    ] = False,
    browser: Annotated[
        bool, typer.Option("--browser/--no-browser", help="Open a browser window, or not.")
    ] = False,
    kit: KitOption = None,
    site: SiteOption = None,
) -> None:
    """Show a night as a web page."""
    serve_folder(
        folder,
        host=host,
        port=port,
        open_browser=browser,
        kit=kit,
        site=site,
        watch=watch,
        target=target,
        frames=frames or (),
        lan=lan,
    )


def serve_folder(
    folder: Path,
    *,
    host: str | None = None,
    port: int | None = None,
    open_browser: bool = False,
    kit: str | None = None,
    site: str | None = None,
    watch: Path | None = None,
    target: str | None = None,
    frames: Sequence[Path] = (),
    lan: bool = False,
) -> None:
    """Serve a night, and a watch if asked, until interrupted; the address goes to stderr."""
    from slowglass.web.app import serve as run_server

    for chosen in frames:
        if not chosen.is_dir():
            raise UsageError(f"{chosen} is not a folder", "name a folder of frames")
    bench = open_workbench(kit, site)
    watching = None if watch is None else bench.watch(watch, target=target)
    with nullcontext() if watching is None else watching.in_background():
        run_server(
            bench,
            folder=folder,
            host=host,
            port=port,
            open_browser=open_browser,
            ready=announce,
            watching=watching,
            frames=frames,
            lan=lan,
        )


def announce(address: str, link: str = "") -> None:
    """Say on stderr where the page is, and how a phone is let in."""
    sys.stderr.write(f"Slowglass is at {address} (stop with Ctrl-C)\n")
    if link:
        _show_door(link)
    sys.stderr.flush()


def _show_door(link: str) -> None:
    """The code for a phone as a picture of characters, where the terminal can show one."""
    from slowglass.web.lan import CAUTIONS

    if sys.stderr.isatty() and "utf" in (sys.stderr.encoding or "").lower():
        import segno

        segno.make(link, error="l", boost_error=False).terminal(out=sys.stderr, compact=True)
    sys.stderr.write(f"One phone on the same network is let in by opening {link}\n")
    for caution in CAUTIONS:
        sys.stderr.write(f"- {caution}\n")
