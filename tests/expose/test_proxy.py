"""The proxy forecast against the full renderer, block by block, and its answers to sliders."""

from __future__ import annotations

import io
from datetime import UTC, date, datetime

import numpy as np
import pytest
from PIL import Image

from slowglass.errors import UsageError
from slowglass.expose.conditions import conditions_at_altitude
from slowglass.expose.forecast import render_with_truth
from slowglass.expose.proxy import SHARPEST_PX, proxy_light, trail_transfer
from slowglass.expose.proxy_frame import Trails, expected_e, paths_px, pictures, with_noise
from slowglass.expose.service import expose_object
from slowglass.expose.trial import Setting, trial_of
from slowglass.frame.bayer import COLOURS
from slowglass.sky.place import resolve_place

EXPOSURE_S = 40.0
PHASE = 1.1


@pytest.fixture(scope="module", params=["M82", "M15"])
def pair(request, kit, site, sky):
    """Full frames without and with noise, and the proxy of just the same field."""
    place = resolve_place(request.param, sky)
    conditions = conditions_at_altitude(site)
    options = {"exposure_s": EXPOSURE_S, "dust": False, "worm_phase_rad": PHASE}
    clean, _ = render_with_truth(kit, site, sky, place, noise=False, **options)
    noisy, _ = render_with_truth(kit, site, sky, place, seed=7, **options)
    light = proxy_light(kit, site, sky, place, conditions=conditions, whole=True, longest_px=500)
    (path,), _ = paths_px(light, site, conditions, exposure_s=EXPOSURE_S, phases_rad=PHASE)
    return blocks(clean, kit), blocks(noisy, kit), light, path


