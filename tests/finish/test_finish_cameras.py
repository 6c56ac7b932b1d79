"""Frames of several cameras in one picture: each by its own masters, at the reference's scale."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from astropy.io import fits
from photutils.aperture import CircularAnnulus, CircularAperture, aperture_photometry
from starfield import Field, Sensor, write, write_calibration
from test_finish_folder import load_record

from slowglass.finish.resample import warp
from slowglass.finish.service import finish_path

WIDTH, HEIGHT = 440, 340
TINT = np.array([0.6, 1.0, 0.8])
"""Red and blue of the second camera's filters against the first's."""


def field_of(rng):
    made = Field.random(rng, width=WIDTH, height=HEIGHT, stars=90, margin=40, brightest=90000.0)
    # stars of marked colours, so that diluting them would show
    colour = np.exp(rng.normal(0, 0.25, (len(made.x), 3)))
    colour /= colour @ np.array([[0.25], [0.5], [0.25]])
    return replace(made, flux=made.flux.mean(axis=1)[:, None] * colour)


def seen_by(field, *, scale, size, turn=0.4, tint=1.0):
    """The field on a sensor of another size, whose pixels are 1/scale as wide."""
    c = complex((WIDTH - 1) / 2, (HEIGHT - 1) / 2)
    d = complex((size[0] - 1) / 2, (size[1] - 1) / 2)
    z = (field.x + 1j * field.y - c) * scale * np.exp(1j * turn) + d
    return Field(z.real, z.imag, field.flux * tint, *size, sky=tuple(250.0 * np.ones(3) * tint))


def expose(folder, rng, field, sensor, count, *, exposure_s=60.0, fwhm=3.2, **cards):
    channels = 3 if sensor.pattern else 1
    for k in range(count):
        light = field.image(channels=channels, fwhm=fwhm, shift=(3.1 * k, -2.2 * k))
        write(
            folder / f"{sensor.pattern or 'plain'}{k}.fits",
            sensor.expose(rng, light, exposure_s), kind="LIGHT", exposure_s=exposure_s,
            pattern=sensor.pattern, **cards,
        )  # fmt: skip


def colours(result, field, flat, *, letter):
    """Measured and true light of single bright stars in the picture's channels."""
    record = load_record(result)
    assert record["reference"].startswith(letter)
    k = int(record["reference"][len(letter)])
    picture = fits.getdata(result.outputs[0]).astype(float)
    planes = picture if picture.ndim == 3 else picture[None]
    x = field.x + 3.1 * k - record["crop"][0]
    y = field.y - 2.2 * k - record["crop"][1]
    high, wide = planes.shape[1:]
    apart = np.hypot(x[:, None] - x, y[:, None] - y) + 1e3 * np.eye(len(x))
    good = (x > 20) & (x < wide - 20) & (y > 20) & (y < high - 20)
    good &= (apart.min(axis=1) > 18) & (field.flux.min(axis=1) > 15000)
    at = np.column_stack([x, y])[good]
    inner, ring = CircularAperture(at, 7.0), CircularAnnulus(at, 10.0, 15.0)
    light = []
    for plane in planes:
        sky = np.array([np.median(m.get_values(plane)) for m in ring.to_mask(method="center")])
        sums = np.array(aperture_photometry(plane, inner)["aperture_sum"])
        light.append(sums - sky * inner.area)
    # flats are divided by their median and not by their middle: one factor on all light
    true = field.flux[good] * np.median(flat)
    return np.array(light).T, true


def test_two_colour_cameras_of_other_size_mosaic_and_filters(tmp_path):
    rng = np.random.default_rng(31)
    field = field_of(rng)
    first = Sensor.make(rng, WIDTH, HEIGHT)
    second = Sensor.make(rng, 600, 500, pattern="GBRG", hot=2e-3)
    other = seen_by(field, scale=1.35, size=(600, 500), tint=TINT)
    expose(tmp_path / "in", rng, field, first, 5)
    expose(tmp_path / "in", rng, other, second, 3, fwhm=3.2 * 1.35)
    write_calibration(tmp_path / "in/one", first, rng, count=4)
    write_calibration(tmp_path / "in/two", second, rng, count=4)
    result = finish_path(tmp_path / "in", tmp_path / "out", whole=True)
    assert result.frames_used == 8, [r.reason for r in result.rejected]
    told = [note for note in result.notes if "another camera" in note]
    assert len(told) == 1
    assert "600 × 500 px GBRG" in told[0]
    assert "0.74 of the reference's" in told[0]  # 1 / 1.35
    assert not any("left out" in note for note in result.notes)  # every master found its lights
    scales = [f["scale"] for f in load_record(result)["frames"] if f["file"].startswith("GBRG")]
    assert scales == pytest.approx([1 / 1.35] * 3, rel=1e-3)
    light, truth = colours(result, field, first.flat, letter="RGGB")
    assert len(light) >= 6
    # noise of a circle of 150 px under 1 % of these stars' light; the flats 0.5 %
    np.testing.assert_allclose(light / truth, 1.0, atol=0.05)
    np.testing.assert_allclose(np.median(light / truth, axis=0), 1.0, atol=0.015)
    only(tmp_path, "RGGB", 5)
    alone = finish_path(tmp_path / "in", tmp_path / "alone", whole=True)
    assert result.snr_gain > 1.1 * alone.snr_gain


