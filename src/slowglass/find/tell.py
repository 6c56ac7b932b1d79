"""From a hop found among arrays to a route with names, turns, bearings and words."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np

from slowglass.find.anchors import SAME_PLACE_DEG, sight_of
from slowglass.find.direction import clock_hour, guide_star, zenith_angle_deg
from slowglass.find.labels import (
    catalogue_label,
    names_by_hip,
    near_landmark,
    star_title,
    stop_labels,
)
from slowglass.find.moves import UsableMove
from slowglass.find.result import Route
from slowglass.find.route import Hop, Leg
from slowglass.find.waypoints import KINDS, SAME_SPOT_SHARE, Waypoints, chord
from slowglass.find.words import (
    ALIKE_AT_ALL,
    Bearings,
    Stop,
    anchor_words,
    arrival_words,
    leg_between,
    target_arrival,
    wrong_words,
)
from slowglass.kit.model import Site
from slowglass.sky.catalogue import Stars
from slowglass.sky.coords import position_angle_deg, separation_deg, sky_angles
from slowglass.sky.store import Sky

BEYOND_CONE_DEG = 35.0
BEYOND_BRIGHTER_MAG = 0.5
TWIN_MAG = 1.0
"""A twin worth a warning differs by no more than this a star."""


@dataclass(frozen=True, eq=False)
class Ground:
    """What a hop was searched in: the stars, the places among them, the kit's move, where, when."""

    sky: Sky
    site: Site
    stars: Stars
    places: Waypoints
    move: UsableMove
    when: datetime | None


def told(base: Route, hop: Hop, ground: Ground) -> Route:
    """The route with names, turns and words for a found hop."""
    stars, places, sky, move = ground.stars, ground.places, ground.sky, ground.move
    names = names_by_hip(sky.named_stars)
    first, *rest = hop.stops
    star = places.stars_of(first)[0]
    hip, mag = int(stars.hip[star]), float(stars.v_mag[star])
    anchor = names.get(hip) or catalogue_label(hip, int(stars.source_id[star]))
    ra, dec = float(stars.ra_deg[star]), float(stars.dec_deg[star])
    proper = sky.named_stars.find(anchor) is not None
    where = "" if proper else near_landmark(ra, dec, sky.named_stars)
    sight = None if ground.when is None else sight_of(ra, dec, ground.site, ground.when)
    title = star_title(stars.take([star]), sky.named_stars)
    text = anchor_words(anchor, mag, where, sight, red_dot=move.field_name != "finder field")

    kinds = [KINDS[places.kind[i]] for i in rest]
    hips = [
        int(stars.hip[places.stars_of(i)[0]]) if kind == "star" else 0
        for i, kind in zip(rest, kinds, strict=True)
    ]
    labels = stop_labels(kinds, hips, names)
    here = Stop(anchor, ra, dec, "star", ((ra, dec, mag),))
    legs: list[Leg] = []
    for i, label in zip(rest, labels, strict=True):
        there = _stop(i, label, ground)
        direction = float(
            position_angle_deg(here.ra_deg, here.dec_deg, there.ra_deg, there.dec_deg)
        )
        twin = _twin(i, there, ground) if there.ambiguity >= ALIKE_AT_ALL else None
        brighter = _brighter_near(there, ground) if there.kind == "star" else 9
        legs.append(
            leg_between(
                here,
                there,
                move=move,
                arrival=arrival_words(there, brighter),
                wrong=wrong_words(there, here.name, twin, _beyond(there, direction, ground)),
                bearings=_bearings(here, direction, ground),
            )
        )
        here = there
    goal = Stop(base.target, base.target_ra_deg, base.target_dec_deg)
    direction = float(position_angle_deg(here.ra_deg, here.dec_deg, goal.ra_deg, goal.dec_deg))
    legs.append(
        leg_between(
            here,
            goal,
            move=move,
            arrival=target_arrival(base.target, base.object),
            bearings=_bearings(here, direction, ground),
        )
    )
    return replace(
        base,
        anchor=anchor,
        legs=tuple(legs),
        anchor_mag=mag,
        anchor_ra_deg=ra,
        anchor_dec_deg=dec,
        anchor_title=title,
        anchor_text=text,
        cost=hop.cost,
    )


