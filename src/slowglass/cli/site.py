"""``slowglass site``: where you stand, your skyline, and a file of it to edit."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from slowglass.cli.common import JsonOption, console, facts, print_document, saved


def site(
    file: Annotated[
        str | None,
        typer.Argument(metavar="[FILE]", help="Site file or built-in site; else your own."),
    ] = None,
    write: Annotated[
        Path | None,
        typer.Option("--write", metavar="FILE", help="Write the site to a commented file to edit."),
    ] = None,
    keep: Annotated[
        bool, typer.Option("--keep", help="Make this site your own: used when --site is not given.")
    ] = False,
    replace: Annotated[
        bool, typer.Option("--replace", help="Let --write or --keep replace a file.")
    ] = False,
    skyline_file: Annotated[
        Path | None,
        typer.Option(
            "--skyline",
            metavar="FILE",
            help="Take the skyline from a text or CSV file: azimuth, altitude on each line.",
        ),
    ] = None,
    output: Annotated[
        Path | None,
        typer.Option("-o", "--output", metavar="FILE", help="Draw the skyline: .svg, .png, .pdf."),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Show your site and its skyline."""
    from slowglass.kit.io import config_folder, load_site, read_skyline, write_site
    from slowglass.kit.service import skyline_by_direction

    chosen = load_site(file)
    if skyline_file is not None:
        chosen = chosen.model_copy(update={"horizon": read_skyline(skyline_file)})
    wanted = [path for path in (write, config_folder() / "site.toml" if keep else None) if path]
    written = [write_site(chosen, path, replace=replace) for path in wanted]
    if output is not None:
        from slowglass.kit.picture import draw_skyline

        written.append(draw_skyline(chosen, output))
    skyline = skyline_by_direction(chosen)
    if as_json:
        print_document({"site": chosen, "skyline": skyline, "outputs": written})
        return
    rows = [
        ("latitude", f"{abs(chosen.latitude_deg):.4f}° {'NS'[chosen.latitude_deg < 0]}"),
        ("longitude", f"{abs(chosen.longitude_deg):.4f}° {'EW'[chosen.longitude_deg < 0]}"),
        ("height", f"{chosen.height_m:.0f} m"),
        ("time zone", chosen.timezone),
        ("sky at the zenith", f"{chosen.sky_mag_arcsec2:.2f} mag/arcsec²"),
        ("usual seeing", f"{chosen.seeing_arcsec:.1f}″"),
        ("usual temperature", f"{chosen.temperature_c:.0f} °C"),
    ]
    rows += [(f"skyline in the {where}", f"{alt:.0f}°") for where, alt in skyline.items()]
    out = console()
    out.print(facts(f"Site: {chosen.name}", rows))
    if written:
        out.print(saved(written))
