"""The camera's frame on an object at true scale: its stars, outlines and edges as positions."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from slowglass.find.gather import chart_stars
from slowglass.find.plates import CAMERA_MAG, frame_around
from slowglass.kit.model import Kit
from slowglass.sky.objects import SkyObject
from slowglass.sky.store import Sky
from slowglass.sky.wcs import TanWcs

AIR = 1.06
"""Space around frame and object, so that lines on the edge stay whole."""
CATALOGUE_MAG = 12.0
"""All that the packaged catalogue has: it ends at G = 10."""
MOST_STARS = 220
NEIGHBOUR_MAG = 12.5
MOST_NEIGHBOURS = 6


@dataclass(frozen=True)
class FramedStar:
    """A star of the picture, arcminutes right and down of the middle."""

    x: float
    y: float
    mag: float


@dataclass(frozen=True)
class FramedObject:
    """An ellipse of the picture: middle, axes (full, arcminutes) and turn, clockwise from right."""

    name: str
    x: float
    y: float
    major: float
    minor: float
    turn_deg: float


@dataclass(frozen=True)
class Framed:
    """One frame as the camera's screen shows it, all in arcminutes about its middle.

    ``north`` is the unit step (right, down) toward north. ``view`` is the width and height that
    show frame and object whole. ``object`` is None for what has no size.
    """

    name: str
    frame: tuple[float, float]
    view: tuple[float, float]
    object: FramedObject | None
    neighbours: tuple[FramedObject, ...]
    stars: tuple[FramedStar, ...]
    north: tuple[float, float]
    mirrored: bool


def frame_object(
    kit: Kit,
    sky: Sky,
    *,
    name: str,
    ra_deg: float,
    dec_deg: float,
    obj: SkyObject | None,
    camera_angle_deg: float | None,
) -> Framed:
    """A place in mid-frame with the frame's long side at a position angle (None: east to west)."""
    wcs = frame_around(kit, ra_deg, dec_deg, camera_angle_deg)
    middle = (kit.camera.width_px - 1) / 2.0, (kit.camera.height_px - 1) / 2.0
    frame = kit.field_width_deg * 60.0, kit.field_height_deg * 60.0
    major = obj.major_arcmin if obj is not None and obj.major_arcmin else 0.0
    view = max(frame[0], major) * AIR, max(frame[1], major) * AIR
    if major <= min(frame):
        view = frame[0] * AIR, frame[1] * AIR

    def place(ra: float, dec: float) -> tuple[float, float]:
        x, y = wcs.sky_to_pixel(ra, dec)
        unit = wcs.scale_arcsec_per_px / 60.0
        return (float(x) - middle[0]) * unit, (float(y) - middle[1]) * unit

    half = math.hypot(*view) / 120.0
    seen = chart_stars(
        sky, ra_deg, dec_deg, half / 1.45, CATALOGUE_MAG, None, most=MOST_STARS,
        deep_mag=CAMERA_MAG,
    )  # fmt: skip
    stars = [
        FramedStar(*place(ra, dec), float(mag))
        for ra, dec, mag in zip(seen.ra_deg, seen.dec_deg, seen.mag, strict=True)
    ]
    near = [
        other
        for other in sky.objects.near(ra_deg, dec_deg, half)
        if other.major_arcmin
        and (other.mag or 99.0) <= NEIGHBOUR_MAG
        and (obj is None or other.id != obj.id)
    ]
    near.sort(key=lambda other: other.mag or 99.0)
    x, y = place(ra_deg, min(89.999, dec_deg + 0.01)) if dec_deg < 89.98 else (0.0, -1.0)
    length = math.hypot(x, y) or 1.0
    return Framed(
        name=name,
        frame=frame,
        view=view,
        object=None if not major or obj is None else _ellipse(obj, wcs, place(ra_deg, dec_deg)),
        neighbours=tuple(
            _ellipse(other, wcs, place(other.ra_deg, other.dec_deg))
            for other in near[:MOST_NEIGHBOURS]
        ),
        stars=tuple(s for s in stars if abs(s.x) <= view[0] / 2 and abs(s.y) <= view[1] / 2),
        north=(x / length, y / length),
        mirrored=wcs.parity < 0,
    )


def _ellipse(obj: SkyObject, wcs: TanWcs, at: tuple[float, float]) -> FramedObject:
    """An object's outline in the frame's own axes."""
    major = obj.major_arcmin or 0.0
    angle = np.radians(obj.position_angle_deg or 0.0)
    # The step of a small way along the major axis, in pixels (x right, y down).
    step = np.linalg.solve(np.asarray(wcs.matrix, float), [np.sin(angle), np.cos(angle)])
    turn = math.degrees(math.atan2(float(step[1]), float(step[0])))
    return FramedObject(
        obj.name, at[0], at[1], major, obj.minor_arcmin or major, (turn + 90.0) % 180.0 - 90.0
    )
