"""Expose: the plan for an object tonight, and its forecast frame in a file."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import numpy as np

from slowglass.errors import UsageError
from slowglass.expose.conditions import Conditions, conditions_at, conditions_at_altitude
from slowglass.expose.evening import best_stand
from slowglass.expose.isophote import cluster_extent_arcmin
from slowglass.expose.measure import told_of_a_star
from slowglass.expose.plan import ExposurePlan, plan_exposure
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
    notes: list[str] = []
    minutes_up = None
    if when is None:
        stand = best_stand(site, place.ra_deg, place.dec_deg, night or tonight(site))
        if stand is None:
            notes.append("not up in darkness that night; taken at 50° altitude, no Moon")
        else:
            when, minutes_up = stand.when, stand.minutes_up
            if stand.darkness != "astronomical":
                notes.append(f"the sky does not get fully dark: taken in {stand.darkness} twilight")
    conditions = _conditions(site, place.ra_deg, place.dec_deg, when)
    radius = float(np.hypot(kit.field_width_deg, kit.field_height_deg)) / 2.0
    field = sky.stars.cone(place.ra_deg, place.dec_deg, radius)
    plan = plan_exposure(
        kit,
        site,
        place.object,
        seconds=seconds,
        frames=frames,
        conditions=conditions,
        dec_deg=place.dec_deg,
        minutes_up=minutes_up,
        field_mags=tuple(np.where(np.isfinite(field.v_mag), field.v_mag, field.mag).tolist()),
    )
    if place.object is not None and told_of_a_star(place.object.kind) and not plan.seen_arcmin:
        crowd = cluster_extent_arcmin(sky.stars, place.object, reached_mag=plan.faintest_mag_total)
        plan = replace(plan, seen_arcmin=None if crowd is None else (crowd, crowd))
    plan = replace(plan, name=place.name, notes=(*plan.notes, *notes))
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


def _conditions(site: Site, ra_deg: float, dec_deg: float, when: datetime | None) -> Conditions:
    if when is None:
        return conditions_at_altitude(site)
    found = conditions_at(site, ra_deg, dec_deg, when)
    if found.altitude_deg <= 0.0:
        raise UsageError(
            f"{when.isoformat(timespec='minutes')}: the target is {-found.altitude_deg:.0f}° "
            "below the horizon",
            "choose another time, or leave it out for the best time of the night",
        )
    return found


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
