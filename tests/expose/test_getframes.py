"""Noise of forecast frames against an independent simulator of cameras, getframes."""

from __future__ import annotations

import math
from itertools import pairwise

import getframes
import numpy as np
import pytest

from slowglass.expose.forecast import render_with_truth
from slowglass.expose.sensor import read_out, sensor_flaws

EXPOSURE_S = 60.0


@pytest.fixture(scope="module")
def small_kit(mono_kit):
    camera = mono_kit.camera.model_copy(update={"width_px": 600, "height_px": 400})
    return mono_kit.model_copy(update={"camera": camera})


def twin(camera):
    """The same sensor in the other simulator; its dark current is told at 20 °C."""
    return getframes.Camera(
        getframes.CameraConfig(
            name="twin",
            sensor_type=getframes.SensorType.CMOS,
            resolution=(camera.height_px, camera.width_px),
            pixel_size_um=camera.pixel_um,
            quantum_efficiency=1.0,
            full_well_e=camera.full_well_e,
            bit_depth=camera.bits,
            gain_e_per_adu=camera.gain_e_per_adu,
            bias_offset_adu=camera.black_adu,
            read_noise_e=camera.read_noise_e,
            dark_current_e_per_s=camera.dark_e_per_s,
            dark_current_ref_temp_c=20.0,
        )
    )


def moments(adu):
    values = np.asarray(adu, dtype=np.float64)
    mean = values.mean()
    return mean, values.var(), ((values - mean) ** 3).mean()


@pytest.mark.parametrize("level_e", [0.0, 3.0, 40.0, 900.0, 15000.0])
def test_even_light_reads_alike(small_kit, level_e):
    camera = small_kit.camera
    ours = read_out(
        np.full((camera.height_px, camera.width_px), level_e, dtype=np.float32),
        small_kit,
        exposure_s=EXPOSURE_S,
        flaws=sensor_flaws(camera, small_kit.optics, 1),
        seed=5,
        vignetting=0.0,
    )
    flaws_inside = np.ones(ours.shape, dtype=bool)
    for x, y, outer, _, _ in sensor_flaws(camera, small_kit.optics, 1).motes:
        rows, columns = np.ogrid[: camera.height_px, : camera.width_px]
        flaws_inside &= (rows - y) ** 2 + (columns - x) ** 2 > (1.4 * outer) ** 2
    theirs = twin(camera).expose(
        level_e / EXPOSURE_S, EXPOSURE_S, 20.0, seed=6, include_truth=False
    )
    mean, variance, third = moments(ours[flaws_inside])
    mean_t, variance_t, third_t = moments(theirs.data)
    n = np.count_nonzero(flaws_inside)
    # Five standard errors of the difference of two samples.
    assert mean == pytest.approx(mean_t, abs=5 * math.sqrt(2 * variance_t / n))
    assert variance == pytest.approx(variance_t, rel=5 * math.sqrt(4 / n) + 0.003)
    assert third == pytest.approx(third_t, abs=5 * math.sqrt(12 * variance_t**3 / n))


def test_a_forecast_of_a_globular_has_the_others_noise(sky, small_kit, site):
    """The expected light of a forecast, exposed by both: noise by brightness, and the clipping."""
    taking = {"exposure_s": EXPOSURE_S, "dust": False, "seed": 3, "worm_phase_rad": 0.3}
    target = sky.objects.get("M15")
    expected, _ = render_with_truth(small_kit, site, sky, target, noise=False, **taking)
    ours, _ = render_with_truth(small_kit, site, sky, target, noise=True, **taking)
    camera = small_kit.camera
    electrons = (expected.pixels.astype(np.float64) - camera.black_adu) * camera.gain_e_per_adu
    light = np.maximum(electrons - camera.dark_e_per_s * EXPOSURE_S, 0.0)
    theirs = twin(camera).expose(light / EXPOSURE_S, EXPOSURE_S, 20.0, seed=8, include_truth=False)
    off = ours.pixels - expected.pixels
    off_t = np.asarray(theirs.data, dtype=np.float64) - expected.pixels
    edges = np.quantile(electrons, [0.0, 0.3, 0.6, 0.9, 0.97, 0.995])
    for low, high in pairwise(edges):
        inside = (electrons >= low) & (electrons < high)
        n = np.count_nonzero(inside)
        spread, spread_t = off[inside].std(), off_t[inside].std()
        assert spread == pytest.approx(spread_t, rel=5 * math.sqrt(1 / n) + 0.003)
        assert off[inside].mean() == pytest.approx(
            off_t[inside].mean(), abs=5 * spread_t * math.sqrt(2 / n) + 0.01
        )
