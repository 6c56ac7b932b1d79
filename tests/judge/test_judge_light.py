"""Sky brightness, zero point, clipping, cloud and the next exposure."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from slowglass.expose.forecast import render_with_truth
from slowglass.frame.detect import detect_stars
from slowglass.frame.image import Frame
from slowglass.judge.advice import advise_exposure
from slowglass.judge.assess import assess_frame
from slowglass.judge.cloud import find_clouds
from slowglass.judge.sample import Sample
from slowglass.judge.sky import (
    SkyLight,
    clipping,
    green_plane,
    sky_brightness,
    sky_level,
    star_rates,
    zero_point,
)
from slowglass.judge.worm import HoldTimes
from slowglass.kit.io import load_kit, load_site
from slowglass.sky.place import resolve_place

KIT, SITE = load_kit("long 102"), load_site("Fig Tree Yard")


def test_the_zero_point_of_a_worked_example():
    # Univ. of Turku S/N page (REFERENCES): m0 = 20.75, 151356 ADU in 100 s is magnitude 12.80.
    rates = np.array([1513.56] * 4)
    found = zero_point(np.full(4, 12.80), rates)
    assert found is not None and found[0] == pytest.approx(20.75, abs=0.005)


def test_a_zero_point_outlives_a_wrong_star_but_not_chaos():
    rng = np.random.default_rng(1)
    rates = 10 ** rng.uniform(1, 3, 12)
    mags = 18.0 - 2.5 * np.log10(rates) + rng.normal(0, 0.05, 12)
    mags[3] += 2.0
    zero, error, count = zero_point(mags, rates)
    assert zero == pytest.approx(18.0, abs=0.05) and 8 <= count <= 11 and error < 0.05
    assert zero_point(mags + rng.normal(0, 2.0, 12), rates) is None
    assert zero_point(mags[:2], rates[:2]) is None


def test_sky_brightness_by_hand():
    # 4 ADU/s on 0.5″ pixels is 16 ADU/s/arcsec²: 3.01 mag under a zero point of 20, plus 0.3 of
    # air that only the stars pass.
    assert sky_brightness(4.0, 20.0, 0.5, air_mag=0.3) == pytest.approx(
        20.3 - 2.5 * math.log10(16.0)
    )


def test_star_light_is_that_of_photutils():
    from photutils.aperture import CircularAnnulus, CircularAperture, aperture_photometry

    rng = np.random.default_rng(2)
    y, x = np.mgrid[:200, :200]
    plane = 100 + 3000 * np.exp(-((x - 99.3) ** 2 + (y - 101.8) ** 2) / 2 / 2.0**2)
    plane = (plane + rng.normal(0, 2, plane.shape)).astype(np.float32)
    fwhm = 2.3548 * 2.0
    ours = star_rates(plane, 1, np.array([99.3]), np.array([101.8]), fwhm_px=fwhm, exposure_s=10)
    radius = 3.0 * fwhm
    at = [(99.3, 101.8)]
    total = aperture_photometry(plane, CircularAperture(at, radius))["aperture_sum"][0]
    ring = CircularAnnulus(at, 1.25 * radius, 1.9 * radius)
    level = aperture_photometry(plane, ring)["aperture_sum"][0] / ring.area
    theirs = (total - level * math.pi * radius**2) / 10
    assert ours[0] == pytest.approx(theirs, rel=0.003)
    assert ours[0] == pytest.approx(3000 * 2 * math.pi * 4 / 10, rel=0.005)


def test_the_green_plane_and_its_level():
    cell = np.array([[100.0, 40.0], [44.0, 10.0]], dtype=np.float32)  # R G / G B
    pixels = np.tile(cell, (50, 60))
    plane, factor = green_plane(Frame(pixels, bayer="RGGB"))
    assert factor == 2 and plane.shape == (50, 60) and sky_level(plane) == pytest.approx(42.0)
    colour = Frame(np.dstack([pixels, pixels + 5, pixels]))
    assert green_plane(colour)[0][0, 0] == 105.0


def test_clipped_cores_are_counted_by_channel():
    rng = np.random.default_rng(3)
    pixels = (200 + rng.normal(0, 5, (400, 400))).astype(np.float32)
    y, x = np.mgrid[:400, :400]
    for cx, cy in ((100, 100), (250, 120), (180, 300)):
        pixels += 30000 * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / 2 / 3.0**2)
    # Green twice as sensitive as red and blue, of which it alone clips.
    pixels[0::2, 0::2] *= 0.5
    pixels[1::2, 1::2] *= 0.5
    frame = Frame(np.minimum(pixels, 20000).astype(np.float32), bayer="RGGB", white_adu=20000)
    cores, shares = clipping(frame, detect_stars(frame))
    assert cores == {"R": 0, "G": 3, "B": 0}
    assert shares["G"] > 0 and shares["R"] == shares["B"] == 0


@pytest.fixture(scope="module")
def judged(sky):
    """(truth, light) of forecast frames of 3000 × 2000 px about NGC 457, clear and clouded."""
    camera = KIT.camera.model_copy(update={"width_px": 3000, "height_px": 2000, "pixel_um": 7.8})
    kit = KIT.model_copy(update={"camera": camera})
    place = resolve_place("NGC457", sky)
    out = {}
    for name, passed in (("clear", 1.0), ("cloud", 0.5)):
        frame, truth = render_with_truth(
            kit, SITE, sky, place, exposure_s=60, seed=1, tracking=False,
            sky_mag_arcsec2=20.0, transparency=passed, altitude_deg=50,
        )  # fmt: skip
        black = np.float32(camera.black_adu)
        frame = replace(
            frame, pixels=frame.pixels - black, black_adu=float(black),
            white_adu=frame.white_adu - float(black),
        )  # fmt: skip
        verdict = assess_frame(
            frame,
            sky,
            now_utc=datetime(2026, 9, 12, 21, tzinfo=UTC),
            near=place,
            kit=kit,
            site=SITE,
        ).verdict
        out[name] = truth, verdict
    return out


def test_the_sky_of_a_forecast_frame_within_a_tenth(judged):
    truth, verdict = judged["clear"]
    light = verdict.light
    assert light.sky_mag_arcsec2 == pytest.approx(truth.conditions.sky_mag_arcsec2, abs=0.1)
    assert light.transparency == pytest.approx(1.0, abs=0.1)
    assert light.zero_point_stars >= 5
    # Read noise 3 e⁻: 9 e⁻² against the green sky's electrons.
    assert light.read_noise_share == pytest.approx(9 / (9 + truth.sky_e[1]), abs=0.03)


def test_cloud_dims_the_stars_and_not_the_sky(judged):
    truth, verdict = judged["cloud"]
    light = verdict.light
    assert light.transparency == pytest.approx(0.5, abs=0.06)
    true_sky = truth.conditions.sky_mag_arcsec2 - 2.5 * math.log10(1.5)
    assert light.sky_mag_arcsec2 == pytest.approx(true_sky, abs=0.2)
    assert "cloud" in light.sky_reason
    assert verdict.light_loss_mag == pytest.approx(0.75, abs=0.15)


def test_an_unknown_black_level_gives_no_sky(sky, judged):
    truth, _ = judged["clear"]
    from painted_sky import paint

    painted = paint(sky, ra_deg=truth.wcs.ra0_deg, dec_deg=truth.wcs.dec0_deg)
    frame = Frame(painted.pixels.astype(np.float32))
    frame = replace(frame, header=replace(frame.header, exposure_s=60.0, kind="light"))
    light = assess_frame(
        frame, sky, now_utc=datetime(2026, 9, 12, 21, tzinfo=UTC),
        near=resolve_place("NGC457", sky), scale_arcsec_per_px=2.475,
    ).verdict.light  # fmt: skip
    assert light.sky_mag_arcsec2 is None and light.sky_reason


def zeros(values):
    return [
        Sample(1.79e9 + 60.0 * i, 30.0, zero_point_mag=None if v is None else float(v))
        for i, v in enumerate(values)
    ]


def test_passing_cloud_dew_and_clear_nights_are_told_apart():
    rng = np.random.default_rng(4)
    clear = 18.0 + rng.normal(0, 0.03, 30)
    found = find_clouds(zeros(clear))
    assert found and not found.cloudy and not found.fading and "clear" in found.text
    passing = clear.copy()
    passing[10:14] -= 0.9
    found = find_clouds(zeros(passing))
    assert found and found.cloudy == (10, 11, 12, 13) and not found.fading
    assert found.worst_mag == pytest.approx(0.9, abs=0.15)
    dew = find_clouds(zeros(clear - 0.03 * np.arange(30)))
    assert dew and dew.fading
    assert dew.fading_mag_per_hour == pytest.approx(1.8, rel=0.1)
    assert "4 needed" in find_clouds(zeros([18.0, None, 18.1])).reason


def light_of(**changes):
    return replace(SkyLight(histogram_share=0.1, read_noise_share=0.1), **changes)


HOLD = HoldTimes(90.0, 60.0, 50.0, 0.8, 30.0, 2.5)


def test_the_next_exposure_follows_sky_stars_mount_and_moon():
    assert advise_exposure(light_of(), exposure_s=30).step == "more"
    full = advise_exposure(light_of(histogram_share=0.75), exposure_s=60)
    assert full.step == "shorter" and full.exposure_s == pytest.approx(20.0)
    burnt = advise_exposure(light_of(clipped_stars={"R": 2, "G": 40, "B": 1}), exposure_s=60)
    assert burnt.step == "shorter" and "40 stars" in burnt.text and "G" in burnt.text
    noisy = light_of(read_noise_share=0.6)
    longer = advise_exposure(noisy, exposure_s=30, hold=HOLD)
    assert longer.step == "longer" and longer.exposure_s == pytest.approx(60.0)
    # Sky electrons grow with time: at t·x the read noise's share is 30 %.
    free = advise_exposure(noisy, exposure_s=30)
    t = free.exposure_s / 30
    assert 0.6 / (0.6 + 0.4 * t) == pytest.approx(0.3)
    held = advise_exposure(noisy, exposure_s=55, hold=HOLD)
    assert held.step == "more" and "mount" in held.text
    moon = advise_exposure(light_of(), exposure_s=30, moon_mag=2.0)
    assert moon.step == "stop" and "Moon" in moon.text
