"""``slowglass sky add``: faint stars from your own solved frames."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from slowglass.cli.common import (
    FramesKitOption,
    FramesSiteOption,
    JsonOption,
    NearOption,
    RadiusOption,
    ScaleOption,
    console,
    open_workbench,
    print_line,
    progress,
    table,
)

if TYPE_CHECKING:
    from slowglass.sky.own_store import OwnSummary


def add(
    paths: Annotated[
        list[Path], typer.Argument(metavar="PATH", help="Frames, or folders of frames.")
    ],
    near: NearOption = None,
    radius_deg: RadiusOption = None,
    scale_arcsec_per_px: ScaleOption = None,
    kit: FramesKitOption = None,
    site: FramesSiteOption = None,
    as_json: JsonOption = False,
) -> int:
    """Keep the faint stars of frames that are surely placed, for thin fields nearby.

    A star counts from the second frame that shows it, on another place of the sensor. Own stars
    are asked only where the other catalogues leave a frame unsolved. sky forget --own removes
    them.
    """
    given = 0
    rows = table("Own stars", "frame", "kept", "odds", "", right=(1, 2))
    with progress() as report:
        bench = open_workbench(kit, site, report)
        for gave in bench.add_stars(
            paths,
            near=near,
            radius_deg=radius_deg,
            scale_arcsec_per_px=scale_arcsec_per_px,
            report=report,
        ):
            given += gave.stars
            odds = gave.solution.odds_log10 if gave.solution.solved else None
            if as_json:
                print_line(
                    {
                        "file": gave.frame,
                        "stars_kept": gave.stars,
                        "reason": gave.reason,
                        "odds_log10": odds,
                    }
                )
                continue
            rows.add_row(
                gave.frame,
                str(gave.stars),
                "–" if odds is None else f"10^{odds:.1f}",
                gave.reason,
            )
    if not as_json:
        console().print(rows)
    return 0 if given else 1


def own_text(held: OwnSummary) -> str:
    """What is held of the user's own stars, in a line."""
    if not held.frames:
        return "none"
    plural = "s" if len(held.frames) != 1 else ""
    return (
        f"{held.stars} believed, of {held.sightings} sightings in {len(held.frames)} frame{plural}"
    )
