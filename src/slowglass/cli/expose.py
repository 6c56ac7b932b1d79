"""``slowglass expose``: what an exposure will give, before it is taken."""

from __future__ import annotations

from enum import StrEnum
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


class AirClass(StrEnum):
    """Haze, from mountain air to dust."""

    CLEAN = "clean"
    USUAL = "usual"
    HUMID = "humid"
    DUSTY = "dusty"


class WindClass(StrEnum):
    """Wind at the telescope."""

    CALM = "calm"
    BREEZE = "breeze"
    WINDY = "windy"


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
    strip: Annotated[
        Path | None,
        typer.Option(
            "--strip", metavar="FILE", help="Picture of it in 1, 10 and 60 frames, as .png."
        ),
    ] = None,
    air: Annotated[
        AirClass | None, typer.Option("--air", help="Tonight's air, if not the site's usual.")
    ] = None,
    wind: Annotated[
        WindClass | None, typer.Option("--wind", help="Tonight's wind, if not the site's usual.")
    ] = None,
    kit: KitOption = None,
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Forecast an exposure before it is taken.

    Shows the light of object and sky, the noise, how far the object rises above it, how long the
    mount holds, what saturates, a better exposure if there is one, and what the session takes:
    frames, dithering by hand, darks, flats, card and battery. With -o it also renders the frame
    you may expect, with --strip the object after 1, 10 and 60 frames.
    """
    with progress() as report:
        bench = open_workbench(kit, site, report)
        exposure = bench.expose(
            name,
            seconds=seconds,
            frames=frames,
            output=output,
            strip=strip,
            air=air.value if air else None,
            wind=wind.value if wind else None,
            report=report,
        )
    plan = document(exposure)
    if as_json:
        print_document(plan)
        return
    out = console()
    out.print(facts(f"{plan['name']}: {frames} × {seconds:g} s with {bench.kit.name}", _rows(plan)))
    out.print(plan["text"])
    for line in plan["session"]["text"]:
        out.print(line)
    for note in plan["notes"]:
        out.print(f"Note: {note}.")
    if plan["outputs"]:
        out.print(saved(plan["outputs"]))


def _rows(plan: dict[str, Any]) -> list[tuple[str, str]]:
    better = or_dash(plan["suggested_s"], ".3g", " s")
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
        ("faintest star of one, of all", _pair(plan, "faintest_mag", "faintest_mag_total")),
        ("faintest glow of all", or_dash(plan["faintest_mag_arcsec2"], ".1f", " mag/arcsec²")),
        ("stands out in one", _axes(plan["core_arcmin"])),
        ("above the noise of all", _axes(plan["seen_arcmin"])),
        ("star width (FWHM)", or_dash(plan["fwhm_px"], ".1f", " px")),
        ("sky outweighs read noise from", or_dash(plan["sky_limited_s"], ".0f", " s")),
        ("the mount holds for", or_dash(plan["hold_time_s"], ".3g", " s")),
        ("trail of one", _trail(plan["trail_arcsec"])),
        ("exposures that stay round", or_dash(plan["keeper_fraction"], ".0%")),
        ("suggested", better),
        ("saturates", ", ".join(plan["saturates"]) or "nothing"),
        ("altitude", or_dash(plan["altitude_deg"], ".0f", "°")),
        ("sky there", or_dash(plan["sky_mag_arcsec2"], ".2f", " mag/arcsec²")),
    ]


def _pair(plan: dict[str, Any], one: str, both: str) -> str:
    return f"{or_dash(plan[one], '.1f')}, {or_dash(plan[both], '.1f')} mag"


def _trail(tenths: list[float]) -> str:
    low, middle, high = tenths
    return f"{middle:.1f}″, mostly {low:.1f}–{high:.1f}″"


def _axes(axes: list[float] | None) -> str:
    return "–" if axes is None else f"{axes[0]:.1f}′ × {axes[1]:.1f}′"
