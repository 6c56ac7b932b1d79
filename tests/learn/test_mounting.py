"""Swing and axis come back from series of places that a hidden mount would give."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from slowglass.expose.tracking import field_path_arcsec
from slowglass.kit.io import load_kit, load_site
from slowglass.learn.groups import Group
from slowglass.learn.logbook.records import LoggedFrame, Night
from slowglass.learn.mounting import axis_values, swing_of_worm
from slowglass.sky.coords import hour_angle_deg

KIT, SITE = load_kit("long 102"), load_site("Fig Tree Yard")
START = datetime(2026, 10, 9, 20, 0, tzinfo=UTC)
PLACES = ((322.5, 12.2), (19.9, 58.3), (339.3, 34.4))
NOISE_ARCSEC = 0.25


def series(mount, ra_deg, dec_deg, rng, *, frames=60, step_s=36.0, exposure_s=30.0) -> Group:
    """The places of a series of frames: the stars' path, seen from the frame."""
    hour = float(hour_angle_deg(ra_deg, longitude_deg=SITE.longitude_deg, unix_s=START.timestamp()))
    mid = np.arange(frames) * step_s + exposure_s / 2.0
    east, north = field_path_arcsec(
        mid, mount, dec_deg=dec_deg, hour_angle_deg=hour, latitude_deg=SITE.latitude_deg,
        phase_rad=rng.uniform(0, 2 * math.pi),
    )  # fmt: skip
    noise = rng.normal(0, NOISE_ARCSEC, (2, frames))
    made = [
        LoggedFrame(
            str(n), "x.fits", start_utc=(START + timedelta(seconds=n * step_s)).isoformat(),
            exposure_s=exposure_s, solved=True,
            # A star that moves east in the frame means a frame that points farther west.
            ra_deg=ra_deg - (e + a) / 3600.0 / math.cos(math.radians(dec_deg)),
            dec_deg=dec_deg - (d + b) / 3600.0,
            verdict={"scale_arcsec_per_px": 0.62, "width_px": 6000, "height_px": 4000,
                     "rotation_deg": 3.0, "parity": 1, "matched": 8, "rms_arcsec": 0.4},
        )
        for n, (e, d, a, b) in enumerate(zip(np.ravel(east), np.ravel(north), *noise, strict=True))
    ]  # fmt: skip
    return Group(Night("2026-10-09", SITE.name, KIT.name), "x", exposure_s, tuple(made), None)


def hidden(**changes):
    return KIT.mount.model_copy(update=changes)


@pytest.mark.parametrize("swing", [6.0, 15.0, 31.0])
def test_the_swing_is_half_of_the_stars_wandering(swing):
    rng = np.random.default_rng(int(swing))
    mount = hidden(periodic_error_arcsec=swing, polar_error_arcmin=5.0)
    found = swing_of_worm([series(mount, *PLACES[0], rng)], KIT)
    assert found.value == pytest.approx(swing, rel=0.1)
    assert abs(found.value - swing) < 4 * found.sigma


def test_short_series_say_nothing_of_the_swing():
    rng = np.random.default_rng(1)
    assert swing_of_worm([series(KIT.mount, *PLACES[0], rng, frames=6)], KIT) is None
    still = KIT.model_copy(update={"mount": hidden(driven="none")})
    assert swing_of_worm([series(KIT.mount, *PLACES[0], rng)], still) is None


@pytest.mark.parametrize(("error", "direction"), [(12.0, 90.0), (8.0, 330.0), (20.0, 200.0)])
def test_the_axis_comes_from_drifts_at_two_hour_angles(error, direction):
    rng = np.random.default_rng(int(direction))
    mount = hidden(polar_error_arcmin=error, polar_error_direction_deg=direction)
    groups = [series(mount, *place, rng) for place in PLACES]
    values = {v.quantity: v for v in axis_values(groups, KIT, SITE)}
    size = values["mount.polar_error_arcmin"]
    assert size.value == pytest.approx(error, abs=max(0.6, 4 * size.sigma))
    toward = values["mount.polar_error_direction_deg"]
    away = (toward.value - direction + 180.0) % 360.0 - 180.0
    assert abs(away) < max(4.0, 4 * toward.sigma)


def test_a_short_series_cannot_tell_the_axis():
    rng = np.random.default_rng(2)
    mount = hidden(polar_error_arcmin=12.0)
    assert axis_values([series(mount, *PLACES[0], rng, frames=4)], KIT, SITE) == []
