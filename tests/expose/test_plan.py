"""Plans agree with the frames they forecast, and their files are whole."""

from __future__ import annotations

import json
import math
from datetime import UTC, date, datetime
from importlib.resources import files

import numpy as np
import pytest
from astropy.io import fits
from skyfield.api import Star, load, load_file, wgs84

from slowglass.errors import Cancelled, UsageError
from slowglass.expose.conditions import conditions_at, conditions_at_altitude
from slowglass.expose.evening import best_stand
from slowglass.expose.forecast import render_with_truth
from slowglass.expose.plan import plan_exposure
from slowglass.expose.preview import half_size, preview_rgb
from slowglass.expose.service import expose_object, tonight
from slowglass.kit.service import summarise_kit

NIGHT = date(2026, 10, 10)


def test_plan_predicts_the_rendered_frame(sky, kit, site):
    """Sky, and the object's mean light inside its half-light ellipse, as rendered."""
    obj = sky.objects.get("NGC 6543")
    conditions = conditions_at_altitude(site, 60.0)
    plan = plan_exposure(kit, site, obj, seconds=30.0, conditions=conditions)
    options = {
        "exposure_s": 30.0, "noise": False, "altitude_deg": 60.0, "tracking": False,
        "vignetting": 0.0, "dust": False, "faintest_mag": 0.0,
    }  # fmt: skip
    frame, truth = render_with_truth(kit, site, sky, obj, **options)
    camera = kit.camera
    e = (frame.pixels - camera.black_adu) * camera.gain_e_per_adu - camera.dark_e_per_s * 30
    sky_e = np.median(e[::2, ::2]) / 4 + np.median(e[1::2, ::2]) / 2 + np.median(e[1::2, 1::2]) / 4
    assert plan.sky_e_per_px == pytest.approx(sky_e, rel=0.02)
    x, y = truth.wcs.sky_to_pixel(obj.ra_deg, obj.dec_deg)
    yy, xx = np.mgrid[: e.shape[0], : e.shape[1]]
    # Radius of the half-light ellipse: 0.55 of the rim's, blurred little at 54″ across.
    inside = np.hypot(xx - x, yy - y) < 0.55 * obj.major_arcmin * 30 / kit.scale_arcsec_per_px
    assert e[inside].mean() - sky_e == pytest.approx(plan.object_e_per_px, rel=0.12)


def test_signal_to_noise_is_that_of_rendered_frames(sky, kit, site):
    """Scatter of 5 × 5 blocks inside the object over eight noisy frames, against the plan."""
    obj = sky.objects.get("NGC 6543")
    plan = plan_exposure(
        kit, site, obj, seconds=30.0, conditions=conditions_at_altitude(site, 60.0)
    )
    options = {
        "exposure_s": 30.0, "altitude_deg": 60.0, "tracking": False,
        "vignetting": 0.0, "dust": False, "faintest_mag": 0.0,
    }  # fmt: skip
    clean, truth = render_with_truth(kit, site, sky, obj, noise=False, **options)
    x, y = (round(float(v)) for v in truth.wcs.sky_to_pixel(obj.ra_deg, obj.dec_deg))

    def blocks(frame):
        cut = frame.pixels[y - 15 : y + 15, x - 15 : x + 15].astype(np.float64)
        return cut.reshape(6, 5, 6, 5).sum(axis=(1, 3)) * kit.camera.gain_e_per_adu

    scatter = [
        blocks(render_with_truth(kit, site, sky, obj, seed=seed, **options)[0]) - blocks(clean)
        for seed in range(8)
    ]
    object_e = plan.object_e_per_px * 25
    # The plan's element is a disc one FWHM across; signal to noise grows with its diameter.
    expected = plan.snr * math.sqrt(25 / (math.pi / 4 * plan.fwhm_px**2))
    # 288 samples: 4 % on the scatter; the middle is up to a fifth brighter than the mean; the
    # converter's rounding, gain²/12, adds 2 %.
    assert object_e / np.std(scatter) == pytest.approx(expected, rel=0.12)


def test_frames_add_as_the_square_root(sky, kit, site):
    one, sixteen = (
        plan_exposure(
            kit, site, sky.objects.get("M76"), seconds=30.0, frames=n,
            conditions=conditions_at_altitude(site),
        )
        for n in (1, 16)
    )  # fmt: skip
    assert sixteen.snr_total == pytest.approx(4 * one.snr)


