"""The forecast frame against Poisson theory, photutils, and the truth it states."""

from __future__ import annotations

import math
from datetime import UTC, datetime

import numpy as np
import pytest
from photutils.aperture import CircularAperture, aperture_photometry
from photutils.centroids import centroid_2dg

from slowglass.errors import UsageError
from slowglass.expose.calibration import render_bias, render_dark, render_flat
from slowglass.expose.forecast import render_forecast, render_with_truth
from slowglass.expose.signal import mosaic_mean, star_e_per_s
from slowglass.frame.header import header_wcs

EMPTY = (41.0, 33.0)
QUIET = {"faintest_mag": 0.0, "neighbours": False, "vignetting": 0.0, "dust": False}


@pytest.fixture(scope="module")
def lone_star(sky, mono_kit, site):
    """A noise-free mono frame about a well-separated bright catalogue star, untrailed."""
    ra, dec = lone_place(sky)
    return render_with_truth(
        mono_kit, site, sky, (ra, dec), exposure_s=2.0, noise=False, tracking=False,
        offset_arcsec=(23.4, -11.7), sky_mag_arcsec2=30.0, **QUIET,
    )  # fmt: skip


def lone_place(sky) -> tuple[float, float]:
    """The place of a catalogue star of V 8 to 9 with no other in 4 arcminutes."""
    stars = sky.stars.cone(41.0, 33.0, 5.0)
    for i in np.flatnonzero((stars.v_mag > 8) & (stars.v_mag < 9)):
        near = sky.stars.cone(stars.ra_deg[i], stars.dec_deg[i], 4 / 60)
        if len(near) == 1:
            return float(stars.ra_deg[i]), float(stars.dec_deg[i])
    raise AssertionError("no lone star")


def electrons(frame, kit):
    return (frame.pixels.astype(np.float64) - kit.camera.black_adu) * kit.camera.gain_e_per_adu


def test_star_flux_matches_truth_through_photutils(lone_star, mono_kit):
    frame, truth = lone_star
    light = electrons(frame, mono_kit) - mono_kit.camera.dark_e_per_s * 2.0
    i = int(np.argmin(truth.stars.mag))
    spot = (truth.x_px[i], truth.y_px[i])
    flux = aperture_photometry(light, CircularAperture(spot, r=60))["aperture_sum"][0]
    # Diffraction rings of an obstructed aperture leave about 1 % outside 37″.
    assert flux == pytest.approx(truth.star_e[i, 0], rel=0.012)
    expected = 2.0 * star_e_per_s(
        truth.stars.mag[i], mono_kit.optics, mono_kit.camera, light=truth.stars.bv[i],
        airmass=truth.conditions.airmass, extinction_mag=truth.conditions.extinction_mag,
    )  # fmt: skip
    assert truth.star_e[i, 0] == pytest.approx(expected[0])


def test_star_sits_where_the_wcs_says(lone_star, mono_kit):
    frame, truth = lone_star
    i = int(np.argmin(truth.stars.mag))
    x, y = truth.wcs.sky_to_pixel(truth.stars.ra_deg[i], truth.stars.dec_deg[i])
    x0, y0 = round(float(x)) - 15, round(float(y)) - 15
    cut = electrons(frame, mono_kit)[y0 : y0 + 31, x0 : x0 + 31]
    found = centroid_2dg(cut - np.median(cut))
    assert found == pytest.approx([x - x0, y - y0], abs=0.02)
    # The star was asked for 23.4″ west and 11.7″ north of the centre.
    scale = mono_kit.scale_arcsec_per_px
    away = math.hypot(23.4, 11.7) / scale
    assert math.hypot(x - 499.5, y - 349.5) == pytest.approx(away, abs=0.02)
    # North up, unmirrored, top row first: west is right, north is up.
    assert x > 499.5 and y < 349.5 + 1


