"""``slowglass expose``: what an exposure will give, before it is taken."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from slowglass.cli.common import (
    JsonOption,
    KitOption,
    SiteOption,
    console,
    facts,
    open_workbench,
    or_dash,
    print_document,
    progress,
    saved,
)
from slowglass.documents import document


def expose(
    name: Annotated[str, typer.Argument(metavar="NAME", help="Object to expose.")],
    seconds: Annotated[
        float,
        typer.Option("--seconds", metavar="S", min=0.001, max=7200.0, help="One exposure's time."),
    ],
    frames: Annotated[
        int, typer.Option("--frames", metavar="N", min=1, max=100000, help="How many of them.")
    ] = 1,
    output: Annotated[
        Path | None,
        typer.Option(
            "-o", "--output", metavar="FILE", help="Forecast frame to write: .fits or .png."
        ),
    ] = None,
    kit: KitOption = None,
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Forecast an exposure before it is taken.

    Shows the light of object and sky, the noise, how long the mount holds, what saturates, and
    a better exposure if there is one; with -o it also renders the frame you may expect.
    """
    with progress() as report:
        bench = open_workbench(kit, site, report)
        exposure = bench.expose(name, seconds=seconds, frames=frames, output=output, report=report)
    plan = document(exposure)
    if as_json:
        print_document(plan)
        return
    out = console()
    out.print(facts(f"{plan['name']}: {frames} × {seconds:g} s with {bench.kit.name}", _rows(plan)))
    out.print(plan["text"])
    for note in plan["notes"]:
        out.print(f"Note: {note}.")
    if plan["outputs"]:
        out.print(saved(plan["outputs"]))


def _rows(plan: dict[str, Any]) -> list[tuple[str, str]]:
    better = or_dash(plan["suggested_s"], "g", " s")
    if plan["suggested_frames"]:
        better = f"{better}, at least {plan['suggested_frames']} of them"
    if plan["frames_in_window"]:
        better += f"; {plan['frames_in_window']} fit into the night"
    return [
        ("light of the object", or_dash(plan["object_e_per_px"], ".1f", " e⁻ a pixel")),
        ("light of the sky", or_dash(plan["sky_e_per_px"], ".1f", " e⁻ a pixel")),
        ("read noise", or_dash(plan["read_noise_e"], ".1f", " e⁻")),
        ("signal to noise of one", or_dash(plan["snr"], ".1f")),
        ("signal to noise of all", or_dash(plan["snr_total"], ".1f")),
        ("faintest star", or_dash(plan["faintest_mag"], ".1f", " mag")),
        ("star width (FWHM)", or_dash(plan["fwhm_px"], ".1f", " px")),
        ("sky outweighs read noise from", or_dash(plan["sky_limited_s"], ".0f", " s")),
        ("the mount holds for", or_dash(plan["hold_time_s"], ".0f", " s")),
        ("exposures that stay round", or_dash(plan["keeper_fraction"], ".0%")),
        ("suggested", better),
        ("saturates", ", ".join(plan["saturates"]) or "nothing"),
        ("altitude", or_dash(plan["altitude_deg"], ".0f", "°")),
        ("sky there", or_dash(plan["sky_mag_arcsec2"], ".2f", " mag/arcsec²")),
    ]
