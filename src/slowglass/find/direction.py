"""Directions on the sky as a person takes them: by the clock, by the compass, by a bright star."""

from __future__ import annotations

from datetime import datetime

import numpy as np
import numpy.typing as npt

from slowglass.find.hour import hour_tracks
from slowglass.kit.model import Site
from slowglass.sky.coords import position_angle_deg, separation_deg
from slowglass.sky.star_names import NamedStar, NamedStars

Floats = npt.NDArray[np.float64]

GUIDE_MAG = 2.6
GUIDE_NEAREST_DEG, GUIDE_FARTHEST_DEG = 3.0, 50.0
GUIDE_OFF_DEG = 15.0
"""A star is named as the way to go when it lies this near the direction of the move."""


def zenith_angle_deg(
    ra_deg: npt.ArrayLike, dec_deg: npt.ArrayLike, site: Site, when: datetime
) -> Floats:
    """Position angle of the way to the zenith at places, degrees, north through east.

    The place stands at right ascension 0 and the zenith at the hour angle: the triangle of pole,
    zenith and place (Meeus 1998, ch. 14).
    """
    hour, dec = hour_tracks(ra_deg, dec_deg, np.array([when.timestamp()]), site=site)
    return position_angle_deg(0.0, dec, hour[:, 0], site.latitude_deg)


def clock_hour(position_angle_deg: float, zenith_angle_deg: float) -> float:
    """Where a direction points on a clock face held against the sky, 12 toward the zenith.

    Position angles grow to the left of north as one looks at the sky, clock hours to the right.
    """
    hour = (zenith_angle_deg - position_angle_deg) / 30.0 % 12.0
    return 12.0 if hour < 0.05 else hour


def clock_words(hour: float) -> str:
    """ "2 o'clock", "half past 2": a clock direction to half an hour."""
    halves = round(hour * 2.0) % 24
    whole = halves // 2 or 12
    return f"half past {whole}" if halves % 2 else f"{whole} o’clock"


def guide_star(
    named: NamedStars, ra_deg: float, dec_deg: float, direction_deg: float
) -> NamedStar | None:
    """The bright named star that lies best in a direction from a place, or None."""
    stars = [s for s in named.all() if s.mag <= GUIDE_MAG]
    ra, dec = np.array([s.ra_deg for s in stars]), np.array([s.dec_deg for s in stars])
    away = separation_deg(ra_deg, dec_deg, ra, dec)
    angle = position_angle_deg(ra_deg, dec_deg, ra, dec)
    off = np.abs((angle - direction_deg + 180.0) % 360.0 - 180.0)
    usable = (off <= GUIDE_OFF_DEG) & (away >= GUIDE_NEAREST_DEG) & (away <= GUIDE_FARTHEST_DEG)
    if not usable.any():
        return None
    # a degree aside counts as three degrees farther
    return stars[int(np.argmin(np.where(usable, 3.0 * off + away, np.inf)))]


def compass_words(position_angle_deg: float) -> str:
    """A position angle in words: 0 "north", 90 "east", 22.5 "north-north-east", …"""
    names = (
        "north",
        "north-north-east",
        "north-east",
        "east-north-east",
        "east",
        "east-south-east",
        "south-east",
        "south-south-east",
        "south",
        "south-south-west",
        "south-west",
        "west-south-west",
        "west",
        "west-north-west",
        "north-west",
        "north-north-west",
    )
    return names[round(position_angle_deg / 22.5) % 16]