def test_width_agrees_with_a_profile_fit(lone_star, mono_kit):
    frame, truth = lone_star
    i = int(np.argmin(truth.stars.mag))
    light = electrons(frame, mono_kit)
    x, y = truth.x_px[i], truth.y_px[i]
    cut = light[round(y) - 20 : round(y) + 21, round(x) - 20 : round(x) + 21]
    cut = cut - np.median(light)
    # Width at half maximum straight from the pixels, by area.
    fwhm = 2 * math.sqrt(np.count_nonzero(cut > cut.max() / 2) / math.pi)
    assert fwhm == pytest.approx(truth.fwhm_px, rel=0.06)


@pytest.mark.parametrize("level", [19.0, 21.0])
def test_sky_noise_is_poisson(sky, mono_kit, site, level):
    frame, truth = render_with_truth(
        mono_kit, site, sky, EMPTY, exposure_s=60.0, seed=4, sky_mag_arcsec2=level,
        altitude_deg=90.0, **QUIET,
    )  # fmt: skip
    e = electrons(frame, mono_kit)[100:600, 100:400]
    camera = mono_kit.camera
    expected = float(truth.sky_e[0]) + camera.dark_e_per_s * 60
    # A star or two may lie in the area: use robust centre and width.
    keep = np.abs(e - np.median(e)) < 6 * 1.4826 * np.median(np.abs(e - np.median(e)))
    e = e[keep]
    variance = expected + camera.read_noise_e**2 + camera.gain_e_per_adu**2 / 12
    assert e.mean() == pytest.approx(expected, abs=5 * math.sqrt(variance / e.size) + 0.02)
    assert e.var() == pytest.approx(variance, rel=0.02)


def test_photon_transfer_slope_is_the_gain(mono_kit):
    """Janesick's method on pairs of flats and biases: 1.9 e⁻/ADU and 3.0 e⁻."""
    flats = [
        render_flat(mono_kit, level=0.4, seed=s, vignetting=0, dust=False).pixels for s in (1, 2)
    ]
    biases = [render_bias(mono_kit, seed=s).pixels for s in (3, 4)]
    bias_diff = (biases[0] - biases[1]).astype(np.float64)
    gain = (flats[0] + flats[1] - biases[0] - biases[1]).mean(dtype=np.float64) / (
        (flats[0] - flats[1]).var(dtype=np.float64) - bias_diff.var()
    )
    assert gain == pytest.approx(1.9, rel=0.015)
    # Rounding to whole ADU adds gain²/12.
    read = math.sqrt((gain * bias_diff.std() / math.sqrt(2)) ** 2 - gain**2 / 12)
    assert read == pytest.approx(3.0, rel=0.02)


def test_noise_is_skewed_like_photons(mono_kit):
    """Third moments too: a Poisson variable of mean m has third central moment m."""
    kit = mono_kit.model_copy(
        update={
            "camera": mono_kit.camera.model_copy(
                update={"gain_e_per_adu": 0.01, "read_noise_e": 0.0, "bits": 16, "black_adu": 0.0}
            )
        }
    )
    for mean in (2.0, 20.0, 60.0):
        flat = render_flat(
            kit, level=mean / kit.camera.saturation_e, exposure_s=0.001, vignetting=0, dust=False
        )
        e = flat.pixels.astype(np.float64) * 0.01
        # Sampling errors over 700 000 pixels: 5σ.
        assert e.mean() == pytest.approx(mean, abs=5 * math.sqrt(mean / e.size))
        assert e.var() == pytest.approx(mean, rel=5 * math.sqrt(2 / e.size) + 0.004)
        assert ((e - e.mean()) ** 3).mean() == pytest.approx(mean, rel=0.25)


