"""A second telescope, turned camera and all, joins a series: places and star light hold."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from astropy.io import fits
from photutils.aperture import CircularAnnulus, CircularAperture, aperture_photometry
from starfield import Field, Sensor, write
from test_finish_folder import load_record

from slowglass.finish.service import finish_path

WIDTH, HEIGHT = 460, 360


def test_another_focal_length_and_camera_angle(tmp_path):
    scale = 1.5
    rng = np.random.default_rng(1)
    field = Field.random(rng, width=WIDTH, height=HEIGHT, stars=60, brightest=150000.0)
    sensor = Sensor.make(rng, WIDTH, HEIGHT, pattern=None, hot=0.0)
    sensor = replace(sensor, flat=np.ones_like(sensor.flat))
    c = complex((WIDTH - 1) / 2, (HEIGHT - 1) / 2)
    z = (field.x + 1j * field.y - c) * scale * np.exp(0.5j) + c
    other = replace(field, x=z.real, y=z.imag)
    for k in range(4):
        light = field.image(channels=1, shift=(2.0 * k, 1.0 * k))
        write(
            tmp_path / f"in/a{k}.fits", sensor.expose(rng, light, 30), kind="LIGHT", exposure_s=30.0
        )
    for k in range(2):
        light = other.image(channels=1, fwhm=3.2 * max(scale, 0.9), shift=(-3.0 * k, 2.0))
        write(
            tmp_path / f"in/b{k}.fits", sensor.expose(rng, light, 30), kind="LIGHT", exposure_s=30.0
        )
    result = finish_path(tmp_path / "in", tmp_path / "out", whole=True)
    record = load_record(result)
    frames = {f["file"]: f for f in record["frames"]}
    joined = [f for f in frames.values() if f["file"].startswith("b") and f["used"]]
    assert len(joined) == 2, [r.reason for r in result.rejected]
    assert all(f["light_factor"] > 0 for f in joined)
    # The stars of the sum where the second telescope contributes keep the reference's light.
    k0 = int(record["reference"][1])
    assert record["reference"].startswith("a")
    x = field.x + 2.0 * k0 - record["crop"][0]
    y = field.y + 1.0 * k0 - record["crop"][1]
    picture = fits.getdata(result.outputs[0]).astype(float)
    high, wide = picture.shape
    apart = np.hypot(x[:, None] - x, y[:, None] - y) + 1e3 * np.eye(len(x))
    good = (x > 22) & (x < wide - 22) & (y > 22) & (y < high - 22)
    good &= (apart.min(axis=1) > 24) & (field.flux.mean(axis=1) > 20000)
    at = np.column_stack([x, y])[good]
    assert len(at) >= 2
    ring = CircularAnnulus(at, 14.0, 20.0).to_mask(method="center")
    sky = np.array([np.median(m.get_values(picture)) for m in ring])
    inner = CircularAperture(at, 11.0)
    light = np.array(aperture_photometry(picture, inner)["aperture_sum"]) - sky * inner.area
    # noise of a circle of 380 px: 2 % of the faintest star
    ratio = light / field.flux.mean(axis=1)[good]
    np.testing.assert_allclose(ratio, 1.0, atol=0.06)
    assert np.median(ratio) == pytest.approx(1.0, abs=0.01)