def test_field_rotation_is_mentioned_when_it_shows(sky, full_kit, site):
    """A pole 2° too high turns an unguided field on the meridian by εωt·cos δ."""
    mount = full_kit.mount.model_copy(
        update={"polar_error_direction_deg": 0.0, "polar_error_arcmin": 120.0}
    )
    tilted = full_kit.model_copy(update={"mount": mount})
    turn = math.radians(2.0) * math.radians(15.041 / 3600) * 180 * math.cos(math.radians(10))
    smear = turn * math.hypot(6000, 4000) / 2
    options = {"seconds": 180.0, "conditions": conditions_at_altitude(site)}
    plan = plan_exposure(tilted, site, None, dec_deg=10.0, **options)
    assert any(f"smear by {smear:.1f} px" in note for note in plan.notes)
    usual = plan_exposure(full_kit, site, None, dec_deg=10.0, **options)
    assert not any("smear" in note for note in usual.notes)


def test_the_moon_is_mentioned(sky, kit, site):
    plan = expose_object(
        kit, site, sky, "M15", seconds=20, when=datetime(2026, 10, 25, 20, 0, tzinfo=UTC)
    )
    assert any("Moon" in note for note in plan.notes)
    dark = expose_object(kit, site, sky, "M15", seconds=20, night=NIGHT)
    assert not any("Moon" in note for note in dark.notes)


def test_read_noise_is_named_and_priced(sky, full_kit, site):
    plan = plan_exposure(
        full_kit, site, sky.objects.get("M82"), seconds=30.0,
        conditions=conditions_at_altitude(site),
    )  # fmt: skip
    assert plan.limit == "tracking"
    assert "read-noise limited" in plan.text
    assert plan.sky_limited_s > 5 * plan.hold_time_s
    # The price is 1 + RN²/(sky + dark) of the suggested exposure.
    rate = (plan.sky_e_per_px + plan.dark_e_per_px) / 30.0
    cost = 1 + 9.0 / (rate * plan.suggested_s)
    assert f"{cost:.1f} times" in plan.text


def test_what_clips_is_listed(sky, full_kit, site):
    conditions = conditions_at_altitude(site)
    long = plan_exposure(
        full_kit, site, sky.objects.get("NGC 7662"), seconds=3000.0, conditions=conditions,
        field_mags=(5.0, 12.0, 16.0),
    )  # fmt: skip
    assert any("core of NGC 7662" in line for line in long.saturates)
    assert any(
        "stars in the frame" in line or "star in the frame" in line for line in long.saturates
    )
    short = plan_exposure(
        full_kit, site, sky.objects.get("NGC 7662"), seconds=1.0, conditions=conditions,
        field_mags=(12.0,),
    )  # fmt: skip
    assert short.saturates == ()


def test_saturation_agrees_with_rendering(sky, mono_kit, site):
    """The star that just clips in the plan just clips in the frame (to 0.2 mag)."""
    obj = sky.objects.get("M15")
    plan = plan_exposure(
        mono_kit, site, obj, seconds=60.0, conditions=conditions_at_altitude(site),
        field_mags=(0.0,),
    )  # fmt: skip
    limit = float(plan.saturates[-1].rsplit(" ", 1)[1])
    frame, truth = render_with_truth(
        mono_kit, site, sky, obj, exposure_s=60.0, tracking=False, noise=False, vignetting=0.0
    )
    for x, y, mag in zip(truth.x_px, truth.y_px, truth.stars.mag, strict=True):
        if abs(mag - limit) < 0.25 or mag > 11 or truth.stars.source[truth.x_px == x][0] != 0:
            continue
        column, row = round(x), round(y)
        if 2 < column < 997 and 2 < row < 697:
            peak = frame.pixels[row - 2 : row + 3, column - 2 : column + 3].max()
            assert (peak >= frame.white_adu - 1) == (mag < limit)


def test_conditions_against_skyfield(site):
    """Altitude and hour angle of M15's place from an independent library (DE421)."""
    planets = load_file(str(files("skyfield_data") / "data" / "de421.bsp"))
    when = datetime(2026, 10, 10, 22, 15, tzinfo=UTC)
    t = load.timescale(builtin=True).from_datetime(when)
    place = planets["earth"] + wgs84.latlon(site.latitude_deg, site.longitude_deg, site.height_m)
    star = Star(ra_hours=322.49325 / 15, dec_degrees=12.166833)
    seen = place.at(t).observe(star).apparent()
    alt = seen.altaz(temperature_C=10.0, pressure_mbar=1010.0)[0].degrees
    ha = seen.hadec()[0].hours * 15.0
    planets.close()
    found = conditions_at(site, 322.49325, 12.166833, when)
    assert found.altitude_deg == pytest.approx(alt, abs=0.01)
    assert found.hour_angle_deg == pytest.approx(ha, abs=0.4)  # of date against ICRS
    # West of the meridian the zenith lies east of north.
    assert 0 < found.zenith_angle_deg < 90


