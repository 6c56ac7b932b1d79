"""Expose: the plan for an object tonight, and its forecast frame in a file."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from slowglass.errors import UsageError
from slowglass.expose.plan import ExposurePlan
from slowglass.expose.prospect import prospect_of
from slowglass.kit.model import Kit, Site
from slowglass.progress import Report, silent
from slowglass.sky.place import resolve_place

if TYPE_CHECKING:
    from slowglass.frame.image import Frame
    from slowglass.sky.store import Sky

SUFFIXES = (".fits", ".fit", ".png")


def tonight(site: Site, now: datetime | None = None) -> date:
    """The local date on which the current or coming night began (until noon: yesterday's)."""
    local = (now or datetime.now(UTC)).astimezone(ZoneInfo(site.timezone))
    return (local - timedelta(hours=12)).date()


def expose_object(
    kit: Kit,
    site: Site,
    sky: Sky,
    name: str,
    *,
    seconds: float,
    frames: int = 1,
    when: datetime | None = None,
    night: date | None = None,
    out: Path | str | None = None,
    strip: Path | str | None = None,
    seed: int = 0,
    report: Report = silent,
    **options: Any,
) -> ExposurePlan:
    """The plan for an object, place or star, and its forecast frame in ``out`` (FITS or PNG).

    ``strip`` names a PNG for the same object in 1, 10 and 60 frames side by side.

    Without ``when`` the object is taken at its best in the darkness of ``night`` (default:
    tonight), or at 50° if it is not up then. ``options`` go to the forecast.
    """
    target = Path(out) if out is not None else None
    if target is not None and target.suffix.lower() not in SUFFIXES:
        raise UsageError(
            f"{target}: a forecast is written as FITS or PNG", f"use {', '.join(SUFFIXES)}"
        )
    pictures = Path(strip) if strip is not None else None
    if pictures is not None and pictures.suffix.lower() != ".png":
        raise UsageError(f"{pictures}: a strip is written as PNG", "end the name in .png")
    stages = 1 + (target is not None) + (pictures is not None)
    report("expose: planning", 0, stages)
    place = resolve_place(name, sky, when=when)
    prospect = prospect_of(kit, site, sky, place, when=when, night=night or tonight(site))
    when = prospect.when
    plan = prospect.plan(kit, site, sky, seconds=seconds, frames=frames)
    outputs, stage = [], 1
    if target is not None:
        from slowglass.expose.forecast import render_forecast

        report("expose: rendering the forecast frame", stage, stages)
        frame = render_forecast(
            kit, site, sky, place, exposure_s=seconds, when=when, seed=seed, **options
        )
        outputs.append(write_frame(target, frame))
        stage += 1
    if pictures is not None:
        from slowglass.expose.strip import write_strip

        report("expose: drawing 1, 10 and 60 frames", stage, stages)
        outputs.append(
            write_strip(pictures, kit, site, sky, place, exposure_s=seconds, when=when, seed=seed)
        )
    report("expose: done", stages, stages)
    return replace(plan, outputs=tuple(str(path.resolve()) for path in outputs))


def write_frame(path: Path | str, frame: Frame) -> Path:
    """Write a rendered frame as 16-bit FITS, or as a stretched PNG preview; returns the path."""
    target = Path(path)
    if target.suffix.lower() == ".png":
        from slowglass.expose.preview import write_preview

        return write_preview(target, frame)
    from slowglass.frame.fits_io import write_fits

    return write_fits(
        target, frame.pixels, cards=frame.header.cards, history=frame.history, dtype="uint16"
    )
