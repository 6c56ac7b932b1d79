"""``slowglass finish``: from a folder of frames to one picture."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from slowglass.cli.common import (
    FramesKitOption,
    JsonOption,
    console,
    facts,
    open_workbench,
    or_dash,
    print_document,
    progress,
)
from slowglass.cli.words import count_text
from slowglass.documents import document


def finish(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="Lights, darks, flats and bias frames.")
    ],
    output: Annotated[
        Path,
        typer.Option(
            "-o", "--output", metavar="OUT", help="Name of the picture, or a folder for it."
        ),
    ],
    recipe: Annotated[
        Path | None,
        typer.Option("--recipe", metavar="FILE", help="Recorded steps to repeat."),
    ] = None,
    near: Annotated[
        str | None,
        typer.Option("--near", metavar="PLACE", help="Where the frames point, for coordinates."),
    ] = None,
    kit: FramesKitOption = None,
    as_json: JsonOption = False,
) -> None:
    """Finish a folder of frames into a picture.

    Calibrates, registers and combines the frames worth it, flattens the sky, sets colour and
    stretches. The recipe written beside the picture repeats it.
    """
    with progress() as report:
        bench = open_workbench(kit, None, report)
        result = bench.finish(folder, output, recipe=recipe, near=near, report=report)
    found = document(result)
    if as_json:
        print_document(found)
    else:
        _show(found)


def _show(found: dict[str, Any]) -> None:
    rows = [
        ("frames", f"{found['frames_used']} used of {found['frames_in']}"),
        ("signal to noise, against one frame", or_dash(found["snr_gain"], ".2f", "×")),
        ("star width (FWHM)", or_dash(found["fwhm_px"], ".2f", " px")),
        ("time taken", or_dash(found["seconds"], ".1f", " s")),
        ("peak memory", or_dash(found["peak_memory_mb"], ".0f", " MB")),
        ("recipe", str(found["recipe"])),
    ]
    rows += [("written", str(path)) for path in found["outputs"]]
    rows += [("note", note) for note in found["notes"]]
    out = console()
    out.print(facts("Finished", rows))
    if found["rejected"]:
        out.print(f"{count_text(len(found['rejected']), 'frame')} left out:")
        for frame in found["rejected"]:
            out.print(f"  {Path(frame['file']).name}: {frame['reason']}")