def only(tmp_path, letter, count):
    """Remove the lights of the second camera."""
    for path in (tmp_path / "in").glob("*.fits"):
        if not path.name.startswith(letter):
            path.unlink()
    assert len(list((tmp_path / "in").glob("*.fits"))) == count


def test_plain_frames_add_brightness_and_leave_colours(tmp_path):
    rng = np.random.default_rng(32)
    field = field_of(rng)
    colour = Sensor.make(rng, WIDTH, HEIGHT)
    plain = Sensor.make(rng, 420, 420, pattern=None)
    other = seen_by(field, scale=0.9, size=(420, 420))
    # a plain sensor sees a star's brightness as the mosaic's mean would
    grey = other.flux @ np.array([0.25, 0.5, 0.25])
    other = replace(other, flux=np.repeat(grey[:, None], 3, axis=1))
    expose(tmp_path / "in", rng, field, colour, 5)
    expose(tmp_path / "in", rng, other, plain, 4, fwhm=3.2 * 0.9)
    write_calibration(tmp_path / "in/one", colour, rng, count=4)
    write_calibration(tmp_path / "in/two", plain, rng, count=4)
    result = finish_path(tmp_path / "in", tmp_path / "out", whole=True)
    assert result.frames_used == 9, [r.reason for r in result.rejected]
    assert any("adds to the brightness only" in note for note in result.notes)
    assert any("1.11 of the reference's" in note for note in result.notes)
    light, truth = colours(result, field, colour.flat, letter="RGGB")
    np.testing.assert_allclose(light / truth, 1.0, atol=0.06)
    # colours, red over blue, are not pulled toward grey: the stars' own spread is 35 %
    measured, true = (np.log(v[:, 0] / v[:, 2]) for v in (light, truth))
    slope = np.polyfit(true, measured, 1)[0]
    assert slope == pytest.approx(1.0, abs=0.04)
    only(tmp_path, "RGGB", 5)
    alone = finish_path(tmp_path / "in", tmp_path / "alone", whole=True)
    assert result.snr_gain > 1.15 * alone.snr_gain


def test_frames_of_the_same_size_from_two_cameras_keep_their_own_darks(tmp_path):
    rng = np.random.default_rng(33)
    field = Field.random(rng, width=300, height=240, stars=60, margin=20)
    for name, count in (("first", 4), ("second", 3)):
        sensor = Sensor.make(rng, 300, 240, pattern=None, hot=3e-3)
        for k in range(count):
            light = field.image(channels=1, shift=(2.0 * k, 1.0 * k))
            write(
                tmp_path / f"in/{name}{k}.fits", sensor.expose(rng, light, 60.0), kind="LIGHT",
                exposure_s=60.0, INSTRUME=name,
            )  # fmt: skip
        for k in range(4):
            write(
                tmp_path / f"in/dark-{name}{k}.fits", sensor.expose(rng, None, 60.0), kind="DARK",
                exposure_s=60.0, INSTRUME=name,
            )  # fmt: skip
    result = finish_path(tmp_path / "in", tmp_path / "out")
    assert result.frames_used == 7
    assert not any("left out" in note for note in result.notes)
    # one camera alone, its darks those of the other: refused by name
    for path in [*(tmp_path / "in").glob("second*"), *(tmp_path / "in").glob("dark-first*")]:
        path.unlink()
    result = finish_path(tmp_path / "in", tmp_path / "out2")
    assert any("dark-second0.fits left out: from another camera" in n for n in result.notes)


@pytest.mark.parametrize("stretch", [1.3, 2.0, 2.7])
def test_larger_pixels_average_the_noise_and_keep_light(stretch):
    """Onto pixels n times as wide, noise falls to 1/n and brightness a pixel stays."""
    rng = np.random.default_rng(34)
    noise = rng.normal(0, 10, (1, 500, 500)).astype(np.float32)
    size = int(450 / stretch)
    matrix = np.array([[stretch, 0.01, 20.3], [-0.01, stretch, 20.7]])
    out = warp(noise, matrix, size, size)
    inside = out[np.isfinite(out)]
    # a sinc would leave exactly 1/n; a window of four lobes rolls off, by its square's integral
    t = np.linspace(-4, 4, 8001)
    kernel = np.sinc(t) * np.sinc(t / 4)
    left = np.trapezoid(kernel**2, t) / np.trapezoid(kernel, t) ** 2
    assert float(inside.std()) == pytest.approx(10 * left / stretch, rel=0.02)
    y, x = np.mgrid[:500, :500]
    star = np.exp(-((x - 250.4) ** 2 + (y - 249.1) ** 2) / 2 / 4.0**2)[None].astype(np.float32)
    out = np.nan_to_num(warp(star, matrix, size, size))
    light = 2 * np.pi * 4.0**2 / abs(np.linalg.det(matrix[:, :2]))
    assert float(out.sum()) == pytest.approx(light, rel=2e-3)
