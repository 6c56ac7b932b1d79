"""How a solved frame stands over the ground: an attitude matrix in east, north, up.

A camera bolted to a mount turns about the mount's axis and nothing else. That is true of the
directions in which light arrives, so refraction is put on: star places become apparent ones.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from slowglass.judge.drift import roll_error_arcsec
from slowglass.judge.sample import Sample, place_error_arcsec
from slowglass.sky.coords import alt_az, offset_point

Floats = npt.NDArray[np.float64]

ARM_DEG = 0.05
"""Length of the axes carried to the ground: far above rounding, far below curvature."""
LOWEST_ALTITUDE_DEG = 5.0
"""Below, refraction is uncertain by more than the axis is wanted for."""


@dataclass(frozen=True, eq=False)
class Attitude:
    """``matrix`` columns: the view direction, the picture's +y, and their normal, in ENU.

    ``error_rad`` holds the standard errors of the rotations about those three axes: the first
    is the roll, the others the aim.
    """

    matrix: Floats
    error_rad: Floats
    time_s: float
    altitude_deg: float


def attitude_of(
    sample: Sample,
    *,
    latitude_deg: float,
    longitude_deg: float,
    flexure_arcsec: float = 1.0,
    roll_floor_arcsec: float = 4.0,
) -> Attitude | None:
    """The attitude of a placed frame; None without place, time or angle, or too low.

    ``flexure_arcsec`` is the bending of tube and mount that a fit must not take for an axis
    error; ``roll_floor_arcsec`` what distortion and refraction's shear leave in the angle.
    """
    if (
        sample.mid_s is None
        or sample.ra_deg is None
        or sample.dec_deg is None
        or sample.rotation_deg is None
    ):
        return None
    angles = sample.rotation_deg + np.array([0.0, 90.0, 180.0, 270.0])
    ra, dec = offset_point(sample.ra_deg, sample.dec_deg, angles, ARM_DEG)
    alt, az = alt_az(
        np.append(ra, sample.ra_deg),
        np.append(dec, sample.dec_deg),
        latitude_deg=latitude_deg,
        longitude_deg=longitude_deg,
        unix_s=sample.mid_s,
        apparent=True,
    )
    if float(alt[-1]) < LOWEST_ALTITUDE_DEG:
        return None
    points = enu(alt, az)
    view = points[4]
    # Refraction shears: the mean turn of both axes is that of a rigid camera.
    up = points[0] - points[2]
    across = points[1] - points[3]
    up = _unit(up - (up @ view) * view)
    across = _unit(across - (across @ view) * view)
    turned = np.cross(across, view) * np.sign(np.cross(across, view) @ up)
    up = _unit(up + turned)
    aim = math.radians(math.hypot(place_error_arcsec(sample), flexure_arcsec) / 3600.0)
    roll = math.radians(math.hypot(roll_error_arcsec(sample), roll_floor_arcsec) / 3600.0)
    return Attitude(
        np.column_stack([view, up, np.cross(view, up)]),
        np.array([roll, aim, aim]),
        sample.mid_s,
        float(alt[-1]),
    )


def enu(alt_deg: npt.ArrayLike, az_deg: npt.ArrayLike) -> Floats:
    """Unit vectors east, north, up of altitudes and azimuths, shape (..., 3)."""
    alt, az = np.radians(alt_deg), np.radians(az_deg)
    return np.stack([np.cos(alt) * np.sin(az), np.cos(alt) * np.cos(az), np.sin(alt)], axis=-1)


def turn_about(axis: Floats, angle_rad: float) -> Floats:
    """The rotation matrix about a unit axis (Rodrigues 1840)."""
    x, y, z = axis
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    return np.asarray(
        np.eye(3) + math.sin(angle_rad) * cross + (1.0 - math.cos(angle_rad)) * cross @ cross
    )


def rotation_vector(matrix: Floats) -> Floats:
    """Axis times angle (rad) of a rotation matrix."""
    twist = np.array(
        [matrix[2, 1] - matrix[1, 2], matrix[0, 2] - matrix[2, 0], matrix[1, 0] - matrix[0, 1]]
    )
    sine = 0.5 * float(np.linalg.norm(twist))
    angle = math.atan2(sine, 0.5 * (float(np.trace(matrix)) - 1.0))
    if sine < 1e-12:
        return 0.5 * twist
    return np.asarray(twist * (0.5 * angle / sine))


def _unit(vector: Floats) -> Floats:
    return np.asarray(vector / np.linalg.norm(vector))
