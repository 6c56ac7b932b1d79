"""The framing sketch against the same angle taken through a tangent-plane solution."""

import math

import pytest

from slowglass.choose.framing import fit_frame
from slowglass.choose.sketch import sketch_framing
from slowglass.sky.coords import offset_point
from slowglass.sky.wcs import TanWcs

FIELD = (61.9 / 60, 41.3 / 60)


def test_true_scale_and_long_side_across_even_for_a_portrait_field():
    sketch = sketch_framing(
        field_deg=(41.3 / 60, 61.9 / 60), major_arcmin=11.1, minor_arcmin=11.1,
        position_angle_deg=None, camera_angle_deg=None,
    )  # fmt: skip
    assert sketch.frame_arcmin == pytest.approx((61.9, 41.3))
    assert sketch.axes_arcmin == (11.1, 11.1)
    assert sketch.tilt_deg == 0.0


@pytest.mark.parametrize(("object_angle", "camera_angle"), [(35.0, 10.0), (160.0, 20.0), (5.0, 90)])
def test_tilt_is_what_an_unmirrored_picture_shows(object_angle, camera_angle):
    sketch = sketch_framing(
        field_deg=FIELD, major_arcmin=20.0, minor_arcmin=4.0,
        position_angle_deg=object_angle, camera_angle_deg=camera_angle,
    )  # fmt: skip
    # Rows run along the long side; stored +y then lies 90 degrees on from it.
    wcs = TanWcs.from_simple(
        ra_deg=100.0, dec_deg=20.0, width_px=6001, height_px=4001,
        scale_arcsec_per_px=0.6, rotation_deg=camera_angle + 90.0, parity=1,
    )  # fmt: skip
    x, y = wcs.sky_to_pixel(*offset_point(100.0, 20.0, object_angle, 0.1))
    shown = math.degrees(math.atan2(-(float(y) - 2000.0), float(x) - 3000.0))
    assert (shown - sketch.tilt_deg + 90) % 180 - 90 == pytest.approx(0.0, abs=0.05)


def test_a_large_object_widens_the_view_and_keeps_the_frame():
    fit = fit_frame(
        major_arcmin=178.0, minor_arcmin=70.0, position_angle_deg=35.0, core_arcmin=None,
        field_deg=FIELD,
    )  # fmt: skip
    sketch = sketch_framing(
        field_deg=FIELD, major_arcmin=178.0, minor_arcmin=70.0, position_angle_deg=35.0,
        camera_angle_deg=fit.angle_deg,
    )  # fmt: skip
    assert min(sketch.view_arcmin) >= 178.0
    assert sketch.frame_arcmin == pytest.approx((61.9, 41.3))


def test_unknown_size_leaves_an_empty_frame():
    sketch = sketch_framing(
        field_deg=FIELD, major_arcmin=None, minor_arcmin=None, position_angle_deg=None,
        camera_angle_deg=None,
    )  # fmt: skip
    assert sketch.axes_arcmin is None
    assert sketch.to_json()["frame_arcmin"] == pytest.approx((61.9, 41.3))
