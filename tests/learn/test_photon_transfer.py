"""Gain, read noise and the rest of a sensor, against an independent simulator and hidden kits."""

from __future__ import annotations

import getframes
import numpy as np
import pytest

from slowglass.errors import NothingUseful, UnreadableFile
from slowglass.expose.calibration import render_bias, render_dark, render_flat
from slowglass.frame.fits_io import write_fits
from slowglass.kit.io import load_kit
from slowglass.learn.sensor import measure_sensor
from slowglass.learn.transfer import (
    clipping_level_adu,
    dark_current_e_s,
    fit_transfer,
    fixed_pattern_fraction,
    hot_pixel_fraction,
    pair_points,
)


def frame(rng, level_e, *, gain=1.7, read_e=4.2, bias=300.0, spread=None, size=512):
    light = level_e if spread is None else level_e * spread
    charge = rng.poisson(light, (size, size)) + rng.normal(0.0, read_e, (size, size))
    return np.round(charge / gain + bias).astype(np.float32)


def write_frame(path, made):
    write_fits(path, made.pixels, cards=made.header.cards, dtype="uint16")


def pair(rng, level_e, **settings):
    made = [frame(rng, level_e, **settings) for _ in range(2)]
    return pair_points(*made, mosaic=False)


def test_gain_and_read_noise_of_the_reference_case():
    # Our reference table: gain 1.7, read noise 4.2 e, flats of 20 000 e, 512²; the pair formula
    # of Janesick (Howell, Handbook of CCD Astronomy, 4.3) there gives 1.694 and 4.21. Its
    # tolerances are 1.5 % and 2 %.
    rng = np.random.default_rng(20)
    found = fit_transfer([pair(rng, 20_000)], [pair(rng, 0)], white_adu=65535)
    assert found.gain_e_per_adu.value == pytest.approx(1.7, rel=0.015)
    assert found.read_noise_e.value == pytest.approx(4.2, rel=0.02)


def test_the_line_agrees_with_the_two_pair_formula():
    rng = np.random.default_rng(4)
    flats, biases = ([frame(rng, level) for _ in range(2)] for level in (20_000, 0))
    (f1, f2), (b1, b2) = flats, biases
    by_formula = (f1.mean() + f2.mean() - b1.mean() - b2.mean()) / (
        np.var(f1.astype(float) - f2) - np.var(b1.astype(float) - b2)
    )
    noise = by_formula * np.std(b1.astype(float) - b2) / np.sqrt(2)
    found = fit_transfer(
        [pair_points(f1, f2, mosaic=False)], [pair_points(b1, b2, mosaic=False)], white_adu=65535
    )
    assert found.gain_e_per_adu.value == pytest.approx(by_formula, rel=2e-3)
    rounding = by_formula**2 / 12
    assert found.read_noise_e.value**2 + rounding == pytest.approx(noise**2, rel=5e-3)


def test_the_stated_uncertainty_is_the_scatter_of_repeats():
    rng = np.random.default_rng(9)
    found = [
        fit_transfer(
            [pair(rng, 9000, size=128)], [pair(rng, 0, size=128)], white_adu=65535
        )
        for _ in range(120)
    ]  # fmt: skip
    pulls = [(f.gain_e_per_adu.value - 1.7) / f.gain_e_per_adu.sigma for f in found]
    read = [(f.read_noise_e.value - 4.2) / f.read_noise_e.sigma for f in found]
    for values in (pulls, read):
        # The spread of 120 pulls is known to 6.5 %; half of that again for the fit's swelling.
        assert abs(np.mean(values)) < 0.35
        assert 0.75 < np.std(values) < 1.25


def test_an_independent_simulator_is_measured_right():
    # getframes draws Poisson light, unlike pixels, read noise and rounding by its own code.
    config = getframes.CameraConfig(
        name="test", sensor_type=getframes.SensorType.CMOS, resolution=(400, 600),
        pixel_size_um=3.9, quantum_efficiency=1.0, full_well_e=30_000, bit_depth=14,
        gain_e_per_adu=1.9, bias_offset_adu=512, read_noise_e=3.0, dark_current_e_per_s=0.4,
        prnu=0.01, dark_current_ref_temp_c=20.0,
    )  # fmt: skip
    camera = getframes.Camera(config, default_temperature_c=20.0, seed=3)

    def points(take):
        first, second = (np.asarray(take(seed).data, dtype=np.float32) for seed in (11, 12))
        return pair_points(first, second, mosaic=False)

    biases = [points(lambda s: camera.bias_frame(seed=s))]
    flats = [
        points(lambda s, r=rate: camera.flat_frame(r, 1.0, seed=s)) for rate in (2000, 8000, 15_000)
    ]
    darks = {t: [points(lambda s, t=t: camera.dark_frame(t, seed=s))] for t in (60.0, 120.0)}
    found = fit_transfer(flats, biases, white_adu=16383)
    assert found.gain_e_per_adu.value == pytest.approx(1.9, rel=0.02)
    assert found.read_noise_e.value == pytest.approx(3.0, rel=0.05)
    pattern = fixed_pattern_fraction(flats, biases)
    assert pattern.value == pytest.approx(0.01, rel=0.05)
    current, held = dark_current_e_s(darks, biases, gain_e_per_adu=found.gain_e_per_adu.value)
    assert current.value == pytest.approx(0.4, rel=0.03)
    assert not held


