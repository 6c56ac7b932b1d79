"""Reachable, in full: the stay above the skyline, the Moon, the meridian, the tripod, the hop."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np

from slowglass.choose.answers import Candidate
from slowglass.choose.detail import HopSummary, Moment
from slowglass.find.hour import SIDEREAL_DEG_PER_S
from slowglass.kit.clearance import Floats, SideRooms, side_rooms
from slowglass.kit.model import Kit, Site

EASY_HOP, FAIR_HOP = 4.0, 8.0
"""Legs, with more for a faint anchor, up to which a hop is easy, and fair."""
BRIGHT_ANCHOR_MAG, LEGS_PER_MAG = 2.5, 1.2
BRIGHT_MOON = 0.1
"""A thinner crescent hardly matters."""
STEP_S, COARSE = 60.0, 49
"""A clash is looked for at so many moments of the stay, then to the minute."""


def with_window(
    found: Candidate,
    moment: Moment,
    hop: HopSummary,
    *,
    kit: Kit,
    site: Site,
    moon_fraction: float,
    anchor_mag: float | None,
) -> Candidate:
    """The candidate with its stay, meridian, tripod, Moon and hop told in text and reason."""
    reach = found.reachable
    difficulty = hop_difficulty(hop, anchor_mag)
    said = []
    if moon_fraction > BRIGHT_MOON and 0.0 < moment.moonless_min < moment.minutes_up:
        said.append(f"the Moon is down for {_minutes(moment.moonless_min)} of that")
    meridian, change_by = None, None
    if moment.minutes_up > 0:
        meridian = _meridian(moment)
    if kit.mount.driven == "ra" and kit.stand.form == "counterweight" and moment.minutes_up > 0:
        change_by = _change_by(moment, found.object.dec_deg, kit=kit, site=site)
    against = ""
    if change_by is not None:
        clock = _clock(change_by, site)
        said.append(f"the tube has to change sides of the mount by {clock}")
        against = f"The tube changes sides by {clock}."
    elif meridian is not None:
        said.append(f"it crosses the meridian at {_clock(meridian, site)}")
    if moment.blocked_min >= 1.0:
        lost = _minutes(moment.blocked_min)
        said.append(f"for {lost} the camera would meet the tripod on either side")
        against += f" {'And for' if against else 'For'} {lost} the tripod is in its way."
    if difficulty == "hard":
        said.append("a hard hop")
    return replace(
        found,
        reachable=replace(
            reach,
            text="; ".join([reach.text, *said]),
            difficulty=difficulty,
            up_from=_utc(moment.from_unix_s) if moment.minutes_up > 0 else None,
            up_to=_utc(moment.to_unix_s) if moment.minutes_up > 0 else None,
            moonless_minutes=moment.moonless_min,
            meridian=meridian,
            change_by=change_by,
            blocked_minutes=moment.blocked_min,
        ),
        reason=f"{found.reason} {against.strip()}".strip(),
    )


def hop_difficulty(hop: HopSummary, anchor_mag: float | None) -> str:
    """ "easy", "fair" or "hard" by legs and the faintness of the anchor; "none" without a hop."""
    if hop.legs is None:
        return "easy" if hop.anchor is not None else "none"  # the place itself is seen by eye
    faint = max(0.0, (anchor_mag or BRIGHT_ANCHOR_MAG) - BRIGHT_ANCHOR_MAG)
    cost = hop.legs + LEGS_PER_MAG * faint
    return "easy" if cost <= EASY_HOP else "fair" if cost <= FAIR_HOP else "hard"


def _meridian(moment: Moment) -> datetime | None:
    """When it culminates during its stay, above the pole or below it."""
    for turn in (0.0, 180.0, -180.0):
        crossing = moment.unix_s + (turn - moment.hour_angle_deg) / SIDEREAL_DEG_PER_S
        if moment.from_unix_s <= crossing <= moment.to_unix_s:
            return _utc(crossing)
    return None


def _change_by(moment: Moment, dec_deg: float, *, kit: Kit, site: Site) -> datetime | None:
    """When a tube that starts on its natural side first meets the tripod; None if it does not."""
    coarse = np.linspace(moment.from_unix_s, moment.to_unix_s, COARSE)

    def sides(times: Floats) -> SideRooms:
        hours = moment.hour_angle_deg + (times - moment.unix_s) * SIDEREAL_DEG_PER_S
        return side_rooms(hours, dec_deg, latitude_deg=site.latitude_deg, stand=kit.stand)

    rooms = sides(coarse)
    west = rooms.natural[0] == "west"
    start, other = (rooms.west, rooms.east) if west else (rooms.east, rooms.west)
    if start.all() or (other.all() and not start[0]):
        return None
    if not start[0]:
        return _utc(coarse[0])
    meets = int(np.argmin(start))
    times = np.arange(coarse[meets - 1], coarse[meets] + STEP_S, STEP_S)
    fine = sides(times)
    return _utc(times[int(np.argmin(fine.west if west else fine.east))])


def _utc(unix_s: float) -> datetime:
    return datetime.fromtimestamp(round(float(unix_s)), UTC)


def _clock(moment: datetime, site: Site) -> str:
    return f"{moment.astimezone(ZoneInfo(site.timezone)):%H:%M}"


def _minutes(minutes: float) -> str:
    return f"{minutes:.0f} min" if minutes < 120 else f"{minutes / 60:.1f} h"
