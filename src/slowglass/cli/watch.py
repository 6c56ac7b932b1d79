"""``slowglass watch``: follow the camera's folder and say what to do, frame by frame."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from slowglass.cli.common import (
    FramesKitOption,
    FramesSiteOption,
    JsonOption,
    NoLogOption,
    RadiusOption,
    ScaleOption,
    console,
    open_workbench,
    or_dash,
    print_error,
    print_line,
    progress,
)
from slowglass.cli.serve import PortOption, announce
from slowglass.cli.words import count_text
from slowglass.errors import SlowglassError

if TYPE_CHECKING:
    from rich.console import Console

    from slowglass.judge.watch import Watch
    from slowglass.judge.watch_sort import Entry
    from slowglass.judge.watch_state import WatchEvent, WatchState
    from slowglass.workbench import Workbench

BELL = "\a"
ASIDE = {"twin": "twin", "copy": "copy", "unreadable": "bad", "test": "test"}


def watch(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Folder the camera writes to.")],
    target: Annotated[
        str | None,
        typer.Option("--target", metavar="PLACE", help="What you want in the middle."),
    ] = None,
    near: Annotated[
        str | None,
        typer.Option("--near", metavar="PLACE", help="Look near this place; else near the target."),
    ] = None,
    radius_deg: RadiusOption = None,
    scale_arcsec_per_px: ScaleOption = None,
    page: Annotated[
        bool | None,
        typer.Option(
            "--page/--no-page", help="Show a web page as well; usual unless --json or --once."
        ),
    ] = None,
    port: PortOption = None,
    sound: Annotated[
        bool, typer.Option("--sound", help="Ring the terminal's bell when something is to be done.")
    ] = False,
    once: Annotated[bool, typer.Option("--once", help="Judge what is there, then stop.")] = False,
    axis: Annotated[
        bool, typer.Option("--axis", help="Set the polar axis: you are led through it.")
    ] = False,
    fresh: Annotated[
        bool, typer.Option("--fresh", help="Judge everything anew, not only what is new.")
    ] = False,
    no_log: NoLogOption = False,
    kit: FramesKitOption = None,
    site: FramesSiteOption = None,
    as_json: JsonOption = False,
) -> int:
    """Follow the camera's folder and say what to do, frame by frame.

    New frames are judged as they come; files still being written are waited for. Darks, flats,
    test shots and pictures saved twice are told apart by what they show. Keepers add up to a
    live picture, shown on the page with focus and drift. Nothing in the folder is touched; after
    a restart the watch goes on where it was. Stop with Ctrl-C.
    """
    with progress() as report:
        bench = open_workbench(kit, site, report)
        watching = bench.watch(
            folder,
            near=near,
            radius_deg=radius_deg,
            scale_arcsec_per_px=scale_arcsec_per_px,
            target=target,
            fresh=fresh,
            set_axis=axis,
        )
    wanted = page if page is not None else not (as_json or once)
    teller = _Teller(as_json=as_json, sound=sound)
    try:
        with _page(bench, watching, port) if wanted else nullcontext():
            events = watching.run(once=once)
            for event in events if no_log else bench.logged(events, folder, teller.trouble):
                teller.tell(event)
    except KeyboardInterrupt:
        watching.stop()
    state = watching.state
    teller.summary(state)
    if any(e.role == "unreadable" and not e.gone for e in state.entries):
        return 2
    if once and not state.entries:
        print_error(f"{folder} holds no pictures. Name the folder the camera writes to.")
        return 1
    return 0


@contextmanager
def _page(bench: Workbench, watching: Watch, port: int | None) -> Iterator[None]:
    from slowglass.web.app import serving

    with serving(bench, folder=Path("demo-night"), port=port, watching=watching) as served:
        announce(served[0] + "judge/live")
        yield


class _Teller:
    """Prints what happens: JSON lines, or a line a frame with the instruction when it changes."""

    def __init__(self, *, as_json: bool, sound: bool) -> None:
        self._as_json = as_json
        self._sound = sound
        self._said = ""
        self._out: Console = console()

    def tell(self, event: WatchEvent) -> None:
        """One event."""
        state = event.state
        if self._as_json:
            print_line(event)
        else:
            self._print(event)
        if self._sound and state.say.cue and event.what in ("frame", "say") and not state.to_judge:
            sys.stderr.write(BELL)
            sys.stderr.flush()

    def trouble(self, error: SlowglassError) -> None:
        """The logbook cannot be kept: said once, the watch goes on."""
        print_error(f"the logbook is not kept: {error}")

    def _print(self, event: WatchEvent) -> None:
        state = event.state
        line = ""
        if event.what == "frame" and event.entry is not None:
            line = _frame_line(event.entry)
        elif event.what == "waiting":
            line = f"wait  {event.text}"
        elif event.what == "watching":
            target = f" for {state.target}" if state.target else ""
            known = f" ({event.text})" if event.text else ""
            line = f"Watching {state.folder}{target}{known}. Stop with Ctrl-C."
        elif event.what in ("renamed", "gone", "say"):
            line = f"note  {event.text}" if event.text else ""
        if line:
            self._out.print(line, soft_wrap=True)
        if event.what == "stopped":
            return
        if state.to_judge:
            self._said = ""
            if event.what == "frame":
                self._out.print(f"      {state.to_judge} more to judge", style="dim")
        elif state.say.text != self._said:
            self._said = state.say.text
            self._out.print(f"→ {state.say.text}", style="bold")
            for proof in state.say.evidence[:2]:
                self._out.print(f"      {proof}", style="dim", soft_wrap=True)

    def summary(self, state: WatchState) -> None:
        """The night in a line, when the watch ends."""
        if self._as_json or not state.entries:
            return
        self._out.print(
            f"{count_text(len(state.series), 'light')}, {state.keepers} to keep; "
            f"{count_text(state.stacked, 'frame')} stacked, {state.stack_s / 60:.0f} min of light"
        )


def _frame_line(entry: Entry) -> str:
    v = entry.verdict
    if entry.role not in ("light", "test"):
        return f"{ASIDE.get(entry.role, entry.role):<5} {entry.name}  {entry.why}"
    word = "keep" if v.keeper else "drop"
    if entry.role == "test":
        word = "test"
    return (
        f"{word:<5} {entry.name}  {count_text(v.stars, 'star')}  FWHM "
        f"{or_dash(v.fwhm_px, '.1f', ' px')}  elongation {or_dash(v.elongation, '.2f')}"
    )
