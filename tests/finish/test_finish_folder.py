"""Whole folders of synthetic nights with known truth, finished into one picture."""

from __future__ import annotations

import hashlib
from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile
from astropy.io import fits
from photutils.aperture import CircularAnnulus, CircularAperture, aperture_photometry
from starfield import Field, Sensor, reference_to_camera, write, write_calibration

from slowglass.errors import ConfigError, NothingUseful, UnreadableFile, UsageError
from slowglass.finish.recipe import load_recipe
from slowglass.finish.service import finish_path

WIDTH, HEIGHT, FRAMES = 480, 360, 10
CLOUDED, TRAIL = 4, 6


def placement(k):
    """Drift of some pixels and a slow turn, as of an axis that is off the pole."""
    return (3.7 * k - 11.0, -1.9 * k + 4.0), 0.03 * k - 0.1


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    """Ten 60 s lights, one clouded, one with a satellite, with bias, darks and flats."""
    folder = tmp_path_factory.mktemp("night") / "frames"
    rng = np.random.default_rng(42)
    field = Field.random(rng, width=WIDTH, height=HEIGHT, stars=90, margin=40)
    sensor = Sensor.make(rng, WIDTH, HEIGHT)
    write_calibration(folder, sensor, rng, exposure_s=60.0)
    for k in range(FRAMES):
        shift, turn = placement(k)
        light = field.image(shift=shift, turn_deg=turn, light=0.25 if k == CLOUDED else 1.0)
        if k == TRAIL:
            rows = np.arange(HEIGHT)
            for w in (-1, 0, 1):
                light[rows, np.clip(80 + rows // 2 + w, 0, WIDTH - 1)] += 900.0
        write(folder / f"light/l{k}.fits", sensor.expose(rng, light, 60.0), kind="Light Frame",
              exposure_s=60.0, pattern="RGGB")  # fmt: skip
    return folder, field


def digest(folder: Path):
    return {
        str(p.relative_to(folder)): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in sorted(folder.rglob("*"))
        if p.is_file()
    }


@pytest.fixture(scope="module")
def finished(night, tmp_path_factory):
    folder, field = night
    out = tmp_path_factory.mktemp("out") / "night"
    before = digest(folder)
    result = finish_path(folder, out)
    assert digest(folder) == before  # the frames are as they were, and nothing is added
    return result, field


def reference_name(result):
    return int(load_record(result)["reference"].removeprefix("l").removesuffix(".fits"))


def load_record(result):
    import tomllib

    return tomllib.loads(Path(result.recipe).read_text())["record"]


def test_counts_and_reasons(finished):
    result, _ = finished
    assert result.frames_in == FRAMES
    assert result.frames_used == FRAMES - 1
    assert [Path(r.file).name for r in result.rejected] == [f"l{CLOUDED}.fits"]
    reason = result.rejected[0].reason
    assert "cloud" in reason or "too few stars" in reason
    assert result.notes == ()
    assert result.placed_by == "stars"


def test_gain_is_nearly_that_of_pure_noise(finished):
    result, _ = finished
    # 9 frames of equal noise: 3.0; clipping and interpolation may cost a tenth.
    assert 0.9 * 3.0 <= result.snr_gain <= 1.1 * 3.0


def test_places_match_the_truth(finished):
    result, _ = finished
    k0 = reference_name(result)
    shift0, turn0 = placement(k0)
    centre = complex((WIDTH - 1) / 2, (HEIGHT - 1) / 2)
    misses = []
    for frame in load_record(result)["frames"]:
        if not frame["used"]:
            continue
        k = int(frame["file"][1:-5])
        shift, turn = placement(k)
        # the middle of the frame is the sky point that the reference sees elsewhere
        z = (centre + 0.5 + 0.5j - centre - complex(*shift)) * np.exp(-1j * np.radians(turn))
        expected = z * np.exp(1j * np.radians(turn0)) + complex(*shift0) + centre
        got = centre + 0.5 + 0.5j + complex(frame["shift_x_px"], frame["shift_y_px"])
        misses.append(abs(expected - got))
        assert frame["turn_deg"] == pytest.approx(turn0 - turn, abs=0.01)
    assert np.sqrt(np.mean(np.square(misses))) < 0.1


def star_light(result, field):
    """photutils sums of well-separated stars in the linear picture, and their true light."""
    picture = np.moveaxis(fits.getdata(result.outputs[0]), 0, 2).astype(float)
    crop = load_record(result)["crop"]
    shift, turn = placement(reference_name(result))
    x, y = reference_to_camera(field, field.x, field.y, shift, turn)
    x, y = x - crop[0], y - crop[1]
    height, width = picture.shape[:2]
    apart = np.hypot(x[:, None] - x, y[:, None] - y) + 1e3 * np.eye(len(x))
    good = (x > 25) & (x < width - 25) & (y > 25) & (y < height - 25)
    good &= (apart.min(axis=1) > 26) & (field.flux[:, 1] > 3000)
    where = np.column_stack([x, y])[good]
    inner, ring = CircularAperture(where, 9.0), CircularAnnulus(where, 12.0, 17.0)
    sums = []
    for c in range(3):
        total = aperture_photometry(picture[..., c], inner)["aperture_sum"]
        values = [m.get_values(picture[..., c]) for m in ring.to_mask(method="center")]
        sums.append(np.array(total) - np.array([np.median(v) for v in values]) * inner.area)
    return np.column_stack(sums), field.flux[good]


def test_photometry_is_linear(finished):
    result, field = finished
    measured, truth = star_light(result, field)
    assert len(measured) >= 5
    # The flat, equal to one at its median in each colour, fixes the scale. Green has the least
    # noise; 9 frames, aperture of 254 px: 1 sigma is about 60 ADU, stars have 3000 and more.
    slope, intercept = np.polyfit(truth[:, 1], measured[:, 1], 1, w=1 / np.sqrt(truth[:, 1]))
    bright = truth[:, 1] > 15000
    ratio = measured[bright, 1] / truth[bright, 1]
    assert abs(intercept) < 150
    assert np.abs(ratio / slope - 1).max() < 0.015
    for c in (0, 2):
        colour = np.polyfit(truth[:, c], measured[:, c], 1, w=1 / np.sqrt(truth[:, c]))[0]
        # one scale per channel: its flat median; vignetting makes it up to a few per cent
        assert colour == pytest.approx(slope, rel=0.01)


def test_satellite_and_hot_pixels_are_gone(finished):
    result, field = finished
    picture = np.moveaxis(fits.getdata(result.outputs[0]), 0, 2).astype(float)
    crop = load_record(result)["crop"]
    shift, turn = placement(reference_name(result))
    level = picture.mean(axis=2)
    x, y = reference_to_camera(field, field.x, field.y, shift, turn)
    yy, xx = np.mgrid[: level.shape[0], : level.shape[1]]
    empty = np.ones(level.shape, bool)
    for xs, ys in zip(x - crop[0], y - crop[1], strict=True):
        empty &= np.hypot(xx - xs, yy - ys) > 13
    values = level[empty]
    sigma = 1.4826 * np.median(np.abs(values - np.median(values)))
    # 10^5 pixels of pure noise reach 4.4 sigma; the trail had 900 ADU, 30 sigma of the mean
    assert (np.abs(values - np.median(values)) > 6 * sigma).mean() < 1e-4
    shift6, turn6 = placement(TRAIL)
    rows = np.arange(40, HEIGHT - 40)
    z = complex(*shift6) + complex((WIDTH - 1) / 2, (HEIGHT - 1) / 2)
    trail = ((80 + rows // 2) + 1j * rows - z) * np.exp(-1j * np.radians(turn6))
    middle = complex((WIDTH - 1) / 2, (HEIGHT - 1) / 2)
    tx, ty = reference_to_camera(field, (trail + middle).real, (trail + middle).imag, shift, turn)
    tx, ty = np.rint(tx - crop[0]).astype(int), np.rint(ty - crop[1]).astype(int)
    inside = (tx >= 0) & (tx < level.shape[1]) & (ty >= 0) & (ty < level.shape[0])
    on = [(a, b) for a, b in zip(ty[inside], tx[inside], strict=True) if empty[a, b]]
    along = np.mean([level[p] for p in on])
    assert abs(along - np.median(values)) < 4 * sigma / np.sqrt(len(on)) + 1.0


def test_sky_is_flat_and_neutral(finished):
    result, _ = finished
    picture = fits.getdata(result.outputs[0])
    for plane in picture:
        corners = [np.median(plane[a, b]) for a in (np.s_[:60], np.s_[-60:])
                   for b in (np.s_[:60], np.s_[-60:])]  # fmt: skip
        # the sky had slopes of 30 to 40 ADU
        assert np.abs(np.array(corners)).max() < 3.0


def test_outputs_are_what_they_say(finished):
    result, _ = finished
    paths = [Path(p) for p in result.outputs]
    assert [p.name for p in paths] == [
        "night.fits", "night.tiff", "night.png", "night.jpg", "night-labelled.jpg",
        "night-one-and-all.jpg", "night-maps.fits", "night-report.html", "night.recipe.toml",
    ]  # fmt: skip
    assert all(p.is_absolute() and p.is_file() for p in paths)
    with fits.open(paths[0]) as hdus:
        data, header = hdus[0].data, hdus[0].header
        assert data.dtype == np.dtype(">f4")
        assert data.shape[0] == 3
        assert header["NCOMBINE"] == FRAMES - 1
        assert header["TOTALEXP"] == 60.0 * (FRAMES - 1)
        assert sum("used l" in str(line) for line in header["HISTORY"]) == FRAMES - 1
    tiff = tifffile.imread(paths[1])
    assert tiff.dtype == np.uint16
    assert tiff.shape == (*data.shape[1:], 3)
    png = cv2.imread(str(paths[2]))[..., ::-1]
    np.testing.assert_allclose(png, tiff / 257.0, atol=0.51)
    jpeg = cv2.imread(str(paths[3]))[..., ::-1]
    assert np.abs(jpeg.astype(float) - png).mean() < 6
    assert (png == 0).all(axis=2).mean() < 1e-3
    # the sky is neutral: its three medians lie within two steps of 255
    assert np.ptp(np.median(png, axis=(0, 1))) <= 2
    assert not list(paths[0].parent.glob(".slowglass-*"))
    assert result.peak_memory_mb is None or result.peak_memory_mb > 50


def test_maps_tell_where_the_satellite_was(finished):
    result, _ = finished
    record = load_record(result)
    with fits.open(next(p for p in result.outputs if p.endswith("-maps.fits"))) as hdus:
        noise = [hdus[0].header[f"SKYSIG{n}"] for n in (1, 2, 3)]
        share, gone = hdus["COVERAGE"].data, hdus["REJECTED"].data
    assert share.shape == gone.shape == fits.getdata(result.outputs[0]).shape[1:]
    # read noise 3 ADU and the photons of the sky, by sqrt(9), less what interpolation smooths
    assert all(1.0 < sigma < 8.0 for sigma in noise)
    assert 0.98 < share.mean() / 1000 <= 1.0
    shift = next(f for f in record["frames"] if f["file"] == f"l{TRAIL}.fits")
    rows = np.arange(60, HEIGHT - 60)
    columns = 80 + rows // 2
    x = np.rint(columns + shift["shift_x_px"] - record["crop"][0]).astype(int)
    y = np.rint(rows + shift["shift_y_px"] - record["crop"][1]).astype(int)
    assert (share[y, x] < 1000).mean() > 0.9
    assert (share < 950).mean() < 0.05


def test_recipe_repeats_the_picture(finished, night, tmp_path):
    result, _ = finished
    again = finish_path(night[0], tmp_path / "again.png", recipe=result.recipe)
    for first, second in zip(result.outputs[:4], again.outputs[:4], strict=True):
        if first.endswith(".fits"):
            np.testing.assert_array_equal(fits.getdata(first), fits.getdata(second))
        else:
            assert Path(first).read_bytes() == Path(second).read_bytes()
    assert load_recipe(again.recipe) == load_recipe(result.recipe)


def test_one_mono_light_is_a_picture_too(tmp_path):
    rng = np.random.default_rng(3)
    field = Field.random(rng, width=300, height=240, stars=40)
    sensor = Sensor.make(rng, 300, 240, pattern=None)
    raw = sensor.expose(rng, field.image(channels=1), 30)
    write(tmp_path / "in/a.fits", raw, kind="LIGHT", exposure_s=30.0)
    result = finish_path(tmp_path / "in", tmp_path / "one")
    assert (result.frames_in, result.frames_used, result.placed_by) == (1, 1, "single")
    assert result.snr_gain == pytest.approx(1.0, abs=0.02)  # the sky is fitted once more
    assert fits.getdata(result.outputs[0]).shape == (240, 300)
    assert "no bias, no dark, no flat frames: finished without" in result.notes


def mono_lights(folder, rng, *, count=4, **sizes):
    field = Field.random(rng, width=300, height=240, stars=50, margin=20)
    sensor = Sensor.make(rng, 300, 240, pattern=None)
    for k in range(count):
        image = field.image(channels=1, shift=(2.0 * k, -1.0 * k))
        write(folder / f"l{k}.fits", sensor.expose(rng, image, 30), kind="LIGHT", exposure_s=30.0)
    return sensor


def test_damaged_and_odd_lights_are_named_and_skipped(tmp_path):
    rng = np.random.default_rng(5)
    folder = tmp_path / "in"
    sensor = mono_lights(folder, rng)
    whole = (folder / "l0.fits").read_bytes()
    (folder / "cut.fits").write_bytes(whole[: len(whole) // 2])
    (folder / "empty.fits").write_bytes(b"")
    write(folder / "small.fits", np.zeros((50, 60), np.uint16), kind="LIGHT", exposure_s=30.0)
    flat = rng.poisson(9000, (240, 300)).astype(np.uint16)
    write(folder / "l1-mirror.fits", fits.getdata(folder / "l1.fits")[:, ::-1].copy(), kind="LIGHT")
    write(folder / "darks/d.fits", np.zeros((40, 60), np.uint16), exposure_s=30.0)
    write(folder / "flat.fits", flat, kind="FLAT", exposure_s=1.0)
    result = finish_path(folder, tmp_path / "out")
    reasons = {Path(r.file).name: r.reason for r in result.rejected}
    assert set(reasons) == {"cut.fits", "empty.fits", "small.fits", "l1-mirror.fits"}
    assert "unreadable" in reasons["cut.fits"]
    assert "0 bytes" in reasons["empty.fits"]
    assert "of another camera: 60 × 50 px" in reasons["small.fits"]
    assert "mirrored" in reasons["l1-mirror.fits"]
    assert result.frames_in == 8
    assert result.frames_used == 4
    assert any("dark d.fits left out: 60 × 40 px" in note for note in result.notes)
    assert sensor.pattern is None


def test_unusable_folders(tmp_path):
    empty = tmp_path / "empty"
    empty.mkdir()
    with pytest.raises(UnreadableFile, match="no frames at all"):
        finish_path(empty, tmp_path / "o")
    write(empty / "d.fits", np.zeros((40, 40), np.uint16), kind="DARK", exposure_s=5.0)
    with pytest.raises(NothingUseful, match="no lights \\(1 dark\\)"):
        finish_path(empty, tmp_path / "o")
    with pytest.raises(UsageError, match="no such folder or frame"):
        finish_path(tmp_path / "nowhere", tmp_path / "o")
    bad = tmp_path / "bad"
    bad.mkdir()
    (bad / "light.fits").write_bytes(b"SIMPLE  = nonsense")
    with pytest.raises(NothingUseful, match="none of the 1 lights can be read"):
        finish_path(bad, tmp_path / "o")
    (tmp_path / "r.toml").write_text("[stretch]\nsky_shade = 3\n")
    with pytest.raises(ConfigError, match=r"stretch\.sky_shade"):
        finish_path(bad, tmp_path / "o", recipe=tmp_path / "r.toml")
    assert not list(tmp_path.glob("o.*"))
    assert not list(tmp_path.glob(".slowglass-*"))


def test_lights_of_all_different_sizes_still_give_one_picture(tmp_path):
    rng = np.random.default_rng(6)
    for k, (w, h) in enumerate([(200, 150), (210, 150), (220, 160)]):
        field = Field.random(rng, width=w, height=h, stars=20)
        sensor = Sensor.make(rng, w, h, pattern=None)
        write(tmp_path / f"in/l{k}.fits", sensor.expose(rng, field.image(channels=1), 10),
              kind="LIGHT", exposure_s=10.0)  # fmt: skip
    result = finish_path(tmp_path / "in", tmp_path / "o")
    assert (result.frames_in, result.frames_used, len(result.rejected)) == (3, 1, 2)


def test_three_frames_of_one_quality_gain_root_three(tmp_path):
    rng = np.random.default_rng(71)
    field = Field.random(rng, width=640, height=480, stars=90, margin=20)
    sensor = Sensor.make(rng, 640, 480, pattern=None, hot=0.0)
    for k in range(3):
        image = field.image(channels=1, shift=(5.3 * k, -4.6 * k))
        write(tmp_path / f"in/l{k}.fits", sensor.expose(rng, image, 30), kind="LIGHT")
    result = finish_path(tmp_path / "in", tmp_path / "out")
    assert result.frames_used == 3
    # two thousand circles of sky tell each of the two noises to 2 %
    assert 0.95 * 3**0.5 <= result.snr_gain <= 1.06 * 3**0.5


def test_meridian_flip_and_a_trailed_frame(tmp_path):
    rng = np.random.default_rng(8)
    field = Field.random(rng, width=360, height=280, stars=70, margin=30)
    sensor = Sensor.make(rng, 360, 280, pattern=None)
    for k in range(6):
        image = field.image(channels=1, shift=(4.0 * k, 3.0), turn_deg=180.2 if k > 2 else 0.0)
        if k == 1:
            image = np.mean([np.roll(image, s, axis=1) for s in range(12)], axis=0)
        write(tmp_path / f"in/l{k}.fits", sensor.expose(rng, image, 10), kind="LIGHT",
              exposure_s=10.0)  # fmt: skip
    result = finish_path(tmp_path / "in", tmp_path / "o")
    assert [Path(r.file).name for r in result.rejected] == ["l1.fits"]
    assert "trailed" in result.rejected[0].reason
    assert result.frames_used == 5
    assert result.fwhm_px == pytest.approx(3.2, rel=0.12)


@pytest.mark.parametrize("pattern", ["RGGB", None])
def test_star_light_to_half_a_per_cent(tmp_path, pattern):
    # Twelve bright stars far apart, moved by fractions of a pixel from frame to frame: what
    # calibration, demosaicing, interpolation and clipping together do to their light.
    rng = np.random.default_rng(9)
    x, y = (
        v.ravel() + rng.uniform(-4, 4, 12) for v in np.meshgrid([60, 160, 260, 360], [50, 150, 250])
    )
    flux = np.geomspace(80_000, 400_000, 12)[rng.permutation(12)]
    field = Field(x, y, flux[:, None] * np.ones(3), 420, 300, sky=(60.0, 60.0, 60.0))
    sensor = Sensor.make(rng, 420, 300, pattern=pattern, hot=0.0)
    sensor = Sensor(
        sensor.bias * 0 + 500, sensor.dark_per_s * 0, np.ones((300, 420)), pattern=pattern
    )
    for k in range(6):
        image = field.image(fwhm=3.6, shift=(0.37 * k - 1, -0.73 * k + 2), turn_deg=0.02 * k)
        image = image if pattern else image[..., :1]
        write(tmp_path / f"in/light{k}.fits", sensor.expose(rng, image, 30), exposure_s=30.0,
              pattern=pattern)  # fmt: skip
        write(tmp_path / f"in/bias{k}.fits", sensor.expose(rng, None, 0), exposure_s=0.0,
              pattern=pattern)  # fmt: skip
    result = finish_path(tmp_path / "in", tmp_path / "o")
    assert result.frames_used == 6
    record = load_record(result)
    k0 = int(record["reference"][5])
    shift, turn = (0.37 * k0 - 1, -0.73 * k0 + 2), 0.02 * k0
    xs, ys = reference_to_camera(field, x, y, shift, turn)
    where = np.column_stack([xs - record["crop"][0], ys - record["crop"][1]])
    data = np.atleast_3d(np.moveaxis(fits.getdata(result.outputs[0]), 0, -1) if pattern
                         else fits.getdata(result.outputs[0])).astype(float)  # fmt: skip
    inner, ring = CircularAperture(where, 10.0), CircularAnnulus(where, 14.0, 24.0)
    for c in range(data.shape[2]):
        sky = [np.median(m.get_values(data[..., c])) for m in ring.to_mask(method="center")]
        light = np.array(aperture_photometry(data[..., c], inner)["aperture_sum"])
        ratio = (light - np.array(sky) * inner.area) / flux
        # Photon noise of 6 frames: 0.1 % for red and blue of the faintest star. The common
        # scale is that of the reference frame, which the others are brought to by their stars.
        assert np.abs(ratio / np.median(ratio) - 1).max() < 0.005
        assert np.median(ratio) == pytest.approx(1.0, abs=0.008)


def test_kinds_are_told_from_pixels_when_nothing_says_them(tmp_path):
    rng = np.random.default_rng(10)
    field = Field.random(rng, width=300, height=220, stars=50)
    sensor = Sensor.make(rng, 300, 220, pattern=None)
    for k in range(3):
        light = field.image(channels=1, shift=(k, -k))
        flat = np.full((220, 300, 1), 20000.0)
        write(tmp_path / f"in/w{k}.fits", sensor.expose(rng, light, 10), exposure_s=10.0)
        write(tmp_path / f"in/x{k}.fits", sensor.expose(rng, None, 10), exposure_s=10.0)
        write(tmp_path / f"in/y{k}.fits", sensor.expose(rng, None, 0), exposure_s=0.0)
        write(tmp_path / f"in/z{k}.fits", sensor.expose(rng, flat, 1), exposure_s=1.0)
    result = finish_path(tmp_path / "in", tmp_path / "o")
    assert (result.frames_in, result.frames_used) == (3, 3)
    assert result.notes == ("kind told from the pixels alone: 3 bias, 3 dark, 3 flat, 3 light",)


@pytest.mark.parametrize("level", [500, 65535])
def test_starless_lights_end_in_one_plain_frame_and_say_why(tmp_path, level):
    for k in range(3):
        write(tmp_path / f"in/l{k}.fits", np.full((200, 240), level, np.uint16), kind="LIGHT")
    result = finish_path(tmp_path / "in", tmp_path / "o")
    assert result.frames_used == 1
    assert all("only 0 stars to register by" in r.reason for r in result.rejected)
    assert result.snr_gain is None
    assert result.fwhm_px is None


def test_colour_pictures_without_a_mosaic(tmp_path):
    rng = np.random.default_rng(11)
    field = Field.random(rng, width=300, height=200, stars=40)
    (tmp_path / "in").mkdir()
    for k in range(4):
        light = field.image(shift=(2.0 * k, k)) + rng.normal(0, 8, (200, 300, 3))
        tifffile.imwrite(tmp_path / f"in/light{k}.tif", np.clip(light, 0, 65535).astype(np.uint16),
                         photometric="rgb")  # fmt: skip
    result = finish_path(tmp_path / "in", tmp_path / "o")
    assert result.frames_used == 4
    assert 1.7 < result.snr_gain < 2.2  # four frames: 2.0
    assert fits.getdata(result.outputs[0]).shape[0] == 3


def test_calibration_frames_may_lie_apart(night, finished, tmp_path):
    import shutil

    folder, _ = night
    names = {path.name: path for path in folder.iterdir() if path.is_dir()}
    lights = tmp_path / "lights"
    shutil.copytree(names.pop("light"), lights)
    apart = []
    for name, path in names.items():
        shutil.copytree(path, tmp_path / "shelf" / name)
        apart.append(tmp_path / "shelf" / name)
    result = finish_path(lights, tmp_path / "out", calibration=apart)
    assert result.frames_used == FRAMES - 1
    first, again = (fits.getdata(r.outputs[0]) for r in (finished[0], result))
    np.testing.assert_array_equal(first, again)