def test_best_moment_is_highest_and_dark(site):
    stand = best_stand(site, 322.49, 12.17, NIGHT)
    found = conditions_at(site, 322.49, 12.17, stand.when)
    # Transit altitude 90 − φ + δ.
    assert found.altitude_deg == pytest.approx(90 - 44.2 + 12.17, abs=0.3)
    assert best_stand(site, 200.0, -75.0, NIGHT) is None


def test_light_nights_are_planned_in_their_deepest_twilight(sky, kit, site):
    """At 58° N the Sun is 8.6° below the horizon at midsummer's midnight (90 − 58 − 23.4)."""
    north = site.model_copy(
        update={"latitude_deg": 58.0, "longitude_deg": 15.0, "timezone": "Europe/Stockholm",
                "horizon": ()}
    )  # fmt: skip
    stand = best_stand(north, 283.4, 33.03, date(2026, 6, 21))
    assert stand.darkness == "civil" and stand.minutes_up > 60
    plan = expose_object(kit, north, sky, "M57", seconds=20, night=date(2026, 6, 21))
    assert any("civil twilight" in note for note in plan.notes)
    assert plan.sky_mag_arcsec2 < 18


def test_few_frames_needed_is_told_as_the_least(sky, kit, site):
    plan = expose_object(kit, site, sky, "M57", seconds=30, night=NIGHT)
    assert plan.suggested_frames < 5
    assert plan.minutes_up == pytest.approx(262, abs=6)  # astropy, skyline of the yard
    # 262 min in steps of 30 s and 2 s of read-out
    assert plan.frames_in_window == int(plan.minutes_up * 60 / 32)
    assert "such frames fit into the night's window" in plan.text
    assert "That is the least" in plan.text
    faint = expose_object(kit, site, sky, "NGC 891", seconds=30, night=NIGHT)
    assert faint.suggested_frames > 100 and "the least" not in faint.text


def test_tonight_turns_at_noon(site):
    assert tonight(site, datetime(2026, 10, 11, 1, 0, tzinfo=UTC)) == date(2026, 10, 10)
    assert tonight(site, datetime(2026, 10, 11, 15, 0, tzinfo=UTC)) == date(2026, 10, 11)


def test_files_are_sixteen_bit_fits_and_png(sky, kit, site, tmp_path):
    stages = []
    plan = expose_object(
        kit, site, sky, "m 15", seconds=20, frames=10, night=NIGHT, out=tmp_path / "m15.fits",
        report=lambda stage, done, total: stages.append((stage, done, total)),
    )  # fmt: skip
    assert plan.outputs == (str(tmp_path / "m15.fits"),)
    assert stages[-1][1] == stages[-1][2]
    with fits.open(tmp_path / "m15.fits") as hdus:
        header, data = hdus[0].header, hdus[0].data
    assert (header["BITPIX"], data.shape, data.dtype.kind) == (16, (700, 1000), "u")
    for key in ("DATE-OBS", "EXPTIME", "IMAGETYP", "EGAIN", "RDNOISE", "BAYERPAT", "OBJECT"):
        assert key in header
    assert "CRVAL1" not in header
    expose_object(kit, site, sky, "M15", seconds=20, night=NIGHT, out=tmp_path / "m15.png")
    assert (tmp_path / "m15.png").read_bytes().startswith(b"\x89PNG")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["m15.fits", "m15.png"]


def test_plan_json_has_the_contract(sky, kit, site):
    plan = expose_object(kit, site, sky, "M11", seconds=20, frames=5, night=NIGHT)
    data = json.loads(json.dumps(plan.to_json(), allow_nan=False))
    assert {
        "object_e_per_px", "sky_e_per_px", "read_noise_e", "snr", "sky_limited_s", "hold_time_s",
        "suggested_s", "suggested_frames", "saturates",
    } <= data.keys()  # fmt: skip
    assert isinstance(data["saturates"], list)
    assert "member star" in data["measures"]