def test_a_camera_that_holds_its_black_level_is_seen_through():
    rng = np.random.default_rng(2)
    biases = [pair(rng, 0)]
    held_darks = {}
    for t in (60.0, 120.0):
        charge = [frame(rng, 0.5 * t) for _ in range(2)]
        pinned = [c - np.float32(np.round(0.5 * t / 1.7)) for c in charge]
        held_darks[t] = [pair_points(*pinned, mosaic=False)]
    current, held = dark_current_e_s(held_darks, biases, gain_e_per_adu=1.7)
    assert held
    assert current.value == pytest.approx(0.5, rel=0.03)


def test_hot_pixels_are_counted_not_noise():
    rng = np.random.default_rng(8)
    glow = np.zeros((512, 512))
    glow.flat[rng.choice(glow.size, 300, replace=False)] = 400.0
    first, second = (frame(rng, 10.0 + glow) for _ in range(2))
    found = hot_pixel_fraction(first, second, mosaic=True)
    assert found.value * glow.size == pytest.approx(300, abs=6)
    clean = hot_pixel_fraction(frame(rng, 10.0), frame(rng, 10.0), mosaic=True)
    assert clean.value * glow.size < 2


def test_clipping_is_a_wall_not_a_tail():
    rng = np.random.default_rng(1)
    smooth = frame(rng, 20_000)
    assert clipping_level_adu(smooth) is None
    assert clipping_level_adu(np.minimum(smooth, np.float32(12_000))) == 12_000


def test_too_little_light_is_no_measurement():
    rng = np.random.default_rng(3)
    biases = [pair(rng, 0)]
    assert fit_transfer([pair(rng, 0)], biases, white_adu=65535) is None
    assert fit_transfer([pair(rng, 60_000)], biases, white_adu=40_000) is None
    assert fit_transfer([], biases, white_adu=65535) is None
    with pytest.raises(ValueError, match="no pair"):
        pair_points(frame(rng, 1), frame(rng, 1, size=64), mosaic=False)


@pytest.fixture(scope="module")
def hidden_kit():
    kit = load_kit("long 102")
    camera = kit.camera.model_copy(
        update={"width_px": 900, "height_px": 600, "gain_e_per_adu": 1.37, "read_noise_e": 4.4,
                "dark_e_per_s": 0.08, "full_well_e": 18_000.0, "hot_pixel_fraction": 1e-3}
    )  # fmt: skip
    return kit.model_copy(update={"camera": camera})


@pytest.fixture(scope="module")
def calibration_folder(hidden_kit, tmp_path_factory):
    folder = tmp_path_factory.mktemp("calibration")
    made = [render_bias(hidden_kit, seed=s) for s in range(4)]
    made += [
        render_dark(hidden_kit, exposure_s=t, seed=s)
        for t, s in ((60, 10), (60, 11), (120, 12), (120, 13), (30, 14))
    ]
    made += [render_flat(hidden_kit, level=v, seed=s) for v, s in
             ((0.2, 20), (0.2, 21), (0.5, 22), (0.5, 23), (1.0, 24), (0.35, 25))]  # fmt: skip
    for number, one in enumerate(made):
        write_frame(folder / f"{number:02}.fits", one)
    return folder


def test_a_folder_gives_back_the_hidden_camera(hidden_kit, calibration_folder):
    found = measure_sensor(calibration_folder, hidden_kit)
    by_name = {v.quantity: v for v in found.values}
    camera = hidden_kit.camera
    for quantity, rel in (
        ("camera.gain_e_per_adu", 0.02),
        ("camera.read_noise_e", 0.05),
        ("camera.full_well_e", 0.03),
        ("camera.dark_e_per_s", 0.1),
        ("camera.hot_pixel_fraction", 0.15),
    ):
        truth = getattr(camera, quantity.split(".")[1])
        assert by_name[quantity].value == pytest.approx(truth, rel=rel), quantity
    corners = by_name["optics.corner_loss"]
    assert corners.value == pytest.approx(hidden_kit.optics.corner_loss, abs=0.012)
    assert by_name["camera.black_adu"].value == pytest.approx(camera.black_adu, abs=0.3)
    reasons = dict(found.left_out)
    assert "no other flat of equal light" in reasons.values()
    assert "no other dark of its exposure" in reasons.values()


def test_frames_of_another_setting_are_left_out_with_the_reason(hidden_kit, tmp_path):
    other = load_kit("long 102")
    for number in range(2):
        write_frame(tmp_path / f"b{number}.fits", render_bias(hidden_kit, seed=number))
    write_frame(tmp_path / "f.fits", render_flat(hidden_kit, level=0.4))
    (tmp_path / "flat_broken.fits").write_bytes(b"not a picture")
    with pytest.raises(NothingUseful, match="two flats of equal light"):
        measure_sensor(tmp_path, hidden_kit)
    with pytest.raises(NothingUseful, match="the kit's camera has 6000 × 4000"):
        measure_sensor(tmp_path, other)
    with pytest.raises(UnreadableFile, match="no such folder"):
        measure_sensor(tmp_path / "nowhere", other)
