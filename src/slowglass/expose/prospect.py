"""What a night offers for an object, before the length of an exposure is chosen."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import TYPE_CHECKING

import numpy as np

from slowglass.errors import UsageError
from slowglass.expose.conditions import Conditions, conditions_at, conditions_at_altitude
from slowglass.expose.evening import best_stand
from slowglass.expose.isophote import cluster_extent_arcmin
from slowglass.expose.measure import told_of_a_star
from slowglass.expose.plan import plan_exposure
from slowglass.expose.record import ExposurePlan
from slowglass.kit.model import Kit, Site
from slowglass.sky.place import Place

if TYPE_CHECKING:
    from slowglass.sky.store import Sky


@dataclass(frozen=True)
class Prospect:
    """A place at its moment: sky and air there, the time it is up, the stars in the frame."""

    place: Place
    when: datetime | None
    """UTC; None when it does not come up and 50° of altitude is assumed."""
    minutes_up: float | None
    conditions: Conditions
    field_mags: tuple[float, ...]
    notes: tuple[str, ...]

    def plan(self, kit: Kit, site: Site, sky: Sky, *, seconds: float, frames: int) -> ExposurePlan:
        """The plan of exposures of that length."""
        place = self.place
        plan = plan_exposure(
            kit,
            site,
            place.object,
            seconds=seconds,
            frames=frames,
            conditions=self.conditions,
            dec_deg=place.dec_deg,
            minutes_up=self.minutes_up,
            field_mags=self.field_mags,
        )
        obj = place.object
        if obj is not None and told_of_a_star(obj.kind) and not plan.seen_arcmin:
            crowd = cluster_extent_arcmin(sky.stars, obj, reached_mag=plan.faintest_mag_total)
            plan = replace(plan, seen_arcmin=None if crowd is None else (crowd, crowd))
        return replace(plan, name=place.name, notes=(*plan.notes, *self.notes))


def prospect_of(
    kit: Kit,
    site: Site,
    sky: Sky,
    place: Place,
    *,
    when: datetime | None = None,
    night: date,
) -> Prospect:
    """The prospect of a place at a moment, or at its best in the darkness of ``night``."""
    notes: list[str] = []
    minutes_up = None
    if when is None:
        stand = best_stand(site, place.ra_deg, place.dec_deg, night)
        if stand is None:
            notes.append("not up in darkness that night; taken at 50° altitude, no Moon")
        else:
            when, minutes_up = stand.when, stand.minutes_up
            if stand.darkness != "astronomical":
                notes.append(f"the sky does not get fully dark: taken in {stand.darkness} twilight")
    conditions = _conditions(site, place.ra_deg, place.dec_deg, when)
    radius = float(np.hypot(kit.field_width_deg, kit.field_height_deg)) / 2.0
    field = sky.stars.cone(place.ra_deg, place.dec_deg, radius)
    mags = np.where(np.isfinite(field.v_mag), field.v_mag, field.mag)
    return Prospect(place, when, minutes_up, conditions, tuple(mags.tolist()), tuple(notes))


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
