"""Darks scaled, misfits refused, restless and cold pixels, and flats told from the sky."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from starfield import Field, Sensor, write, write_calibration

from slowglass.finish.badpixels import odd_in_flat, unstable_pixels
from slowglass.finish.calibrate import Masters, dark_factor, measure_dark
from slowglass.finish.service import finish_path
from slowglass.finish.skyflat import block_levels
from slowglass.finish.vignette import fall_of_light

HEIGHT, WIDTH = 200, 240


def hot_sensor(rng, *, current=1.0, count=300):
    sensor = Sensor.make(rng, WIDTH, HEIGHT, pattern=None, hot=0.0)
    dark = np.full((HEIGHT, WIDTH), 0.05)
    lit = rng.choice(dark.size, count, replace=False)
    dark.ravel()[lit] = rng.uniform(5, 30, count)
    return replace(sensor, dark_per_s=dark * current), lit


def masters_of(rng, sensor, lit, *, exposure_s=60.0, bias=True):
    flat = np.ones((HEIGHT, WIDTH), np.float32)
    zero = np.mean([sensor.expose(rng, None, 0.0) for _ in range(12)], axis=0)
    dark = np.mean([sensor.expose(rng, None, exposure_s) for _ in range(12)], axis=0)
    return Masters(
        zero.astype(np.float32) if bias else None,
        (dark - zero if bias else dark).astype(np.float32),
        exposure_s,
        not bias,
        flat,
        np.sort(lit),
    )


@pytest.mark.parametrize(("exposure_s", "current"), [(60.0, 1.0), (120.0, 1.0), (60.0, 1.9)])
def test_hot_pixels_tell_the_dark_current(exposure_s, current):
    rng = np.random.default_rng(1)
    sensor, lit = hot_sensor(rng)
    masters = masters_of(rng, sensor, lit)
    warm = replace(sensor, dark_per_s=sensor.dark_per_s * current)
    field = Field.random(rng, width=WIDTH, height=HEIGHT, stars=40)
    light = warm.expose(rng, field.image(channels=1), exposure_s).astype(np.float32)
    found = measure_dark(light, masters, None, white_adu=65535.0)
    # 300 hot pixels of 300 to 1800 ADU against stars, sky 400 ADU and a flat of some per cent
    assert found == pytest.approx(exposure_s / 60.0 * current, rel=0.04)


def test_few_hot_pixels_tell_nothing():
    rng = np.random.default_rng(2)
    sensor, lit = hot_sensor(rng, count=12)
    masters = masters_of(rng, sensor, lit)
    light = sensor.expose(rng, None, 60.0).astype(np.float32)
    assert measure_dark(light, masters, None, white_adu=65535.0) is None
    assert measure_dark(light, Masters(), None, white_adu=65535.0) is None


def test_factors_and_their_reasons():
    plane = np.zeros((4, 4), np.float32)
    with_bias = Masters(plane, plane, 60.0, False, None, dark_temperature_c=10.0)
    assert dark_factor(62.0, with_bias) == (1.0, "")
    assert dark_factor(120.0, with_bias) == (2.0, "dark of 60 s scaled to 120 s")
    factor, why = dark_factor(60.0, with_bias, temperature_c=16.0)
    assert factor == pytest.approx(2.0)  # six degrees double it
    assert "+6 °C off" in why
    factor, why = dark_factor(60.0, with_bias, temperature_c=16.0, measured=1.7)
    assert factor == 1.7
    assert "hot pixels" in why
    factor, why = dark_factor(600.0, with_bias)
    assert factor is None
    assert "more than a factor 5 apart" in why
    alone = Masters(None, plane, 60.0, True, None)
    factor, why = dark_factor(120.0, alone)
    assert factor is None
    assert "without bias frames a dark cannot be scaled" in why


def test_restless_and_cold_pixels():
    rng = np.random.default_rng(3)
    darks = rng.normal(100, 4, (10, 80, 90)).astype(np.float32)
    darks[:5, 30, 40] += 60  # jumps between two levels
    found = unstable_pixels(darks, darks.mean(axis=0), 4.0)
    assert 30 * 90 + 40 in found
    # chi square of nine degrees of freedom: 6 sigma of it is passed once in some 10^5
    assert len(found) <= 3
    flat = np.ones((80, 90), np.float32)
    flat[10, 11], flat[20, 21], flat[40:46, 40:46] = np.nan, 0.5, 0.8  # dead, weak, dust
    np.testing.assert_array_equal(odd_in_flat(flat, None), [10 * 90 + 11, 20 * 90 + 21])


def vignetted(rng, drop, *, slope=0.1, nebula=0.0):
    yy, xx = np.mgrid[:400, :600].astype(float)
    r2 = ((xx - 299.5) ** 2 + (yy - 199.5) ** 2) / (299.5**2 + 199.5**2)
    sky = 800 * (1 + slope * (xx / 600 - 0.5))
    sky += nebula * np.exp(-((xx - 400) ** 2 + (yy - 120) ** 2) / 2 / 120**2)
    return (sky * (1 - drop * r2) + rng.normal(0, 12, xx.shape)).astype(np.float32)


def test_fall_of_light_is_found_under_a_slope_and_not_made_up():
    rng = np.random.default_rng(4)
    skies = [block_levels(vignetted(rng, 0.3, slope=s), across=16) for s in (-0.1, 0.0, 0.15)]
    fall = fall_of_light(skies, 600, 400)
    assert fall.corner == pytest.approx(0.3, abs=0.02)
    plane = fall.plane(400, 600)
    assert plane[0, 0] == pytest.approx(0.7, abs=0.02)
    assert plane[200, 300] == pytest.approx(1.0, abs=1e-3)
    even = [block_levels(vignetted(rng, 0.0), across=16)] * 3
    assert fall_of_light(even, 600, 400) is None
    lopsided = [block_levels(vignetted(rng, 0.0, nebula=500.0), across=16)] * 3
    assert fall_of_light(lopsided, 600, 400) is None


def night(folder, rng, *, lights=4, exposure_s=60.0, **cards):
    field = Field.random(rng, width=300, height=240, stars=50, margin=20)
    sensor = Sensor.make(rng, 300, 240, pattern=None)
    for k in range(lights):
        image = field.image(channels=1, shift=(2.0 * k, -1.0 * k))
        write(folder / f"light{k}.fits", sensor.expose(rng, image, exposure_s), kind="LIGHT",
              exposure_s=exposure_s, **cards)  # fmt: skip
    return sensor, field


def test_misfits_are_refused_by_name(tmp_path):
    rng = np.random.default_rng(5)
    folder = tmp_path / "in"
    sensor, field = night(folder, rng, FILTER="Clear", EGAIN=2.0, **{"CCD-TEMP": 10.0})
    dark, even = sensor.expose(rng, None, 60.0), sensor.expose(rng, np.full((240, 300, 1), 2e4), 1)
    common = {"kind": "DARK", "exposure_s": 60.0}
    write(folder / "dark_gain.fits", dark, EGAIN=0.5, **common)
    write(folder / "dark_warm.fits", dark, EGAIN=2.0, **{"CCD-TEMP": 24.0}, **common)
    write(folder / "flat_red.fits", even, kind="FLAT", exposure_s=1.0, FILTER="Red")
    other = field.image(channels=1)
    write(folder / "light_red.fits", sensor.expose(rng, other, 60.0), kind="LIGHT",
          exposure_s=60.0, FILTER="Red", EGAIN=2.0)  # fmt: skip
    result = finish_path(folder, tmp_path / "out")
    told = "\n".join(result.notes)
    assert "dark_gain.fits left out: 0.5 e⁻ per ADU, the lights have 2" in told
    assert "dark_warm.fits left out: 24 °C, the lights have 10 °C" in told
    assert "flat_red.fits left out: filter Red, the lights have Clear" in told
    assert [r.reason for r in result.rejected] == [
        "filter Red where the series has Clear: finish it by itself"
    ]
    assert result.frames_used == 4


def test_a_warmer_night_takes_the_same_darks(tmp_path):
    rng = np.random.default_rng(6)
    folder = tmp_path / "in"
    sensor, _ = hot_sensor(rng, count=400)
    write_calibration(folder, sensor, rng, exposure_s=60.0, count=6)
    warm = replace(sensor, dark_per_s=sensor.dark_per_s * 1.6)
    field = Field.random(rng, width=WIDTH, height=HEIGHT, stars=40)
    for k in range(3):
        raw = warm.expose(rng, field.image(channels=1, shift=(k, -k)), 60.0)
        write(folder / f"light/l{k}.fits", raw, kind="LIGHT", exposure_s=60.0)
    result = finish_path(folder, tmp_path / "out")
    assert result.frames_used == 3
    scaled = [note for note in result.notes if "as its hot pixels tell" in note]
    assert scaled
    assert float(scaled[0].split("scaled by ")[1].split(",")[0]) == pytest.approx(1.6, rel=0.05)
