"""Routes for one object, from this site with this kit."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np

from slowglass.expose.conditions import conditions_at
from slowglass.find.aids import circle_offset, same_declination
from slowglass.find.anchors import (
    altitude_and_skyline,
    anchor_limit_mag,
    anchor_mask,
    sight_of,
    stars_around,
    stars_from_named,
)
from slowglass.find.direction import zenith_angle_deg
from slowglass.find.hour import coming_night, darkest_window, moments_between, windows
from slowglass.find.labels import names_by_hip, star_title
from slowglass.find.limits import Limits, limits_under
from slowglass.find.moves import UsableMove, main_field_deg, usable_move
from slowglass.find.nudge import format_angle
from slowglass.find.result import Route
from slowglass.find.route import Hop, hop_paths
from slowglass.find.sightline import sight_line
from slowglass.find.tell import Ground, told
from slowglass.find.waypoints import Waypoints, find_waypoints
from slowglass.find.words import anchor_words
from slowglass.kit.model import Kit, Site
from slowglass.sky.catalogue import Stars
from slowglass.sky.coords import epoch_year, unit_vectors
from slowglass.sky.ephemeris import sun_alt_deg
from slowglass.sky.night import RISE_SET_DEG
from slowglass.sky.place import Place, resolve_place
from slowglass.sky.star_names import NamedStar
from slowglass.sky.store import Sky

SEARCH_LEGS = (6.0, 12.0, 24.0)
"""Radii searched around the target, in longest legs. A hop cheaper than the radius cannot be
beaten from outside it, since every leg costs at least 1."""
ALTERNATIVES = 2
DARE_MAG = 0.8
"""How much nearer to the faintest visible stars may go when no hop keeps the usual margin."""
AIDS_REACH_DEG = 30.0
PLAIN_SIGHT_MAG = 2.0
"""An object this much brighter than the naked-eye limit is seen by eye, light spread out or not."""


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
    dark and the target is up, else the target's best moment of the coming night. Comes with
    hops from other anchors, the drift along the declination and the setting circles' offsets.
    """
    place = resolve_place(name, sky, when=when)
    moment, note = (when, "") if when is not None else _tonight(place, site)
    route = route_to(
        kit,
        site,
        sky,
        place,
        when=moment,
        from_star=from_star,
        note=note,
        alternatives=ALTERNATIVES,
    )
    return _with_aids(route, kit, site, sky)


def route_to(
    kit: Kit,
    site: Site,
    sky: Sky,
    place: Place,
    *,
    when: datetime | None,
    from_star: str | None = None,
    note: str = "",
    alternatives: int = 0,
) -> Route:
    """The star-hop to a resolved place at a moment; without one, no altitude is considered."""
    epoch = epoch_year(when or datetime.now(UTC))
    altitude = None
    if when is not None:
        altitude, skyline = altitude_and_skyline(place.ra_deg, place.dec_deg, site, when)
        if altitude < skyline:
            note = (
                note or f"{place.name} stands at {altitude:.0f}°, below the skyline, at that hour"
            )
    visible_at = when if altitude is not None and not note else None
    limits = _limits(kit, site, place, visible_at)
    move = usable_move(kit, limits)
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
        limits=limits,
        zenith_angle_deg=None
        if visible_at is None
        else float(zenith_angle_deg(place.ra_deg, place.dec_deg, site, visible_at)[0]),
    )
    if when is not None and _sun_is_up(site, when):
        return replace(base, reason="the Sun is up at that hour: keep tube and finder capped")
    anchor_mag = anchor_limit_mag(site, limits)
    itself = sky.named_stars.find(place.name)
    if itself is not None and itself.mag <= anchor_mag:
        return _told_naked_eye(base, itself, site, visible_at)
    obj = place.object
    if obj is not None and obj.mag is not None and obj.mag <= limits.eye_mag - PLAIN_SIGHT_MAG:
        seen = f"{place.name} shows to the naked eye: the dot or finder can go straight there"
        base = replace(base, note=base.note or seen)

    if from_star is not None:
        stars, anchors = stars_from_named(sky, place, from_star, move, epoch)
        places = _places(stars, move, anchors)
        target = unit_vectors(place.ra_deg, place.dec_deg)
        hops = _hops(places, anchors, target, move, 1)
        start = from_star
    else:
        for dare_mag in (0.0, DARE_MAG):
            move = move.reaching(dare_mag)
            stars, anchors, places, hops = _search(
                sky, place, move, anchor_mag + dare_mag, site, visible_at, epoch, 1 + alternatives
            )
            if hops:
                if dare_mag:
                    dim = "the sky is bright there: some stars of this hop are hard to see"
                    base = replace(base, note=base.note or dim)
                break
        start = f"any star of magnitude {anchor_mag + DARE_MAG:.1f} or brighter"
        if visible_at is not None:
            start += " above the skyline"
    if not hops:
        reason = (
            f"no chain of stars to magnitude {move.mag_limit:.1f} with gaps under "
            f"{format_angle(move.max_leg_deg)} leads from {start} to {place.name}"
        )
        return replace(base, reason=reason)
    ground = Ground(sky, site, stars, places, move, visible_at)
    best, *others = [told(base, hop, ground) for hop in hops]
    return replace(best, alternatives=tuple(others))