@pytest.mark.parametrize("pattern", ["RGGB", "BGGR", "GRBG", "GBRG"])
def test_colours_of_the_mosaic(sky, kit, site, pattern):
    """Each pixel of the mosaic sees the sky through its own colour, whatever the pattern."""
    coloured = kit.model_copy(update={"camera": kit.camera.model_copy(update={"bayer": pattern})})
    frame, truth = render_with_truth(
        coloured, site, sky, EMPTY, exposure_s=600.0, noise=False, altitude_deg=90.0, **QUIET
    )
    e = electrons(frame, coloured) - coloured.camera.dark_e_per_s * 600
    for k, letter in enumerate(pattern):
        plane = e[k // 2 :: 2, k % 2 :: 2]
        assert np.median(plane) == pytest.approx(truth.sky_e["RGB".index(letter)], rel=0.01)


def test_trail_has_the_stated_length_and_direction(sky, mono_kit, site):
    ra, dec = lone_place(sky)
    frame, truth = render_with_truth(
        mono_kit, site, sky, (ra, dec), exposure_s=90.0, noise=False, worm_phase_rad=0.0,
        sky_mag_arcsec2=30.0, rotation_deg=150.0, transparency=0.02, **QUIET,
    )  # fmt: skip
    i = int(np.argmin(truth.stars.mag))
    x, y = truth.x_px[i], truth.y_px[i]
    light = electrons(frame, mono_kit) - mono_kit.camera.dark_e_per_s * 90
    cut = light[round(y) - 45 : round(y) + 46, round(x) - 45 : round(x) + 46]
    yy, xx = np.mgrid[-45:46, -45:46]
    dx, dy = xx + round(x) - x, yy + round(y) - y
    cut = np.where(np.hypot(dx, dy) < 45, cut, 0)
    total = cut.sum()
    # Centre of light on the truth position: the path's mean is 0.
    assert (cut * dx).sum() / total == pytest.approx(0, abs=0.1)
    assert (cut * dy).sum() / total == pytest.approx(0, abs=0.1)
    cxx, cyy, cxy = ((cut * a * b).sum() / total for a, b in ((dx, dx), (dy, dy), (dx, dy)))
    angle = math.degrees(0.5 * math.atan2(2 * cxy, cxx - cyy)) % 180
    assert angle == pytest.approx(truth.trail_angle_deg, abs=2.0)
    # The difference of the axes' variances is the path's alone.
    px, py = truth.path_px
    split = math.hypot(cxx - cyy, 2 * cxy)
    own = math.hypot(np.mean(px * px) - np.mean(py * py), 2 * np.mean(px * py))
    assert split == pytest.approx(own, rel=0.05)
    # Worm alone: 2A·sin(πt/P)·cos δ at phase 0 would be the net shift east.
    assert math.hypot(*truth.trail_px) > 5


def test_long_trails_keep_their_light(sky, mono_kit, site):
    """A mount without a motor draws streaks 15.04″·cos δ a second long, none of it lost."""
    still = mono_kit.model_copy(
        update={"mount": mono_kit.mount.model_copy(update={"driven": "none"})}
    )
    ra, dec = lone_place(sky)
    frame, truth = render_with_truth(
        still, site, sky, (ra, dec), exposure_s=15.0, noise=False, sky_mag_arcsec2=30.0, **QUIET
    )
    scale = mono_kit.scale_arcsec_per_px
    expected = 15.041 * 15 * math.cos(math.radians(dec)) / scale
    assert math.hypot(*truth.trail_px) == pytest.approx(expected, rel=0.01)
    i = int(np.argmin(truth.stars.mag))
    light = electrons(frame, still) - still.camera.dark_e_per_s * 15
    y = round(truth.y_px[i])
    band = light[y - 60 : y + 61, 100:900]
    assert band.sum() == pytest.approx(truth.star_e[i, 0], rel=0.03)
    middle = light[y - 60 : y + 61, 400:600].sum(axis=0)
    assert middle.std() / middle.mean() < 0.05


def test_same_seed_same_frame_and_same_faint_stars(sky, kit, site):
    target = sky.objects.get("M15")
    one, truth_one = render_with_truth(kit, site, sky, target, exposure_s=10.0, seed=1)
    again = render_forecast(kit, site, sky, target, exposure_s=10.0, seed=1)
    other, truth_other = render_with_truth(
        kit, site, sky, target, exposure_s=10.0, seed=2, offset_arcsec=(40.0, 25.0)
    )
    np.testing.assert_array_equal(one.pixels, again.pixels)
    assert not np.array_equal(one.pixels, other.pixels)

    def places(truth):
        return {
            (round(float(r), 8), round(float(d), 8))
            for r, d in zip(truth.stars.ra_deg, truth.stars.dec_deg, strict=True)
        }

    shared = places(truth_one) & places(truth_other)
    assert len(shared) > 0.8 * len(places(truth_one))


def test_galaxy_light_adds_up(sky, kit, site):
    """Object minus empty field, summed over the frame, is the catalogue magnitude's light."""
    galaxy = sky.objects.get("NGC 7331")
    plain = {"noise": False, "tracking": False, **QUIET}
    wide = kit.model_copy(
        update={"camera": kit.camera.model_copy(update={"width_px": 2600, "height_px": 2200})}
    )
    with_it, truth = render_with_truth(wide, site, sky, galaxy, exposure_s=60.0, **plain)
    without = render_forecast(
        wide, site, sky, (galaxy.ra_deg, galaxy.dec_deg), exposure_s=60.0, **plain
    )
    total = (electrons(with_it, wide) - electrons(without, wide)).sum()
    rates = star_e_per_s(
        galaxy.mag, wide.optics, wide.camera, light=0.75,
        airmass=truth.conditions.airmass, extinction_mag=truth.conditions.extinction_mag,
    )  # fmt: skip
    assert total == pytest.approx(60.0 * float(mosaic_mean(rates)), rel=0.02)


def test_header_tells_what_a_camera_would(sky, kit, site):
    when = datetime(2026, 10, 11, 20, 30, tzinfo=UTC)
    frame = render_forecast(
        kit, site, sky, sky.objects.get("M15"), exposure_s=20.0, when=when, seed=3
    )
    header = frame.header
    assert (header.kind, header.exposure_s, header.start_utc) == ("light", 20.0, when)
    assert (header.gain_e_per_adu, header.read_noise_e) == (1.9, 3.0)
    assert (header.object_name, header.focal_length_mm) == ("M15", 1300.0)
    assert frame.bayer == "RGGB"
    assert header_wcs(header.cards) is None  # a frame must be solved, not told
    told, truth = render_with_truth(
        kit, site, sky, sky.objects.get("M15"), exposure_s=20.0, when=when, write_wcs=True
    )
    assert header_wcs(told.header.cards) == truth.wcs


def test_pixels_are_whole_adu_within_range(sky, kit, site):
    frame = render_forecast(kit, site, sky, sky.objects.get("M11"), exposure_s=120.0)
    assert frame.pixels.dtype == np.float32
    whole = frame.pixels < frame.white_adu
    assert np.array_equal(frame.pixels[whole], np.rint(frame.pixels[whole]))
    assert frame.pixels.min() >= 0 and frame.pixels.max() <= frame.white_adu
    assert frame.white_adu == pytest.approx(min(16383, 512 + 30000 / 1.9))


def test_cloud_and_moon(sky, kit, site):
    clear, clear_truth = render_with_truth(kit, site, sky, EMPTY, exposure_s=30.0, noise=False)
    cloudy, cloudy_truth = render_with_truth(
        kit, site, sky, EMPTY, exposure_s=30.0, noise=False, transparency=0.1
    )
    assert cloudy_truth.star_e.max() == pytest.approx(0.1 * clear_truth.star_e.max())
    assert np.median(cloudy.pixels) > np.median(clear.pixels)
    # 2026-10-26 is a full Moon (04:12 UTC), high over the site at midnight.
    moonlit = render_with_truth(
        kit, site, sky, EMPTY, exposure_s=30.0, noise=False,
        when=datetime(2026, 10, 25, 23, 0, tzinfo=UTC),
    )[1]  # fmt: skip
    assert moonlit.conditions.sky_mag_arcsec2 < clear_truth.conditions.sky_mag_arcsec2 - 1.0


def test_satellite_crosses(sky, mono_kit, site):
    plain = {"noise": False, "tracking": False, "seed": 5, **QUIET}
    without = render_forecast(mono_kit, site, sky, EMPTY, exposure_s=30.0, **plain)
    crossed = render_forecast(
        mono_kit, site, sky, EMPTY, exposure_s=30.0, satellite_mag=4.0, **plain
    )
    streak = (crossed.pixels - without.pixels).astype(np.float64)
    y, x = np.nonzero(streak > 0.2 * streak.max())
    # All of it on one straight line, a few pixels wide, from edge to edge.
    along, across = np.linalg.svd(np.stack([x - x.mean(), y - y.mean()]))[1] / np.sqrt(x.size)
    assert across < 4
    assert along > 150
    # Light per pixel of length: magnitude 4 crossing 1500″ a second.
    rate = star_e_per_s(4.0, mono_kit.optics, mono_kit.camera)[0]
    per_px = rate / (1500.0 / mono_kit.scale_arcsec_per_px)
    length = along * math.sqrt(12.0)
    total = streak.sum() * mono_kit.camera.gain_e_per_adu
    assert total / length == pytest.approx(per_px, rel=0.05)


def test_misuse_is_refused(sky, kit, site):
    with pytest.raises(UsageError, match="0 s"):
        render_forecast(kit, site, sky, EMPTY, exposure_s=0.0)
    with pytest.raises(UsageError, match="zone"):
        render_forecast(kit, site, sky, EMPTY, exposure_s=5.0, when=datetime(2026, 10, 1))
    with pytest.raises(UsageError, match=r"transparency 1\.5 is out of range"):
        render_forecast(kit, site, sky, EMPTY, exposure_s=5.0, transparency=1.5)
    with pytest.raises(UsageError, match="seed"):
        render_forecast(kit, site, sky, EMPTY, exposure_s=5.0, seed=-1)
    with pytest.raises(UsageError, match="level"):
        render_flat(kit, level=1.5)


def test_one_camera_has_one_set_of_flaws(sky, kit, site):
    """Hot pixels of the dark glow in the light; dust of the flat shades the light."""
    dark = render_dark(kit, exposure_s=120.0, noise=False).pixels
    assert np.array_equal(dark > 600, render_dark(kit, exposure_s=120.0, noise=False).pixels > 600)
    hot = dark > kit.camera.black_adu + 100
    assert 20 < hot.sum() < 400
    light, truth = render_with_truth(
        kit, site, sky, EMPTY, exposure_s=120.0, noise=False, faintest_mag=0.0, altitude_deg=90.0
    )
    glow = light.pixels[hot] - np.median(light.pixels)
    assert (glow > 50).mean() > 0.98
    other = render_dark(kit, exposure_s=120.0, noise=False, camera_seed=9).pixels
    assert not np.array_equal(hot, other > kit.camera.black_adu + 100)
    flat = render_flat(kit, noise=False).pixels.astype(np.float64) - kit.camera.black_adu
    for k in range(4):
        r, c = k // 2, k % 2
        plane = flat[r::2, c::2] / flat[r::2, c::2].max()
        sky_plane = light.pixels[r::2, c::2] - dark[r::2, c::2]
        faint = np.abs(sky_plane / plane - np.median(sky_plane / plane))
        # Away from stars, sky over flat is constant to the sky's own slope.
        assert np.median(faint) < 0.002 * np.median(sky_plane / plane)
    corner = flat[:40, :40].mean() / flat[330:370, 480:520].mean()
    assert corner == pytest.approx(0.82, abs=0.04)
    assert truth.flaws.hot_column.size == pytest.approx(140, abs=60)


def test_an_odd_mirror_mirrors_the_picture(sky, kit, site):
    """With one mirror in the way, east lies to the right when north is up."""
    mirrored = kit.model_copy(update={"optics": kit.optics.model_copy(update={"reflections": 1})})
    target = sky.objects.get("M15")
    for tube, parity in ((kit, 1), (mirrored, -1)):
        truth = render_with_truth(tube, site, sky, target, exposure_s=5.0, faintest_mag=12.0)[1]
        assert truth.wcs.parity == parity
        east_x, east_y = truth.wcs.sky_to_pixel(target.ra_deg + 0.05, target.dec_deg)
        assert (east_x < 499.5) == (parity == 1)
        assert east_y == pytest.approx(349.5, abs=1.0)