def _stop(i: int, label: str, ground: Ground) -> Stop:
    places, stars = ground.places, ground.stars
    ra, dec = (float(x) for x in sky_angles(places.vectors[i]))
    who = tuple(
        (float(stars.ra_deg[k]), float(stars.dec_deg[k]), float(stars.v_mag[k]))
        for k in places.stars_of(i)
    )
    return Stop(label, ra, dec, KINDS[places.kind[i]], who, float(places.ambiguity[i]))


def _bearings(here: Stop, direction_deg: float, ground: Ground) -> Bearings:
    clock = None
    if ground.when is not None:
        up = float(zenith_angle_deg(here.ra_deg, here.dec_deg, ground.site, ground.when)[0])
        clock = clock_hour(direction_deg, up)
    star = guide_star(ground.sky.named_stars, here.ra_deg, here.dec_deg, direction_deg)
    return Bearings(clock, "" if star is None else star.name)


def _brighter_near(stop: Stop, ground: Ground) -> int:
    away = separation_deg(stop.ra_deg, stop.dec_deg, ground.stars.ra_deg, ground.stars.dec_deg)
    near = away <= ground.move.field_deg / 2.0
    return int(np.sum(near & (ground.stars.v_mag < stop.stars[0][2])))


def _twin(i: int, stop: Stop, ground: Ground) -> Stop | None:
    """What is most easily taken for a place: of its kind, in its surroundings, alike in light."""
    places, stars = ground.places, ground.stars
    around = ground.move.surroundings_deg
    if stop.kind == "star":
        away = separation_deg(stop.ra_deg, stop.dec_deg, stars.ra_deg, stars.dec_deg)
        off = np.abs(stars.v_mag - stop.stars[0][2])
        off[(away > around) | (away < SAME_PLACE_DEG)] = np.inf
        k = int(np.argmin(off))
        ra, dec, mag = float(stars.ra_deg[k]), float(stars.dec_deg[k]), float(stars.v_mag[k])
        twin = Stop("star", ra, dec, "star", ((ra, dec, mag),))
        return twin if off[k] <= TWIN_MAG else None
    gap = np.linalg.norm(places.vectors - places.vectors[i], axis=1)
    rival = (places.kind == places.kind[i]) & (gap <= chord(around))
    rival &= gap > chord(SAME_SPOT_SHARE * ground.move.field_deg)
    off = np.abs(places.lead_mag - places.lead_mag[i]) + np.abs(
        places.faint_mag - places.faint_mag[i]
    )
    off[~rival] = np.inf
    k = int(np.argmin(off))
    return _stop(k, stop.kind, ground) if off[k] <= 2.0 * TWIN_MAG else None


def _beyond(stop: Stop, direction_deg: float, ground: Ground) -> tuple[float, float] | None:
    """(distance, magnitude) of the bright star one meets by going too far."""
    stars, field = ground.stars, ground.move.field_deg
    away = separation_deg(stop.ra_deg, stop.dec_deg, stars.ra_deg, stars.dec_deg)
    angle = position_angle_deg(stop.ra_deg, stop.dec_deg, stars.ra_deg, stars.dec_deg)
    off = np.abs((angle - direction_deg + 180.0) % 360.0 - 180.0)
    ahead = (off <= BEYOND_CONE_DEG) & (away >= 0.3 * field) & (away <= 1.1 * field)
    ahead &= stars.v_mag <= stop.stars[0][2] + BEYOND_BRIGHTER_MAG
    if not ahead.any():
        return None
    k = int(np.argmin(np.where(ahead, stars.v_mag, np.inf)))
    return float(away[k]), float(stars.v_mag[k])