def blocks(frame, kit):
    """Mean electrons of each colour's pixels in every 2 × 2 cell."""
    e = (frame.pixels - kit.camera.black_adu) * kit.camera.gain_e_per_adu
    out = np.zeros((e.shape[0] // 2, e.shape[1] // 2, 3))
    for i, colour in enumerate(kit.camera.bayer):
        share = 0.5 if colour == "G" else 1.0
        out[..., COLOURS[colour]] += share * e[i // 2 :: 2, i % 2 :: 2]
    return out


def coarse(picture, side=10):
    rows, columns = picture.shape[0] // side, picture.shape[1] // side
    cut = picture[: rows * side, : columns * side]
    return cut.reshape(rows, side, columns, side, -1).mean(axis=(1, 3))


def test_the_light_is_that_of_the_full_frame(pair):
    clean, _, light, path = pair
    assert light.bin_px == 2
    made = expected_e(light, [path], exposure_s=EXPOSURE_S, hot=True)
    assert made.shape == clean.shape
    want, got = coarse(clean), coarse(made)
    # one red pixel in four samples a star at other places than the mean of its cell: cells of
    # 20 pixels with a bright star differ by a few per cent, the sky by nothing but rounding
    error = np.abs(got - want) / want
    assert np.median(error) < 0.002
    assert np.quantile(error, 0.99) < 0.05
    np.testing.assert_allclose(got.mean(axis=(0, 1)), want.mean(axis=(0, 1)), rtol=0.003)


def test_the_noise_is_that_of_the_full_frame(pair):
    clean, noisy, light, path = pair
    mean = expected_e(light, [path], exposure_s=EXPOSURE_S, hot=True)
    drawn = with_noise(light, mean, frames=1.0, seed=3)
    # the sky alone, without stars and hot pixels
    top = 1.3 * np.median(clean.max(axis=2))
    calm = (clean.max(axis=2) < top) & (mean.max(axis=2) < top)
    assert calm.mean() > 0.5
    for band in range(3):
        full = (noisy - clean)[..., band][calm]
        proxy = (drawn - mean)[..., band][calm]
        # 100 000 values tell a deviation to 0.22 %; five times that and more on either side
        assert proxy.std() == pytest.approx(full.std(), rel=0.015)
        assert proxy.mean() == pytest.approx(0.0, abs=0.05)
        skew = [float(np.mean(v**3) / v.std() ** 3) for v in (full, proxy)]
        assert skew[1] == pytest.approx(skew[0], abs=0.05)


def test_the_object_stands_out_as_much(pair):
    clean, noisy, light, path = pair
    mean = expected_e(light, [path], exposure_s=EXPOSURE_S, hot=True)
    drawn = with_noise(light, mean, frames=1.0, seed=5)
    rows, columns = clean.shape[:2]
    y, x = np.mgrid[:rows, :columns]
    inside = np.hypot(x - columns / 2, y - rows / 2) < 25

    def snr(picture, truth):
        green = picture[..., 1]
        sky = float(np.median(green))
        noise = float((green - truth[..., 1])[inside].std())
        return float((green[inside] - sky).mean()) / noise

    assert snr(drawn, mean) == pytest.approx(snr(noisy, clean), rel=0.05)


def test_many_frames_are_quieter_by_their_root(pair):
    *_, light, path = pair
    mean = expected_e(light, [path], exposure_s=EXPOSURE_S, hot=False, even=True)
    one = with_noise(light, mean, frames=1.0, seed=1, even=True) - mean
    many = with_noise(light, mean, frames=25.0, seed=2, even=True) - mean
    dark = mean.max(axis=2) < 500
    assert one[dark].std() / many[dark].std() == pytest.approx(5.0, rel=0.01)


def test_noise_is_right_where_photons_are_few(kit, site, sky):
    place = resolve_place("NGC 7662", sky)
    light = proxy_light(kit, site, sky, place, conditions=conditions_at_altitude(site))
    inner = light.inner
    for mean_e in (0.02, 0.7, 12.0):
        mean = np.full((*light.slope[inner].shape, 3), mean_e, dtype=np.float32)
        noise = with_noise(light, mean, frames=1.0, seed=9) - mean
        camera = kit.camera
        read2 = camera.read_noise_e**2 + camera.gain_e_per_adu**2 / 12.0
        wanted = np.sqrt((mean_e + read2) / light.pixels_per_band)
        # the skew term adds 1 % to the deviation at most
        np.testing.assert_allclose(noise.std(axis=(0, 1)), wanted, rtol=0.02)
        # the mean of 60 000 numbers, five deviations
        assert np.abs(noise.mean(axis=(0, 1))).max() < 5.0 * wanted.max() / np.sqrt(
            mean[..., 0].size
        )


def test_a_trail_is_as_long_as_the_mounts_path(pair):
    path = pair[3]
    delta = np.zeros((120, 160), dtype=np.float32)
    delta[60, 80] = 1.0
    for coarse_way in (False, True):
        moved = np.fft.irfft2(
            np.fft.rfft2(delta) * trail_transfer([path], 120, 160, coarse=coarse_way), s=(120, 160)
        )
        y, x = np.mgrid[:120, :160]
        assert moved.sum() == pytest.approx(1.0, abs=1e-4)
        assert (moved * x).sum() == pytest.approx(80.0, abs=0.02)
        assert (moved * y).sum() == pytest.approx(60.0, abs=0.02)
        if coarse_way:
            assert moved.min() > -1e-6
            wide = (moved * (x - 80) ** 2).sum()
            # sharing out between neighbours adds at most a quarter
            assert np.var(path[0]) - 0.01 <= wide <= np.var(path[0]) + 0.26


def test_wide_fields_are_moved_without_rings(full_kit, site, sky):
    light = proxy_light(
        full_kit, site, sky, resolve_place("M15", sky), conditions=conditions_at_altitude(site),
        whole=True, longest_px=300,
    )  # fmt: skip
    assert light.star_px < SHARPEST_PX
    assert light.bin_px == 20
    path = (np.linspace(-0.9, 0.9, 32), np.linspace(-0.3, 0.3, 32))
    moved = light.trailed([path])
    np.testing.assert_allclose(moved.sum(), light.e_per_s.sum(), rtol=1e-4)


def test_the_pictures_share_a_stretch_and_the_sky_gets_smoother(pair):
    *_, light, path = pair
    one, every = pictures(
        light, Trails(path, [path], any_kept=True), exposure_s=EXPOSURE_S, kept=40.0
    )
    assert one.dtype == every.dtype == np.uint8
    corner = (slice(10, 60), slice(10, 60))
    grain = [np.mean(np.abs(np.diff(p[corner].mean(axis=2), axis=1))) for p in (one, every)]
    assert grain[1] < 0.6 * grain[0]


@pytest.mark.parametrize("change", ["mono", "still", "tiny", "lens"])
def test_other_kits_are_drawn_too(change, full_kit, site, sky):
    camera, mount, optics = full_kit.camera, full_kit.mount, full_kit.optics
    made = {
        "mono": {"camera": camera.model_copy(update={"bayer": None})},
        "still": {"mount": mount.model_copy(update={"driven": "none"})},
        "tiny": {"camera": camera.model_copy(update={"width_px": 64, "height_px": 64})},
        "lens": {"optics": optics.model_copy(update={"focal_length_mm": 135.0})},
    }[change]
    kit = full_kit.model_copy(update=made)
    place = resolve_place("M57", sky)
    trial = trial_of(kit, site, sky, place, night=date(2026, 9, 12))
    setting = Setting(20.0, 30, whole=change == "lens")
    for jpeg in trial.jpegs(setting):
        with Image.open(io.BytesIO(jpeg)) as picture:
            pixels = np.asarray(picture)
        assert pixels.std() > 0
    if change == "still":
        assert trial.answer(setting).kept == 0
        assert trial.answer(setting).snr_kept is None


@pytest.fixture(scope="module")
def trial(full_kit, site, sky):
    when = datetime(2026, 10, 9, 20, 0, tzinfo=UTC)
    return trial_of(
        full_kit, site, sky, resolve_place("M15", sky), when=when, night=date(2026, 10, 9)
    )


def test_its_numbers_are_those_of_the_plan(trial, full_kit, site, sky):
    found = trial.answer(Setting(20.0, 60))
    plan = expose_object(
        full_kit, site, sky, "M15", seconds=20.0, frames=60,
        when=datetime(2026, 10, 9, 20, 0, tzinfo=UTC),
    )  # fmt: skip
    assert found.plan == plan
    assert found.kept == round(60 * plan.keeper_fraction)
    assert found.snr_kept == pytest.approx(plan.snr * found.kept**0.5)
    assert found.total_s == 60 * 22.0
    assert 0 < found.background_share < 0.1


def test_a_brighter_sky_costs_signal_and_fills_the_wells(trial):
    dark, lit = (trial.answer(Setting(20.0, 60, sky_mag_arcsec2=m)) for m in (21.5, 18.0))
    assert lit.plan.snr < dark.plan.snr
    # 3.5 magnitudes are a factor 25.1
    assert lit.plan.sky_e_per_px / dark.plan.sky_e_per_px == pytest.approx(25.12, rel=1e-3)
    assert lit.background_share > dark.background_share


def test_every_setting_has_its_pictures_and_they_are_remembered(trial):
    seen = set()
    for setting in (
        Setting(20.0, 60), Setting(60.0, 60), Setting(20.0, 10), Setting(20.0, 60, whole=True),
        Setting(20.0, 60, seeing_arcsec=6.0), Setting(20.0, 60, sky_mag_arcsec2=18.0),
        Setting(20.0, 60, wind="windy"),
    ):  # fmt: skip
        one, every = trial.jpegs(setting)
        assert trial.jpegs(setting)[0] is one
        with Image.open(io.BytesIO(every)) as picture:
            assert max(picture.size) <= 720
        seen.add(every)
    assert len(seen) == 7


def test_the_suggestion_is_the_plans(trial):
    mine = Setting(5.0, 10, sky_mag_arcsec2=19.0)
    better = trial.suggested(mine)
    assert better.seconds == trial.answer(mine).plan.suggested_s
    assert better.sky_mag_arcsec2 == 19.0
    assert trial.answer(better).snr_kept > trial.answer(mine).snr_kept


@pytest.mark.parametrize(
    "fields", [{"seconds": 0.0}, {"frames": 0}, {"frames": 10**9}, {"sky_mag_arcsec2": 3.0},
               {"seeing_arcsec": float("nan")}, {"seconds": float("inf")}],
)  # fmt: skip
def test_senseless_settings_are_refused(fields):
    with pytest.raises(UsageError, match="outside"):
        Setting(**({"seconds": 10.0, "frames": 10} | fields))
