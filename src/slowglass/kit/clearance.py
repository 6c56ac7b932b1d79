"""Where the tube of a counterweighted equatorial mount meets its own tripod.

The mount is taken as two axes that cross above the tripod's top. The tube rides on the
declination axis, to one side of the polar axis; its lower end, camera included, swings past the
legs. Distances are those between straight lines with thickness: good to a hand's breadth, which
is what a look at the tripod in daylight gives too.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from slowglass.kit.model import Stand

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Side = Literal["west", "east"]
"""Where the tube hangs: west of the mount for what is in the east, and the other way round."""

LEG_RADIUS_MM = 20.0
HAND_MM = 20.0
"""Closer than this counts as a clash: cables, focusing knobs, a tripod not quite level."""
_TUBE_POINTS = 9


@dataclass(frozen=True)
class SideRooms:
    """For each moment, whether the tube is free of the tripod on either side; arrays alike."""

    west: Bools
    east: Bools
    natural: npt.NDArray[np.str_]
    """The side on which the counterweight is the lower end: "west" before the meridian."""

    @property
    def free(self) -> Bools:
        """Where one side or the other will do."""
        return self.west | self.east


def side_rooms(
    hour_angle_deg: npt.ArrayLike, dec_deg: npt.ArrayLike, *, latitude_deg: float, stand: Stand
) -> SideRooms:
    """On which side the tube is free at hour angles (west positive) and declinations, degrees.

    The arguments broadcast. A stand of another form is free everywhere.
    """
    h, d = np.broadcast_arrays(np.asarray(hour_angle_deg, float), np.asarray(dec_deg, float))
    natural = np.where(np.sin(np.radians(h)) < 0.0, "west", "east")
    if stand.form != "counterweight":
        return SideRooms(np.ones(h.shape, bool), np.ones(h.shape, bool), natural)
    west = _clearance_mm(h, d, latitude_deg, stand, tube="west") > 0.0
    east = _clearance_mm(h, d, latitude_deg, stand, tube="east") > 0.0
    return SideRooms(west, east, natural)


def stays_free_deg(dec_deg: float, *, latitude_deg: float, stand: Stand) -> float:
    """Hour angle in degrees to which a tube on the west side follows past the meridian.

    Negative when it meets the tripod before, 90 when it never does in those six hours.
    """
    hours = np.arange(-90.0, 90.1, 0.5)
    rooms = side_rooms(hours, dec_deg, latitude_deg=latitude_deg, stand=stand)
    if not rooms.west.any():
        return -90.0
    from_south = np.flatnonzero(~rooms.west & (hours > hours[np.argmax(rooms.west)]))
    return float(hours[from_south[0] - 1]) if len(from_south) else 90.0


def _clearance_mm(
    hour_deg: Floats, dec_deg: Floats, latitude_deg: float, stand: Stand, *, tube: Side
) -> Floats:
    """Least gap in mm between the tube's lower half and the tripod; negative when they meet.

    East, north, up; the origin is where the axes cross.
    """
    h, d, lat = np.radians(hour_deg), np.radians(dec_deg), np.radians(latitude_deg)
    sign = 1.0 if latitude_deg >= 0.0 else -1.0
    pole = np.array([0.0, np.cos(lat) * sign, np.sin(lat) * sign])
    aim = np.stack(
        [
            -np.cos(d) * np.sin(h),
            np.sin(d) * np.cos(lat) - np.cos(d) * np.sin(lat) * np.cos(h),
            np.sin(d) * np.sin(lat) + np.cos(d) * np.cos(lat) * np.cos(h),
        ],
        axis=-1,
    )
    across = np.cross(pole, aim)
    length = np.linalg.norm(across, axis=-1, keepdims=True)
    # At the pole every direction of the declination axis is the same to the star.
    across = np.where(length > 1e-6, across / np.maximum(length, 1e-6), [1.0, 0.0, 0.0])
    arm = across * (-sign if tube == "west" else sign) * stand.tube_offset_mm
    along = np.linspace(0.0, stand.tube_behind_mm, _TUBE_POINTS)
    points = arm[..., None, :] - aim[..., None, :] * along[:, None]

    top = np.array([0.0, 0.0, -stand.head_above_mm])
    # The head itself stands on the tripod's top; the rest above is the mount's own moving part.
    bars = [(top, np.array([0.0, 0.0, 1.0]), 0.3 * stand.head_above_mm)]
    spread = np.radians(stand.leg_spread_deg)
    first = 0.0 if sign > 0 else 180.0
    for turn in (0.0, 120.0, 240.0):
        az = np.radians(first + stand.leg_azimuth_deg + turn)
        way = np.array([np.sin(spread) * np.sin(az), np.sin(spread) * np.cos(az), -np.cos(spread)])
        bars.append((top, way, stand.leg_length_mm))
    gaps = [_distance_mm(points, *bar) for bar in bars]
    room = stand.tube_diameter_mm / 2.0 + LEG_RADIUS_MM + HAND_MM
    return np.asarray(np.min(gaps, axis=0).min(axis=-1) - room)


def _distance_mm(points: Floats, start: Floats, way: Floats, length: float) -> Floats:
    """Distances from points (..., 3) to a bar."""
    gap = points - start
    along = np.clip(gap @ way, 0.0, length)
    return np.linalg.norm(gap - along[..., None] * way, axis=-1)
