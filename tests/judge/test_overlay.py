"""Overlay geometry against positions worked out by hand and by astropy's coordinate frames."""

import json
import math

import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import SkyCoord
from hypothesis import given
from hypothesis import strategies as st

from slowglass.frame.stars import StarList
from slowglass.judge.overlay import compass, object_outline, plan_overlay
from slowglass.sky.coords import separation_deg
from slowglass.sky.objects import SkyObject
from slowglass.sky.place import Place
from slowglass.sky.wcs import TanWcs

WIDTH, HEIGHT, SCALE = 6000, 4000, 0.6188


def wcs_at(ra=322.5, dec=12.2, rotation=0.0, parity=1, width=WIDTH, height=HEIGHT):
    return TanWcs.from_simple(
        ra_deg=ra, dec_deg=dec, width_px=width, height_px=height,
        scale_arcsec_per_px=SCALE, rotation_deg=rotation, parity=parity,
    )  # fmt: skip


def ellipse(ra=322.5, dec=12.2, major=20.0, minor=5.0, angle=30.0):
    return SkyObject("X1", "X1", (), "galaxy", "Peg", ra, dec, major, minor, angle)


def test_compass_of_an_unmirrored_picture_with_north_up():
    # Stored +y (down) points south: north is up, and east is to the left as seen in the sky.
    north, east = compass(wcs_at(rotation=180.0), WIDTH, HEIGHT)
    assert north == pytest.approx((0.0, -1.0), abs=1e-3)
    assert east == pytest.approx((-1.0, 0.0), abs=1e-3)


@given(rotation=st.floats(0, 359), parity=st.sampled_from([1, -1]), dec=st.floats(-85, 85))
def test_compass_points_where_a_small_step_on_the_sky_goes(rotation, parity, dec):
    wcs = wcs_at(dec=dec, rotation=rotation, parity=parity)
    x0, y0 = (WIDTH - 1) / 2, (HEIGHT - 1) / 2
    here = SkyCoord(*(float(v) for v in wcs.pixel_to_sky(x0, y0)), unit="deg")
    for angle, (dx, dy) in zip((0, 90), compass(wcs, WIDTH, HEIGHT), strict=True):
        there = SkyCoord(
            *(float(v) for v in wcs.pixel_to_sky(x0 + 20 * dx, y0 + 20 * dy)), unit="deg"
        )
        pa = here.position_angle(there)
        assert abs((pa - angle * u.deg).wrap_at(180 * u.deg).deg) < 0.05
        assert math.hypot(dx, dy) == pytest.approx(1.0)


def test_outline_lies_on_the_catalogued_ellipse():
    wcs, target = wcs_at(rotation=77.0), ellipse()
    outline = np.array(object_outline(wcs, target))
    ra, dec = wcs.pixel_to_sky(outline[:, 0], outline[:, 1])
    centre = SkyCoord(target.ra_deg, target.dec_deg, unit="deg")
    points = SkyCoord(ra, dec, unit="deg")
    distance = centre.separation(points).arcmin
    along = np.radians(centre.position_angle(points).deg - target.position_angle_deg)
    expected = 1 / np.sqrt((np.cos(along) / 10.0) ** 2 + (np.sin(along) / 2.5) ** 2)
    assert distance == pytest.approx(expected, rel=1e-4)
    assert distance.max() == pytest.approx(10.0, rel=1e-3)
    assert distance.min() == pytest.approx(2.5, rel=1e-3)


def test_a_target_of_unknown_size_has_no_outline():
    assert object_outline(wcs_at(), ellipse(major=None)) == ()


def test_arrow_reaches_a_target_on_the_frame():
    target = ellipse(ra=322.7, dec=12.3)
    overlay = plan_overlay(
        width_px=WIDTH, height_px=HEIGHT, stars=StarList.empty(), wcs=wcs_at(),
        target=Place("X1", target.ra_deg, target.dec_deg, target),
    )  # fmt: skip
    (x0, y0), (x1, y1) = overlay.arrow
    assert (x0, y0) == ((WIDTH - 1) / 2, (HEIGHT - 1) / 2)
    assert overlay.target_inside
    assert (x1, y1) == pytest.approx(overlay.target)
    ra, dec = wcs_at().pixel_to_sky(x1, y1)
    assert separation_deg(ra, dec, target.ra_deg, target.dec_deg) < 1e-6


def test_arrow_to_a_target_off_the_frame_stays_inside_and_points_at_it():
    overlay = plan_overlay(
        width_px=WIDTH, height_px=HEIGHT, stars=StarList.empty(), wcs=wcs_at(rotation=40),
        target=Place("far", 325.0, 14.0),
    )  # fmt: skip
    (x0, y0), (x1, y1) = overlay.arrow
    assert not overlay.target_inside
    assert 0 < x1 < WIDTH
    assert 0 < y1 < HEIGHT
    tx, ty = overlay.target
    assert math.atan2(y1 - y0, x1 - x0) == pytest.approx(math.atan2(ty - y0, tx - x0))


def test_no_arrow_once_centred_and_none_behind_the_observer():
    centred = plan_overlay(
        width_px=WIDTH, height_px=HEIGHT, stars=StarList.empty(), wcs=wcs_at(),
        target=Place("here", 322.5, 12.201),
    )  # fmt: skip
    assert centred.arrow is None
    assert centred.target is not None
    behind = plan_overlay(
        width_px=WIDTH, height_px=HEIGHT, stars=StarList.empty(), wcs=wcs_at(),
        target=Place("behind", 142.5, -12.2),
    )  # fmt: skip
    assert behind.arrow is None
    assert behind.target is None


def test_catalogue_stars_outside_the_frame_are_left_out(sky):
    wcs = wcs_at()
    stars = sky.stars.cone(322.5, 12.2, 3.0)
    overlay = plan_overlay(
        width_px=WIDTH, height_px=HEIGHT, stars=StarList.empty(), wcs=wcs, catalogue=stars
    )
    # Independent count: tangent-plane offsets by astropy within the frame's half sizes.
    offset = SkyCoord(322.5, 12.2, unit="deg").spherical_offsets_to(
        SkyCoord(stars.ra_deg, stars.dec_deg, unit="deg")
    )
    half_x, half_y = WIDTH * SCALE / 7200, HEIGHT * SCALE / 7200
    inside = (np.abs(offset[0].deg) < half_x) & (np.abs(offset[1].deg) < half_y)
    assert len(overlay.known) == int(inside.sum()) > 5
    assert all(0 <= x <= WIDTH - 1 and 0 <= y <= HEIGHT - 1 for x, y, _ in overlay.known)
    assert [m for _, _, m in overlay.known] == sorted(m for _, _, m in overlay.known)


def test_an_unsolved_frame_still_shows_its_stars():
    columns = {name: np.array([10.0, 50.0]) for name in
               ("x_px", "y_px", "flux_adu", "peak_adu", "snr", "fwhm_px", "elongation",
                "elongation_angle_deg")}  # fmt: skip
    stars = StarList(**columns, hfd_px=np.array([np.nan, 60.0]), flags=np.zeros(2, np.int32))
    overlay = plan_overlay(width_px=600, height_px=400, stars=stars)
    assert [(x, y) for x, y, _ in overlay.found] == [(10.0, 10.0), (50.0, 50.0)]
    assert overlay.found[1][2] > overlay.found[0][2] > 0
    assert overlay.north is None
    assert json.loads(json.dumps(overlay.to_json()))["found"][1] == [50.0, 50.0, 96.0]
