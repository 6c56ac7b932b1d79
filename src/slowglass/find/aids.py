"""Two ways to a target besides the hop: waiting for it to drift in, and the setting circles."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np

from slowglass.find.hour import SIDEREAL_DEG_PER_S, hour_tracks
from slowglass.find.nudge import axis_turns, format_angle, format_ra_time
from slowglass.kit.model import Site
from slowglass.sky.catalogue import Stars
from slowglass.sky.coords import of_date

DRIFT_SHARE = 0.35
"""Largest difference in declination, in fields, at which the target still crosses the view."""
LONGEST_DRIFT_DEG = 30.0
"""Longest turn of the RA axis: two hours."""
LONGEST_WAIT_MIN = 60.0
NO_WAIT_COST_MAG = 1.5


@dataclass(frozen=True)
class Drift:
    """A star of the target's declination: turn the RA axis only, or wait with the motor off.

    ``wait_min`` is how long the sky takes to bring the target to where the star stood; None when
    the target is west of the star and went by before it. ``offset_deg`` is how far north of
    mid-field it passes.
    """

    star: str
    star_mag: float
    star_ra_deg: float
    star_dec_deg: float
    ra_move_deg: float
    offset_deg: float
    wait_min: float | None
    text: str

    def as_json(self) -> dict[str, Any]:
        """The drift with the names of the machine output."""
        return {
            "star": self.star,
            "star_mag": round(self.star_mag, 2),
            "star_ra_deg": round(self.star_ra_deg, 5),
            "star_dec_deg": round(self.star_dec_deg, 5),
            "ra_move_deg": round(self.ra_move_deg, 4),
            "ra_move_min": round(self.ra_move_deg * 4.0, 2),
            "offset_deg": round(self.offset_deg, 4),
            "wait_min": None if self.wait_min is None else round(self.wait_min, 1),
            "text": self.text,
        }


@dataclass(frozen=True)
class CircleOffset:
    """From a star to the target by the setting circles: minutes of RA, degrees of Dec.

    ``pier_side`` is the side of the pier the tube is on for the target, on a mount that carries
    it beside its axis ("east" looks west); ``crosses_meridian`` says that star and target stand
    on different sides.
    """

    star: str
    ra_min: float
    dec_deg: float
    pier_side: str | None
    crosses_meridian: bool
    text: str

    def as_json(self) -> dict[str, Any]:
        """The offsets with the names of the machine output."""
        return {
            "star": self.star,
            "ra_min": round(self.ra_min, 2),
            "dec_deg": round(self.dec_deg, 3),
            "pier_side": self.pier_side,
            "crosses_meridian": self.crosses_meridian,
            "text": self.text,
        }


def same_declination(
    anchors: Stars,
    name_of: Callable[[int], str],
    target: tuple[str, float, float],
    *,
    field_deg: float,
    when: datetime,
) -> Drift | None:
    """The best star to reach a target (name, ra, dec) from by turning RA alone, or None.

    Declinations are of date: the mount turns about today's pole. Bright and near is best.
    """
    if not len(anchors):
        return None
    unix = when.timestamp()
    ra, dec = of_date(anchors.ra_deg, anchors.dec_deg, unix)
    goal_ra, goal_dec = (float(x) for x in of_date(target[1], target[2], unix))
    turn = (goal_ra - ra + 180.0) % 360.0 - 180.0
    offset = goal_dec - dec
    on_sky = np.abs(turn) * np.cos(np.radians(goal_dec))
    fits = (np.abs(offset) <= DRIFT_SHARE * field_deg) & (np.abs(turn) <= LONGEST_DRIFT_DEG)
    fits &= on_sky > 0.3 * field_deg
    if not fits.any():
        return None
    dear = anchors.v_mag + 0.15 * np.abs(turn) + 2.0 * np.abs(offset) / field_deg
    # one that can be waited from is worth a fainter star
    waits = (turn > 0.0) & (turn <= LONGEST_WAIT_MIN / 4.0)
    dear = dear + np.where(waits, 0.0, NO_WAIT_COST_MAG)
    i = int(np.argmin(np.where(fits, dear, np.inf)))
    name, shift, aside = name_of(i), float(turn[i]), float(offset[i])
    wait = shift / SIDEREAL_DEG_PER_S / 60.0 if shift > 0.0 else None
    described = ", the magnitude " in name or name.startswith("the ")
    shown = name if described else f"{name} (magnitude {anchors.v_mag[i]:.1f})"
    if shown.startswith("the "):
        shown = f"The {shown[4:]}"
    text = (
        f"{shown} has nearly the declination of {target[0]}: "
        f"centre it, lock the Dec axis and turn the RA axis {format_angle(shift)} "
        f"{'east' if shift > 0 else 'west'} ({format_ra_time(shift)})"
    )
    if wait is not None and wait <= LONGEST_WAIT_MIN:
        text += f", or switch the motor off and wait {wait:.0f} min: the sky brings it in"
    else:
        wait = None
    if abs(aside) >= 0.02:
        side = "north" if aside > 0 else "south"
        text += f". It crosses {format_angle(aside)} {side} of mid-field"
    return Drift(
        name,
        float(anchors.v_mag[i]),
        float(anchors.ra_deg[i]),
        float(anchors.dec_deg[i]),
        shift,
        aside,
        wait,
        f"{text}.",
    )


def circle_offset(
    star: tuple[str, float, float],
    target: tuple[str, float, float],
    *,
    site: Site,
    when: datetime | None,
) -> CircleOffset:
    """Setting-circle offsets from a star to a target, both (name, ra, dec) in ICRS degrees."""
    ra, dec = np.array([star[1], target[1]]), np.array([star[2], target[2]])
    side, crosses = None, False
    if when is not None:
        unix = when.timestamp()
        hours, _ = hour_tracks(ra, dec, np.array([unix]), site=site)
        hour = (hours[:, 0] + 180.0) % 360.0 - 180.0
        side = "east" if hour[1] >= 0.0 else "west"
        crosses = bool((hour[0] >= 0.0) != (hour[1] >= 0.0))
        ra, dec = of_date(ra, dec, unix)
    ra_turn, dec_turn, past_pole = axis_turns(
        float(ra[0]), float(dec[0]), float(ra[1]), float(dec[1])
    )
    text = (
        f"Setting circles: from {star[0]} {format_ra_time(ra_turn)} "
        f"{'east (more RA)' if ra_turn > 0 else 'west (less RA)'} and {format_angle(dec_turn)} "
        f"{'north' if dec_turn > 0 else 'south'}{' past the pole' if past_pole else ''}"
    )
    if side is not None:
        other = "west" if side == "east" else "east"
        text += f"; tube on the {side} side of the pier, looking {other}"
        if crosses:
            text += f". {star[0]} is across the meridian: set the circles there again after turning"
            text += " the mount over"
    return CircleOffset(star[0], ra_turn * 4.0, dec_turn, side, crosses, f"{text}.")
