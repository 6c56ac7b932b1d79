"""A drawn skyline kept in a site's file, with the earlier one beside it to bring back."""

from __future__ import annotations

from pathlib import Path

from slowglass.errors import UsageError
from slowglass.frame.atomic import replacing
from slowglass.kit.io import load_site, read_skyline, write_site
from slowglass.kit.model import Site
from slowglass.kit.skyline import Points

FLAT = "0, 0\n"


def earlier_file(path: Path) -> Path:
    """Where the skyline that a site file had before the present one is kept."""
    return path.with_name(f"{path.stem}-earlier-skyline.csv")


def skyline_text(points: Points) -> str:
    """The pairs as a list to read and edit, azimuth and altitude in degrees on each line."""
    return "".join(f"{azimuth:g}, {altitude:g}\n" for azimuth, altitude in points) or FLAT


def keep_skyline(points: Points, site: Site, path: Path) -> Site:
    """The site with a skyline, written to its file; the earlier skyline is kept beside it.

    What else the file holds stays. A file of another site is refused, not overwritten.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    present = load_site(path) if path.is_file() else site
    if present.name != site.name:
        raise UsageError(
            f"{path} is of {present.name}, not of {site.name}",
            "open the workbench at that site, or give this one a file of its own",
        )
    changed = Site.model_validate({**present.model_dump(), "horizon": points})
    with replacing(earlier_file(path)) as temporary:
        temporary.write_text(skyline_text(present.horizon), encoding="utf-8")
    write_site(changed, path, replace=True)
    return changed


def bring_skyline_back(site: Site, path: Path) -> Site:
    """The site with its earlier skyline, written to its file; once more undoes that."""
    earlier = earlier_file(path)
    if not earlier.is_file():
        raise UsageError(f"{site.name} has no earlier skyline", "nothing was changed")
    return keep_skyline(read_skyline(earlier), site, path)