def test_a_bare_place_has_a_sky_but_no_object(sky, kit, site):
    plan = expose_object(kit, site, sky, "300.0 40.0", seconds=30, night=NIGHT)
    assert plan.snr is None and plan.object_e_per_px is None
    assert plan.sky_e_per_px > 0 and plan.suggested_frames is None


def test_refusals_and_cancelling(sky, kit, site, tmp_path):
    with pytest.raises(UsageError, match="FITS or PNG"):
        expose_object(kit, site, sky, "M15", seconds=10, out=tmp_path / "x.jpg")
    with pytest.raises(UsageError, match="exposure"):
        expose_object(kit, site, sky, "M15", seconds=0, night=NIGHT)
    with pytest.raises(UsageError, match="frames"):
        expose_object(kit, site, sky, "M15", seconds=10, frames=0, night=NIGHT)
    with pytest.raises(UsageError, match="below the horizon"):
        expose_object(
            kit, site, sky, "M15", seconds=10, when=datetime(2026, 10, 10, 10, 0, tzinfo=UTC)
        )

    def stop(stage, done, total):
        if "rendering" in stage:
            raise Cancelled

    with pytest.raises(Cancelled):
        expose_object(
            kit, site, sky, "M15", seconds=10, night=NIGHT, out=tmp_path / "y.fits", report=stop
        )
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("pattern", ["RGGB", "BGGR", "GRBG", "GBRG"])
def test_half_size_keeps_colours_and_places(pattern):
    """A slope in each colour comes out with that colour's value at every cell's centre."""
    yy, xx = np.mgrid[:40, :60].astype(np.float32)
    slope = {"R": 100 + 2 * xx, "G": 300 + 3 * yy, "B": 500 - xx - yy}
    pixels = np.zeros((40, 60), dtype=np.float32)
    for k, colour in enumerate(pattern):
        pixels[k // 2 :: 2, k % 2 :: 2] = slope[colour][k // 2 :: 2, k % 2 :: 2]
    out = half_size(pixels, pattern)
    cy, cx = np.mgrid[:20, :30] * 2 + 0.5
    expected = np.stack([100 + 2 * cx, 300 + 3 * cy, 500 - cx - cy], axis=2)
    np.testing.assert_allclose(out[1:-1, 1:-1], expected[1:-1, 1:-1], atol=1e-3)


def test_preview_is_dark_sky_with_bright_stars(sky, kit, site):
    from slowglass.expose.forecast import render_forecast

    picture = preview_rgb(render_forecast(kit, site, sky, sky.objects.get("M15"), exposure_s=60.0))
    assert picture.shape == (350, 500, 3) and picture.dtype == np.uint8
    assert 8 < np.median(picture) < 60
    assert picture.max() > 200
    assert np.ptp(np.median(picture, axis=(0, 1))) < 12


def test_kit_and_plan_expect_the_same_star(sky, full_kit, site):
    plan = plan_exposure(
        full_kit, site, sky.objects.get("M15"), seconds=30.0,
        conditions=conditions_at_altitude(site),
    )  # fmt: skip
    assert summarise_kit(full_kit, site).star_fwhm_px == pytest.approx(plan.fwhm_px, rel=1e-6)


def test_trails_and_keepers_by_exposure(sky, full_kit, site):
    """Maximum drift of a worm in t is 2A·sin(πt/P)·cos δ; shares fall with the exposure."""
    mount = full_kit.mount.model_copy(update={"polar_error_arcmin": 0.0})
    kit = full_kit.model_copy(update={"mount": mount})
    plan = plan_exposure(
        kit, site, None, dec_deg=60.0, seconds=60.0, conditions=conditions_at_altitude(site)
    )
    low, middle, high = plan.trail_arcsec
    most = 2 * 15.0 * math.sin(math.pi * 60.0 / (86164.0905 / 130)) * 0.5
    assert 0.0 < low < middle < high <= most + 1.0
    # A sine is at its steep parts mostly: the median of |cos| is 0.707.
    assert middle == pytest.approx(0.707 * most, rel=0.15)
    seconds, shares = zip(*plan.keepers_by_exposure, strict=True)
    assert list(seconds) == sorted(seconds) and seconds[0] == 1.0
    assert list(shares) == sorted(shares, reverse=True)
    assert dict(plan.keepers_by_exposure)[60.0] == plan.keeper_fraction
