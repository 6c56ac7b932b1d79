"""Frames of a camera on a mount whose axis is known to be off, placed by astropy.

The mechanics are plain vectors over the ground; from there to the sky goes astropy's chain with
refraction (ERFA's refco), which shares no code with the judge's own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import astropy.units as u
import numpy as np
from astropy.coordinates import ICRS, AltAz, EarthLocation, SkyCoord
from astropy.time import Time
from astropy.utils import iers

iers.conf.auto_download = False
iers.conf.auto_max_age = None

SIDEREAL_DEG_S = 360.0 / 86164.0905


@dataclass(frozen=True)
class Mounted:
    """A mount: where its axis points (arcmin too high, and east of the pole on the horizon)."""

    latitude_deg: float
    longitude_deg: float
    altitude_arcmin: float
    azimuth_arcmin: float
    dec_deg: float
    """Angle of the camera from the axis' equator: its declination, were the axis right."""
    camera_deg: float = 30.0
    """Turn of the camera about its view."""

    def place(self, hour_angle_deg: float, unix_s: float) -> tuple[float, float, float]:
        """(ra, dec, rotation) in degrees of the frame with the axis turned to an hour angle."""
        north = 1.0 if self.latitude_deg > 0 else -1.0
        altitude = math.radians(abs(self.latitude_deg) + self.altitude_arcmin / 60.0)
        azimuth = math.radians(self.azimuth_arcmin / 60.0)
        axis = np.array(
            [
                math.cos(altitude) * math.sin(azimuth),
                north * math.cos(altitude) * math.cos(azimuth),
                math.sin(altitude),
            ]
        )
        side = np.cross(axis, [0.0, 0.0, 1.0])
        side /= np.linalg.norm(side)
        meridian = np.cross(side, axis)
        away = math.radians(90.0 - north * self.dec_deg)
        turn = _turn(axis, -north * math.radians(hour_angle_deg))
        view = turn @ (math.cos(away) * axis + math.sin(away) * meridian)
        up = turn @ (math.sin(away) * axis - math.cos(away) * meridian)
        up = _turn(view, math.radians(self.camera_deg)) @ up
        across = np.cross(view, up)
        arm = math.radians(0.2)
        points = [view] + [math.cos(arm) * view + math.sin(arm) * way for way in (up, across)]
        sky = self._icrs(np.array(points), unix_s)
        rotation = sky[0].position_angle(sky[1]).deg
        other = sky[0].position_angle(sky[2]).deg
        off = (other - rotation + 180.0) % 360.0 - 180.0
        # A similarity fit takes the mean of both axes, which refraction shears.
        rotation += 0.5 * (off - math.copysign(90.0, off))
        return float(sky[0].ra.deg), float(sky[0].dec.deg), float(rotation % 360.0)

    def _icrs(self, vectors: np.ndarray, unix_s: float) -> SkyCoord:
        site = EarthLocation(
            lat=self.latitude_deg * u.deg, lon=self.longitude_deg * u.deg, height=100 * u.m
        )
        frame = AltAz(
            alt=np.degrees(np.arcsin(vectors[:, 2])) * u.deg,
            az=np.degrees(np.arctan2(vectors[:, 0], vectors[:, 1])) % 360.0 * u.deg,
            obstime=Time(unix_s, format="unix"),
            location=site,
            pressure=1010 * u.hPa,
            temperature=10 * u.deg_C,
            relative_humidity=0.3,
            obswl=0.55 * u.um,
        )
        return SkyCoord(frame).transform_to(ICRS())


def _turn(axis: np.ndarray, angle_rad: float) -> np.ndarray:
    x, y, z = axis
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    return np.eye(3) + math.sin(angle_rad) * cross + (1.0 - math.cos(angle_rad)) * cross @ cross
