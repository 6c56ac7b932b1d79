"""Facts of the trade, end to end: common practice, no source."""

from __future__ import annotations

import numpy as np
import pytest

from slowglass.expose.conditions import conditions_at_altitude
from slowglass.expose.forecast import render_with_truth
from slowglass.expose.isophote import cluster_extent_arcmin
from slowglass.expose.noise import star_snr
from slowglass.expose.plan import plan_exposure
from slowglass.expose.scene import MEMBER


@pytest.fixture(scope="module")
def small_slow_kit(full_kit):
    """90 mm at f/13.9 with a 22.3 × 14.9 mm sensor, on a mount that follows."""
    return full_kit.model_copy(
        update={
            "optics": full_kit.optics.model_copy(
                update={"aperture_mm": 90.0, "focal_length_mm": 1250.0}
            ),
            "camera": full_kit.camera.model_copy(
                update={"width_px": 700, "height_px": 500, "pixel_um": 3.72}
            ),
            "mount": full_kit.mount.model_copy(
                update={"periodic_error_arcsec": 0.0, "polar_error_arcmin": 0.0}
            ),
        }
    )


def test_a_bright_planetarys_central_star_shows_in_60_s(sky, small_slow_kit, site):
    """A 15th-magnitude central star in one 60 s exposure, accurately tracked."""
    kit, ring = small_slow_kit, sky.objects.get("M57")
    frame, truth = render_with_truth(
        kit, site, sky, ring, exposure_s=60.0, noise=False, dust=False, altitude_deg=70.0
    )
    nucleus = np.flatnonzero((truth.stars.source == MEMBER) & (truth.stars.mag > 14.5))
    assert nucleus.size == 1
    i = int(nucleus[0])
    assert truth.stars.mag[i] == pytest.approx(15.0, abs=0.3)
    e = (frame.pixels.astype(float) - kit.camera.black_adu) * kit.camera.gain_e_per_adu
    rows, columns = np.mgrid[: frame.height_px, : frame.width_px]
    away = np.hypot(columns - truth.x_px[i], rows - truth.y_px[i])
    # The light the star stands on: sky and the nebula's hollow middle.
    behind = float(np.median(e[(away > 2.0 * truth.fwhm_px) & (away < 3.0 * truth.fwhm_px)]))
    ratio = star_snr(
        float(truth.star_e[i] @ [0.25, 0.5, 0.25]),
        truth.fwhm_px,
        sky_e_per_px=behind,
        dark_e_per_px=0.0,
        read_noise_e=kit.camera.read_noise_e,
    )
    assert float(ratio) > 5.0
    plan = plan_exposure(
        kit, site, ring, seconds=60.0, conditions=conditions_at_altitude(site, 70.0)
    )
    assert 15.0 < plan.faintest_mag < 17.0


def test_small_and_bright_shows_at_once_large_and_faint_does_not(sky, small_slow_kit, site):
    """Small bright planetaries, globulars and compact clusters suit it; faint nebulae do not."""
    conditions = conditions_at_altitude(site, 60.0)

    def single(name):
        obj = sky.objects.get(name)
        return plan_exposure(small_slow_kit, site, obj, seconds=60.0, conditions=conditions).snr

    assert min(single(name) for name in ("NGC 7662", "M57", "M15", "M13", "M11", "NGC 457")) > 10.0
    assert max(single(name) for name in ("NGC 7293", "M101", "M33", "NGC 7000", "NGC 1499")) < 6.0


def test_the_great_open_clusters_stars_overrun_the_frame(sky):
    """The 110′ cluster and the Pleiades: nine in ten of their stars need more than 61′ × 41′."""
    for name in ("M44", "M45"):
        reach = cluster_extent_arcmin(sky.stars, sky.objects.get(name), reached_mag=10.0)
        assert reach > 61.3


def test_read_noise_limits_a_slow_unguided_kit_and_the_plan_says_so(sky, full_kit, site):
    """At f/13 under a dark sky: the limit is told, with its cost in hours."""
    dark = site.model_copy(update={"sky_mag_arcsec2": 21.8})
    plan = plan_exposure(
        full_kit, dark, sky.objects.get("M76"), seconds=60.0,
        conditions=conditions_at_altitude(dark, 60.0),
    )  # fmt: skip
    assert plan.limit == "tracking"
    assert plan.sky_limited_s > 5.0 * plan.suggested_s
    assert plan.time_cost > 2.0
    assert "read-noise limited" in plan.text
    assert "times the hours of a perfect kit" in plan.text
    assert "a mount that held for" in plan.text
