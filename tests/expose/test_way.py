"""Paths in the corners of a frame against the turning of the field, and arcs round the pole."""

from __future__ import annotations

import math

import numpy as np
import pytest

from slowglass.expose.conditions import conditions_at_altitude
from slowglass.expose.forecast import render_with_truth
from slowglass.expose.options import ForecastOptions
from slowglass.expose.tracking import field_rotation_deg
from slowglass.expose.way import Ways
from slowglass.sky.wcs import TanWcs


def ways(kit, site, dec, exposure_s, *, focal_mm=None, **mount):
    made = kit.model_copy(update={"mount": kit.mount.model_copy(update=mount)})
    if focal_mm:
        optics = made.optics.model_copy(update={"focal_length_mm": focal_mm})
        made = made.model_copy(update={"optics": optics})
    wcs = TanWcs.from_simple(
        ra_deg=200.0, dec_deg=dec, width_px=made.camera.width_px,
        height_px=made.camera.height_px, scale_arcsec_per_px=made.scale_arcsec_per_px,
        rotation_deg=180.0,
    )  # fmt: skip
    options = ForecastOptions(worm_phase_rad=0.0)
    return Ways(made, site, wcs, exposure_s, conditions_at_altitude(site), options)


@pytest.mark.parametrize("dec", [-10.0, 35.0, 60.0])
def test_corners_turn_as_the_published_rate_says(full_kit, site, dec):
    """Field rotation times the corner's distance.

    Published for guided mounts as ε·ω·cos(h − h_p)/cos δ (Barrett 2016); without the guiding's
    own turn in right ascension ε·ω·cos(h − h_p)·cos δ is left.
    """
    path = ways(
        full_kit, site, dec, 600.0,
        polar_error_arcmin=120.0, polar_error_direction_deg=0.0, periodic_error_arcsec=0.0,
    )  # fmt: skip
    x, y = path.at(0.0, 0.0)
    x0, y0 = path.at_centre
    away = math.hypot(full_kit.camera.width_px, full_kit.camera.height_px) / 2.0
    turned = field_rotation_deg(
        600.0, path.kit.mount, dec_deg=dec, hour_angle_deg=0.0, latitude_deg=site.latitude_deg
    )
    # From the first of 64 steps to the last: 63/64 of the exposure. The air bends a little too.
    n = min(x.size, x0.size)
    moved = math.hypot((x[-1] - x[0]) - (x0[-1] - x0[0]), (y[-1] - y[0]) - (y0[-1] - y0[0]))
    expected = abs(math.radians(turned)) * away * (1.0 - 1.0 / n)
    assert moved == pytest.approx(expected, rel=0.06, abs=0.1)
    assert len(path.zones()) > 1


def test_the_usual_mount_needs_one_zone(full_kit, site):
    assert len(ways(full_kit, site, 20.0, 60.0).zones()) == 1


def test_zones_cover_the_frame_once(full_kit, site):
    path = ways(full_kit, site, 60.0, 900.0, polar_error_arcmin=300.0)
    zones = path.zones()
    rng = np.random.default_rng(2)
    x, y = rng.uniform(-50, 6050, 500), rng.uniform(-50, 4050, 500)
    assert np.all(sum(zone.holds(x, y).astype(int) for zone, _ in zones) == 1)
    assert sum(zone.central for zone, _ in zones) == 1


def test_on_a_tripod_stars_run_in_arcs_about_the_pole(kit, site):
    """A circle about the pole: every star turns by the same angle, 15.041″ a second."""
    path = ways(kit, site, 89.0, 120.0, focal_mm=50.0, driven="none")
    pole_x, pole_y = (float(v) for v in path.wcs.sky_to_pixel(0.0, 90.0))
    for place in ((10.0, 10.0), (900.0, 30.0), (500.0, 650.0)):
        x, y = path.at(*place)
        turns = np.unwrap(np.arctan2(place[1] + y - pole_y, place[0] + x - pole_x))
        # Second order in the turn of half a degree, and steps of a 64th part.
        assert abs(turns[-1] - turns[0]) == pytest.approx(
            math.radians(15.041 * 120.0 / 3600.0) * (1.0 - 1.0 / x.size), rel=0.03
        )


def test_a_turning_field_smears_corner_stars_only(sky, mono_kit, site):
    kit = mono_kit.model_copy(
        update={
            "mount": mono_kit.mount.model_copy(
                update={
                    "polar_error_arcmin": 600.0,
                    "polar_error_direction_deg": 0.0,
                    "periodic_error_arcsec": 0.0,
                }
            )
        }
    )
    frame, truth = render_with_truth(
        kit, site, sky, (305.0, 40.0), exposure_s=120.0, noise=False, dust=False, vignetting=0.0,
        worm_phase_rad=0.0, faintest_mag=12.0, neighbours=False, sky_mag_arcsec2=22.0,
    )  # fmt: skip
    still, _ = render_with_truth(
        kit, site, sky, (305.0, 40.0), exposure_s=120.0, noise=False, dust=False, vignetting=0.0,
        tracking=False, faintest_mag=12.0, neighbours=False, sky_mag_arcsec2=22.0,
    )  # fmt: skip
    x, y = truth.x_px, truth.y_px
    assert np.hypot(x - 500, y - 350).max() > 200
    # No light is lost, however it is smeared (rims of the frame apart).
    assert frame.pixels.sum(dtype=float) == pytest.approx(still.pixels.sum(dtype=float), rel=2e-3)
    assert truth.x_px.size == 3
