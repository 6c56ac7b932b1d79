"""More than one object in a frame, or more than one frame for an object."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from slowglass.choose.framing import Group, Panels, frame_fraction, size_words

Floats = npt.NDArray[np.float64]

OVERLAP = 0.15
"""Share of a frame that two panels have in common: enough stars to join them by."""
ANGLE_STEP_DEG = 5.0
MOST_TOLD = 4
"""Neighbours told by name."""


@dataclass(frozen=True)
class Neighbour:
    """An object near another: arcmin east and north of it, its radius, and its magnitude."""

    name: str
    east_arcmin: float
    north_arcmin: float
    radius_arcmin: float
    mag: float


def two_panels(
    *,
    major_arcmin: float,
    minor_arcmin: float,
    position_angle_deg: float,
    field_deg: tuple[float, float],
    comfortable: float,
) -> Panels | None:
    """Two frames side by side that hold an ellipse with room to spare, or None.

    The frames join along the object's major axis, by their short sides or their long ones,
    whichever leaves more sky around it.
    """
    long, short = max(field_deg) * 60.0, min(field_deg) * 60.0
    best: tuple[float, float, float] | None = None
    for along, across, turn in ((long, short, 0.0), (short, long, 90.0)):
        joined = (2.0 - OVERLAP) * along
        fraction = float(frame_fraction(major_arcmin, minor_arcmin, joined, across, tilt_deg=0.0))
        if best is None or fraction < best[0]:
            best = fraction, 0.5 * (1.0 - OVERLAP) * along, turn
    assert best is not None
    fraction, away, turn = best
    if fraction > comfortable:
        return None
    pa = math.radians(position_angle_deg)
    return Panels(
        offset_arcmin=(away * math.sin(pa), away * math.cos(pa)),
        angle_deg=(position_angle_deg + turn) % 180.0,
        fraction=fraction,
        overlap=OVERLAP,
        text=f"two frames {2 * away:.0f}′ apart along position angle {position_angle_deg:.0f}° "
        f"hold {size_words(major_arcmin, minor_arcmin)} of it",
    )


def group_in_frame(
    radius_arcmin: float,
    others: Sequence[Neighbour],
    *,
    field_deg: tuple[float, float],
    comfortable: float,
) -> Group | None:
    """The frame that holds an object of a radius and most of its neighbours, or None if none fit.

    Every camera angle in steps of 5° is tried; brighter neighbours have the first say. Ties go
    to the angle that leaves most room.
    """
    usable = comfortable * 60.0 * np.array([max(field_deg), min(field_deg)])
    ordered = sorted(others, key=lambda other: other.mag)
    best: tuple[tuple[float, float], tuple[int, ...], Floats, float] | None = None
    for angle in np.arange(0.0, 180.0, ANGLE_STEP_DEG):
        turn = math.radians(angle)
        along = np.array([math.sin(turn), math.cos(turn)])
        across = np.array([math.cos(turn), -math.sin(turn)])
        low = np.full(2, -radius_arcmin)
        high = -low
        inside: list[int] = []
        for number, other in enumerate(ordered):
            place = np.array([other.east_arcmin, other.north_arcmin])
            at = np.array([along @ place, across @ place])
            wider = np.minimum(low, at - other.radius_arcmin)
            taller = np.maximum(high, at + other.radius_arcmin)
            if np.all(taller - wider <= usable):
                low, high = wider, taller
                inside.append(number)
        if not inside:
            continue
        light = sum(10.0 ** (-0.4 * ordered[i].mag) for i in inside)
        room = float(np.min(1.0 - (high - low) / usable))
        middle = 0.5 * (low + high)
        centre = middle[0] * along + middle[1] * across
        if best is None or (light, room) > best[0]:
            best = (light, room), tuple(inside), centre, float(angle)
    if best is None:
        return None
    _, inside_best, centre, angle = best
    names = tuple(ordered[i].name for i in inside_best)
    told = ", ".join(names[:MOST_TOLD])
    more = f" and {len(names) - MOST_TOLD} more" if len(names) > MOST_TOLD else ""
    return Group(
        names,
        (float(centre[0]), float(centre[1])),
        angle,
        f"{told}{more} {'fits' if len(names) == 1 else 'fit'} into the same frame, centred "
        f"{float(np.hypot(*centre)):.0f}′ away with its long side at position angle {angle:.0f}°",
    )
