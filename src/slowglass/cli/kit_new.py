"""``slowglass kit new``: a kit from the numbers off the tube and out of the camera's manual."""

from __future__ import annotations

import re
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from slowglass.cli.common import JsonOption, console, print_document, saved, table
from slowglass.errors import UsageError


class Design(StrEnum):
    """What gathers the light."""

    LENS = "lens"
    MIRRORS = "mirrors"
    BOTH = "mirrors-and-lens"


def new(
    aperture: Annotated[
        str, typer.Option("--aperture", metavar="MM", help="Clear diameter, off the tube.")
    ],
    focal: Annotated[
        str, typer.Option("--focal", metavar="MM|f/N", help="Focal length, or focal ratio.")
    ],
    pixels: Annotated[
        str, typer.Option("--pixels", metavar="WxH", help="Pixels of the sensor, as 6000x4000.")
    ],
    sensor: Annotated[
        str, typer.Option("--sensor", metavar="WxH", help="Sides of the sensor in mm, as 36x24.")
    ],
    design: Annotated[
        Design, typer.Option("--design", help="What gathers the light.")
    ] = Design.BOTH,
    secondary: Annotated[
        str, typer.Option("--secondary", metavar="MM", help="Diameter of the secondary mirror.")
    ] = "",
    iso: Annotated[
        str, typer.Option("--iso", metavar="N", help="Setting of the camera at night.")
    ] = "",
    no_motor: Annotated[
        bool, typer.Option("--no-motor", help="Nothing follows the stars.")
    ] = False,
    name: Annotated[str, typer.Option("--name", metavar="TEXT", help="What you call it.")] = "",
    write: Annotated[
        Path | None, typer.Option("--write", metavar="FILE", help="Write it to a file to edit.")
    ] = None,
    keep: Annotated[bool, typer.Option("--keep", help="Make it your own kit.")] = False,
    replace: Annotated[
        bool, typer.Option("--replace", help="Let --write or --keep replace a file.")
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Make a kit from ten numbers; what nobody prints is assumed, and said to be."""
    from slowglass.kit.form import key_labels
    from slowglass.kit.io import config_folder, write_kit
    from slowglass.kit.setup import set_up

    sides, counts = _pair("--sensor", sensor), _pair("--pixels", pixels)
    ratio = focal.lower().startswith("f/")
    made = set_up(
        {
            "kit_name": name,
            "design": design.value.replace("-", " "),
            "aperture_mm": aperture,
            "focal_length_mm": "" if ratio else focal,
            "focal_ratio": focal if ratio else "",
            "secondary_mm": secondary,
            "driven": "none" if no_motor else "ra",
            "sensor": "own",
            "sensor_width_mm": sides[0],
            "sensor_height_mm": sides[1],
            "width_px": counts[0],
            "height_px": counts[1],
            "iso": iso,
        }
    )
    if made.kit is None:
        words = "; ".join(f"{_option(key)}: {text}" for key, text in made.faults.items())
        raise UsageError(f"no kit can be made of that: {words}")
    wanted = [path for path in (write, config_folder() / "kit.toml" if keep else None) if path]
    written = [write_kit(made.kit, path, replace=replace) for path in wanted]
    if as_json:
        print_document({"kit": made.kit, "assumed": made.assumed, "outputs": written})
        return
    kit = made.kit
    out = console()
    out.print(
        f"{kit.name}: {kit.optics.aperture_mm:g} mm, {kit.optics.focal_length_mm:g} mm "
        f"(f/{kit.optics.focal_ratio:.1f}); {kit.camera.pixel_um:.2f} µm pixels, "
        f"{kit.scale_arcsec_per_px:.3f}″ each; frame {kit.field_width_deg * 60:.0f}′ × "
        f"{kit.field_height_deg * 60:.0f}′."
    )
    rows = table("assumed, as nobody stated it", "taken as", "most lie within", right=(1, 2))
    for one in made.assumed:
        label, unit = key_labels()[one.key]
        taken = f"{_figures(one.value)} {unit}".strip()
        rows.add_row(label, taken, f"{_figures(one.low)} to {_figures(one.high)}")
    out.print(rows)
    if written:
        out.print(saved(written))


def _figures(value: float) -> str:
    """A value to three figures, without powers of ten."""
    return f"{float(f'{value:.3g}'):g}"


def _pair(option: str, text: str) -> tuple[str, str]:
    """The two numbers of "6000x4000", still as texts."""
    parts = re.split(r"\s*[x×*]\s*", text.strip())
    if len(parts) != 2 or not all(parts):
        raise UsageError(f"{option} {text!r} is no width and height", "write them as 6000x4000")
    return parts[0], parts[1]


def _option(key: str) -> str:
    """The option an answer came from."""
    return {
        "aperture_mm": "--aperture", "focal_length_mm": "--focal", "focal_ratio": "--focal",
        "secondary_mm": "--secondary", "sensor_width_mm": "--sensor", "kit_name": "--name",
        "sensor_height_mm": "--sensor", "sensor": "--sensor", "width_px": "--pixels",
        "height_px": "--pixels", "iso": "--iso",
    }.get(key, key)  # fmt: skip
