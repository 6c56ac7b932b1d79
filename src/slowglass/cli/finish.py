"""``slowglass finish``: from a folder of frames, or one frame, to one picture."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from slowglass.cli.common import (
    FramesKitOption,
    JsonOption,
    NoLogOption,
    console,
    facts,
    open_workbench,
    or_dash,
    print_document,
    print_error,
    progress,
)
from slowglass.cli.words import count_text
from slowglass.documents import document
from slowglass.errors import SlowglassError

if TYPE_CHECKING:
    from slowglass.finish.types import FinishResult
    from slowglass.workbench import Workbench


def finish(
    source: Annotated[
        Path,
        typer.Argument(
            metavar="FOLDER_OR_FILE",
            help="Folder of lights, darks, flats and bias; or one frame, even a JPEG.",
        ),
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
    scale_arcsec_per_px: Annotated[
        float | None,
        typer.Option(
            "--scale", metavar="ARCSEC_PER_PX", min=0.01, help="Sky covered by one pixel."
        ),
    ] = None,
    whole: Annotated[
        bool, typer.Option("--whole", help="Show all of the picture, not a cut round its subject.")
    ] = False,
    north_up: Annotated[
        bool, typer.Option("--north-up", help="Turn north to the top (needs known coordinates).")
    ] = False,
    calibration: Annotated[
        list[Path] | None,
        typer.Option(
            "--calibration",
            metavar="FOLDER",
            help="Folder of darks, flats or bias apart from the lights; may be repeated.",
        ),
    ] = None,
    finer: Annotated[
        float | None,
        typer.Option(
            "--finer",
            metavar="TIMES",
            min=1.0,
            max=3.0,
            help="Pixels so many times smaller than the camera's; by itself where shifts allow.",
        ),
    ] = None,
    no_log: NoLogOption = False,
    kit: FramesKitOption = None,
    as_json: JsonOption = False,
) -> None:
    """Finish a folder of frames, or one frame, into a picture.

    Calibrates, registers and combines the frames worth it, flattens the sky, sets colours by
    the stars, cuts round the object and stretches. Beside the picture: the linear data, one
    with labels, a report, and the recipe that repeats it all.
    """
    with progress() as report:
        bench = open_workbench(kit, None, report)
        result = bench.finish(
            source,
            output,
            recipe=recipe,
            near=near,
            scale_arcsec_per_px=scale_arcsec_per_px,
            whole=whole,
            north_up=north_up,
            calibration=calibration or (),
            finer=finer,
            report=report,
        )
    if not no_log:
        _log(bench, result)
    found = document(result)
    if as_json:
        print_document(found)
    else:
        _show(found)


def _log(bench: Workbench, result: FinishResult) -> None:
    """Enter the picture; the picture itself is done, whatever becomes of its entry."""
    try:
        bench.log_finished(result)
    except SlowglassError as error:
        print_error(f"the picture is finished, but not logged: {error}")


def _share_text(share: float | None) -> str:
    return "–" if share is None else f"{max(100 * share, 0.1):.2g} %"


def _show(found: dict[str, Any]) -> None:
    colours = or_dash(found["colour_rms_mag"], ".3f", " mag from the catalogue's B−V")
    if found["colour_rms_mag"] is not None:
        colours += f" ({count_text(found['colour_stars'], 'star')})"
    rows = [
        ("subject", found["subject"] or "–"),
        ("frames", f"{found['frames_used']} used of {found['frames_in']}"),
        ("signal to noise, against one frame", or_dash(found["snr_gain"], ".2f", "×")),
        ("signal to noise of the object", or_dash(found["object_snr"], ".0f")),
        ("light of the object known to", _share_text(found["object_light_error"])),
        ("star width (FWHM)", or_dash(found["fwhm_px"], ".2f", " px")),
        ("star colours", colours),
        ("time taken", or_dash(found["seconds"], ".1f", " s")),
        ("peak memory", or_dash(found["peak_memory_mb"], ".0f", " MB")),
    ]
    if found["frames_in"] == 1:
        del rows[2]  # one frame against itself
    rows += [("written", str(path)) for path in found["outputs"]]
    rows += [("note", note) for note in found["notes"]]
    out = console()
    out.print(facts("Finished", rows))
    if found["rejected"]:
        out.print(f"{count_text(len(found['rejected']), 'frame')} left out:")
        for frame in found["rejected"]:
            out.print(f"  {Path(frame['file']).name}: {frame['reason']}")
    if found["advice"]:
        out.print(f"Would help most: {found['advice'][0]}")
