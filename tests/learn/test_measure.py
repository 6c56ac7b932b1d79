"""Measuring light on frames: against discs of known light in known noise."""

import math

import numpy as np
import pytest

from slowglass.frame.light import element_snr, surface_light
from slowglass.learn.compare import Comparison
from slowglass.learn.measure import focal_length_mm, sky_e_per_px


def disc(*, level=100.0, light=50.0, sigma=4.0, axis_ratio=1.0, angle_deg=0.0, seed=3):
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[:400, :400]
    turn = math.radians(angle_deg)
    along = (x - 200) * math.cos(turn) + (y - 190) * math.sin(turn)
    across = (y - 190) * math.cos(turn) - (x - 200) * math.sin(turn)
    inside = np.hypot(along, across / axis_ratio) < 30
    return (level + light * inside + rng.normal(0, sigma, x.shape)).astype(np.float32)


@pytest.mark.parametrize(("ratio", "angle"), [(1.0, 0.0), (0.5, 35.0)])
def test_light_level_and_noise_come_back(ratio, angle):
    found = surface_light(
        disc(axis_ratio=ratio, angle_deg=angle), 200, 190, radius_px=30, axis_ratio=ratio,
        angle_deg=angle, gain_e_per_adu=2.0, bin_factor=2,
    )  # fmt: skip
    # 2827 pixels of noise 4: the mean is known to 0.08; edge pixels cost about as much.
    assert found.object_e_per_px == pytest.approx(100.0, abs=1.0)
    assert found.beside_e_per_px == pytest.approx(200.0, abs=0.5)
    # Averaging two by two pixels halves the noise; one pixel's own is twice that.
    assert found.noise_e == pytest.approx(2 * 2.0 * 4.0, rel=0.03)


def test_stars_beside_the_object_do_no_harm():
    plane = disc()
    plane[190:196, 330:336] += 5000
    found = surface_light(plane, 200, 190, radius_px=30, gain_e_per_adu=1.0)
    assert found.beside_e_per_px == pytest.approx(100.0, abs=0.5)
    assert found.noise_e == pytest.approx(4.0, rel=0.04)


def test_too_near_the_edge_is_no_measurement():
    assert surface_light(disc(), 60, 190, radius_px=30, gain_e_per_adu=1.0) is None


def test_signal_to_noise_of_an_element_is_the_ccd_equation():
    found = surface_light(disc(light=50, sigma=4), 200, 190, radius_px=30, gain_e_per_adu=1.0)
    # Howell 2006, Handbook of CCD Astronomy, eq. 4.4, with sky and read noise as one rms.
    assert element_snr(found, 25) == pytest.approx(50 * 25 / math.sqrt(50 * 25 + 25 * 16), rel=0.03)


def test_sky_and_focal_length_by_hand():
    assert sky_e_per_px(980.0, 972.8, 0.6) == pytest.approx(6.6)
    # 206264.806 arcsec in a radian: 3.9 um at 1300 mm is 0.61879 arcsec.
    assert focal_length_mm(3.9, 206264.806 * 3.9e-3 / 1300) == pytest.approx(1300)


@pytest.mark.parametrize(
    ("predicted", "measured", "ratio"),
    [(2.0, 3.0, 1.5), (0.0, 3.0, None), (None, 3.0, None), (2.0, None, None),
     (math.inf, 1.0, None)],
)  # fmt: skip
def test_ratio_only_where_it_says_something(predicted, measured, ratio):
    row = Comparison("x", "s", predicted, measured, "how")
    assert row.ratio == ratio
    assert row.to_json()["ratio"] == ratio