def _sun_is_up(site: Site, when: datetime) -> bool:
    where = {"latitude_deg": site.latitude_deg, "longitude_deg": site.longitude_deg}
    return float(sun_alt_deg(when.timestamp(), **where)) > RISE_SET_DEG


def _search(
    sky: Sky,
    place: Place,
    move: UsableMove,
    anchor_mag: float,
    site: Site,
    visible_at: datetime | None,
    epoch: float,
    want: int,
) -> tuple[Stars, np.ndarray, Waypoints, list[Hop]]:
    """Stars, anchors and places round the target, as wide as the best hops need, and these."""
    target = unit_vectors(place.ra_deg, place.dec_deg)
    for legs in SEARCH_LEGS:
        stars = stars_around(
            sky, place.ra_deg, place.dec_deg, legs * move.max_leg_deg, move.mag_limit, epoch
        )
        anchors = anchor_mask(stars, anchor_mag, site, visible_at)
        places = _places(stars, move, anchors)
        hops = _hops(places, anchors, target, move, want)
        if hops and hops[0].cost <= legs:
            break
    return stars, anchors, places, hops


def _limits(kit: Kit, site: Site, place: Place, when: datetime | None) -> Limits:
    """The limits there and then, Moon and twilight counted; without a moment, of the dark sky."""
    if when is None:
        return limits_under(kit, site.sky_mag_arcsec2)
    sky = conditions_at(site, place.ra_deg, place.dec_deg, when)
    lost = sky.extinction_mag * max(0.0, sky.airmass - 1.0)
    return limits_under(kit, sky.sky_mag_arcsec2, extinction_mag=lost)


def _places(stars: Stars, move: UsableMove, anchors: np.ndarray) -> Waypoints:
    return find_waypoints(
        stars.vectors,
        stars.v_mag,
        field_deg=move.field_deg,
        reach_deg=move.surroundings_deg,
        keep=anchors,
    )


def _hops(
    places: Waypoints, anchors: np.ndarray, target: np.ndarray, move: UsableMove, want: int
) -> list[Hop]:
    single = places.kind == 0
    return hop_paths(
        places,
        target,
        single & anchors[places.members[:, 0]],
        max_leg_deg=move.max_leg_deg,
        hop_limit_mag=move.mag_limit,
        want=want,
    )


def _with_aids(route: Route, kit: Kit, site: Site, sky: Sky) -> Route:
    """The route with the aim by eye, the same-declination drift and the setting circles."""
    when = route.when if route.zenith_angle_deg is not None else None
    target = (route.target, route.target_ra_deg, route.target_dec_deg)
    if route.anchor is None or route.anchor_ra_deg is None or route.anchor_dec_deg is None:
        return route
    circles = None
    if route.legs:
        numbered = route.anchor.startswith(("HIP ", "Gaia "))
        called = route.anchor_title if numbered else route.anchor
        start = (called, route.anchor_ra_deg, route.anchor_dec_deg)
        circles = circle_offset(start, target, site=site, when=when)
    drift = line = None
    if when is not None and route.legs and route.limits is not None:
        stars = stars_around(
            sky,
            route.target_ra_deg,
            route.target_dec_deg,
            AIDS_REACH_DEG,
            anchor_limit_mag(site, route.limits),
            epoch_year(when),
        )
        stars = stars.take(anchor_mask(stars, np.inf, site, when))

        def title(i: int) -> str:
            return star_title(stars.take([i]), sky.named_stars)

        def short(i: int) -> str:
            return names.get(int(stars.hip[i])) or title(i)

        names = names_by_hip(sky.named_stars)
        line = sight_line(stars, short, target, field_deg=route.field_deg)
        field = main_field_deg(kit)
        drift = same_declination(stars, title, target, field_deg=field, when=when)
    return replace(route, circles=circles, drift=drift, sight_line=line)


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
