"""Objects in the frame at true scale, against astropy's own projection."""

from __future__ import annotations

import math

import numpy as np
import pytest
from astropy.coordinates import SkyCoord

from slowglass.choose.framed import frame_object
from slowglass.kit.io import load_kit
from slowglass.sky.place import resolve_place


def framed(sky, name, angle, kit=None):
    place = resolve_place(name, sky)
    return place, frame_object(
        kit or load_kit("long 102"), sky, name=place.name, ra_deg=place.ra_deg,
        dec_deg=place.dec_deg, obj=place.object, camera_angle_deg=angle,
    )  # fmt: skip


@pytest.mark.parametrize("angle", [0.0, 35.0, 90.0, 170.0])
def test_stars_lie_where_a_frame_at_that_angle_has_them(sky, angle):
    place, picture = framed(sky, "M11", angle)
    kit = load_kit("long 102")
    assert picture.frame == pytest.approx((kit.field_width_deg * 60, kit.field_height_deg * 60))
    assert len(picture.stars) > 10
    north = math.degrees(math.atan2(picture.north[0], -picture.north[1]))  # clockwise from up
    handed = 1.0 if picture.mirrored else -1.0
    centre = SkyCoord(place.ra_deg, place.dec_deg, unit="deg")
    near = sky.stars.cone(place.ra_deg, place.dec_deg, 0.3, mag_limit=9.8)
    for star in SkyCoord(near.ra_deg, near.dec_deg, unit="deg"):
        way = np.radians(north + handed * centre.position_angle(star).deg)
        far = centre.separation(star).arcmin
        x, y = far * np.sin(way), -far * np.cos(way)
        assert min(math.hypot(s.x - x, s.y - y) for s in picture.stars) < 0.02
    # right on the picture is the long side's position angle, or its opposite
    long_side = (handed * (90.0 - north)) % 180.0
    assert abs((long_side - angle + 90.0) % 180.0 - 90.0) < 0.1


def test_an_object_laid_along_the_long_side_lies_flat(sky):
    place, _ = framed(sky, "M82", None)
    _, picture = framed(sky, "M82", place.object.position_angle_deg)
    assert abs(picture.object.turn_deg) < 0.5
    assert "M81" in [other.name for other in picture.neighbours]


def test_what_is_larger_than_the_frame_is_shown_whole(sky):
    _, picture = framed(sky, "M31", 35.0)
    assert picture.view[0] > picture.object.major
    assert picture.view[0] > picture.frame[0]


def test_a_mirrored_kit_has_a_mirrored_picture(sky):
    kit = load_kit("long 102")
    odd = kit.model_copy(update={"optics": kit.optics.model_copy(update={"reflections": 1})})
    _, plain = framed(sky, "M57", 90.0)
    _, mirrored = framed(sky, "M57", 90.0, odd)
    assert mirrored.mirrored
    assert not plain.mirrored
    for one, other in zip(mirrored.stars, plain.stars, strict=True):
        assert (-one.x, one.y) == pytest.approx((other.x, other.y), abs=1e-6)
