"""Where objects sink into the noise, against rendered frames, closed forms and trade facts."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from slowglass.expose.isophote import (
    CORE_SNR,
    FLAT_ERROR,
    Taking,
    faintest_e_per_px_s,
    faintest_mag_arcsec2,
    seen_extent,
    stars_extent_arcmin,
)
from slowglass.expose.noise import resolution_pixels, snr
from slowglass.expose.plan import star_width_arcsec
from slowglass.expose.profile import object_model
from slowglass.expose.signal import mosaic_mean, sky_e_per_px_s
from slowglass.kit.optics import PIXEL_BLUR_PX
from slowglass.sky.objects import SkyObject

NIGHT = Taking(60.0, 60.0, 20.3, 1.2, 0.25, 3.6)


def thing(kind, mag, major, minor=None, **other):
    return SkyObject("T1", "T1", (), kind, "Cyg", 300.0, 40.0, major, minor, 0.0, mag, **other)


def test_faintest_glow_has_the_wanted_ratio(full_kit):
    """The closed form against the noise equation (Merline & Howell 1995) it inverts."""
    one = replace(NIGHT, frames=1.0)
    rate = faintest_e_per_px_s(full_kit, one, wanted_snr=3.0)
    cells = resolution_pixels(math.hypot(3.6 / full_kit.scale_arcsec_per_px, PIXEL_BLUR_PX))
    sky = float(mosaic_mean(sky_e_per_px_s(20.3, full_kit.optics, full_kit.camera)))
    found = snr(
        rate * 60 * cells,
        pixels=cells,
        sky_e_per_px=sky * 60,
        dark_e_per_px=full_kit.camera.dark_e_per_s * 60,
        read_noise_e=full_kit.camera.read_noise_e,
    )
    assert found == pytest.approx(3.0, rel=1e-6)


def test_no_patience_beats_the_flat(full_kit):
    long = replace(NIGHT, frames=1e9)
    sky = float(mosaic_mean(sky_e_per_px_s(20.3, full_kit.optics, full_kit.camera)))
    assert faintest_e_per_px_s(full_kit, long) == pytest.approx(FLAT_ERROR * sky)
    # So many magnitudes below the sky, plus the air, the sky being told as seen from the ground.
    depth = faintest_mag_arcsec2(full_kit, long) - (20.3 - 0.25 * 1.2)
    assert depth == pytest.approx(-2.5 * math.log10(FLAT_ERROR), abs=0.15)


@pytest.mark.parametrize("kind", ["planetary nebula", "galaxy", "globular cluster", "nebula"])
@settings(max_examples=25, deadline=None)
@given(mag=st.floats(5.0, 12.0), major=st.floats(1.0, 40.0), frames=st.floats(1.0, 300.0))
def test_more_frames_reach_farther_out(full_kit, kind, mag, major, frames):
    model = object_model(thing(kind, mag, major, 0.7 * major))
    few = seen_extent(model, full_kit, replace(NIGHT, frames=frames))
    many = seen_extent(model, full_kit, replace(NIGHT, frames=4.0 * frames))
    if few is None:
        return
    assert many is not None
    assert many.major_arcmin >= few.major_arcmin
    assert many.edge_mag_arcsec2 >= few.edge_mag_arcsec2 - 1e-9
    assert 0.0 < few.light_share <= many.light_share <= 1.0 + 1e-9
    darker = seen_extent(model, full_kit, replace(NIGHT, frames=frames, sky_mag_arcsec2=21.5))
    assert darker is not None and darker.major_arcmin >= few.major_arcmin


def test_edge_of_a_disc_is_where_its_law_says(full_kit):
    """An exponential disc fades by 1.0857 mag a scale length (Freeman 1970, ApJ 160, 811)."""
    model = object_model(thing("galaxy", 9.0, 12.0, 12.0))
    near = seen_extent(model, full_kit, replace(NIGHT, frames=20.0))
    far = seen_extent(model, full_kit, replace(NIGHT, frames=60.0))
    scale = model.smooth[0].reach_arcsec / 7.0
    out = (far.major_arcmin - near.major_arcmin) * 30.0 / scale
    # The bulge's last light and the radial grid: some hundredths.
    assert far.edge_mag_arcsec2 - near.edge_mag_arcsec2 == pytest.approx(1.0857 * out, abs=0.06)


def test_the_edge_is_where_a_rendered_stack_sinks(sky, mono_kit, site):
    """Rings of a rendered galaxy: the ratio at the predicted edge is the wanted one."""
    from slowglass.expose.forecast import render_with_truth

    obj = sky.objects.get("M94")
    taking = Taking(120.0, 1.0, 20.3, 1.3, 0.28, star_width_arcsec(mono_kit, site))
    model = object_model(obj)
    frame, truth = render_with_truth(
        mono_kit, site, sky, obj, exposure_s=120.0, noise=False, dust=False, vignetting=0.0,
        tracking=False, faintest_mag=5.0, neighbours=False, sky_mag_arcsec2=20.3,
    )  # fmt: skip
    conditions = truth.conditions
    taking = replace(taking, airmass=conditions.airmass, extinction_mag=conditions.extinction_mag)
    extent = seen_extent(model, mono_kit, taking, wanted_snr=2.0)
    scale = mono_kit.scale_arcsec_per_px
    x, y = truth.wcs.sky_to_pixel(obj.ra_deg, obj.dec_deg)
    rows, columns = np.mgrid[: frame.height_px, : frame.width_px]
    # North is up and east left in an unmirrored frame turned by 180°.
    east, north = -(columns - float(x)) * scale, -(rows - float(y)) * scale
    turn = math.radians(obj.position_angle_deg or 0.0)
    along = east * math.sin(turn) + north * math.cos(turn)
    across = (east * math.cos(turn) - north * math.sin(turn)) / model.axis_ratio
    radius = np.hypot(along, across)
    ring = np.abs(radius - 30.0 * extent.major_arcmin) < 6.0
    light = (frame.pixels - mono_kit.camera.black_adu) * mono_kit.camera.gain_e_per_adu
    dark = mono_kit.camera.dark_e_per_s * 120.0
    glow = float(np.mean(light[ring])) - dark - float(truth.sky_e[0])
    cells = resolution_pixels(math.hypot(taking.fwhm_arcsec / scale, PIXEL_BLUR_PX))
    ratio = snr(
        glow * cells,
        pixels=cells,
        sky_e_per_px=float(truth.sky_e[0]),
        dark_e_per_px=dark,
        read_noise_e=mono_kit.camera.read_noise_e,
    )
    # Texture and arms move single rings by some tens of per cent.
    assert float(ratio) == pytest.approx(2.0, rel=0.35)


def test_the_great_winter_nebulas_core_fits_within_60_s(sky, full_kit, site):
    """Common practice, no source: its bright core fits 1250 mm with 22.3 × 14.9 mm in 60 s."""
    model = object_model(sky.objects.get("M42"))
    taking = Taking(60.0, 1.0, 20.3, 1.6, 0.28, star_width_arcsec(full_kit, site))
    core = seen_extent(model, full_kit, taking, wanted_snr=CORE_SNR)
    assert 10.0 < core.major_arcmin < 35.0
    whole = seen_extent(model, full_kit, replace(taking, frames=120.0))
    assert whole.major_arcmin > 60.0


def test_crowd_of_stars_over_a_field():
    """Stars of a known crowd over an even field: the circle that holds nine in ten of them."""
    rng = np.random.default_rng(11)
    crowd = np.abs(rng.normal(0.0, 2.0, (400, 2)))
    away = np.hypot(crowd[:, 0], crowd[:, 1])
    field = 20.0 * np.sqrt(rng.random(600))
    mags = np.full(1000, 9.0)
    found = stars_extent_arcmin(
        np.concatenate([away, field]), mags, outline_arcmin=20.0, reached_mag=10.0
    )
    # Rayleigh: nine tenths lie within σ √(2 ln 10); 400 stars fix it to 4 %, the field adds some.
    assert found == pytest.approx(2.0 * 2.0 * math.sqrt(2.0 * math.log(10.0)), rel=0.12)
    assert stars_extent_arcmin(field, mags[:600], outline_arcmin=20.0, reached_mag=10.0) is None
    assert stars_extent_arcmin(away, mags[:400], outline_arcmin=20.0, reached_mag=8.0) is None


@pytest.mark.parametrize(
    ("name", "rc3_arcmin"),
    # Major axes of the Third Reference Catalogue (de Vaucouleurs et al. 1991), from memory.
    [("M108", 8.7), ("NGC 6384", 6.2), ("NGC 3893", 4.5), ("NGC 3338", 5.9), ("NGC 3949", 2.9)],
)
def test_outlines_that_lost_their_outskirts_come_back(sky, name, rc3_arcmin):
    from slowglass.expose.profile import believable_axes_arcmin

    obj = sky.objects.get(name)
    found, _ = believable_axes_arcmin(obj)
    after = abs(math.log(found / rc3_arcmin))
    assert after < math.log(1.75)
    assert found > obj.major_arcmin


def test_ordinary_outlines_stay(sky):
    from slowglass.expose.profile import believable_axes_arcmin

    for name in ("M31", "M33", "M51", "M81", "M82", "M101", "M104", "NGC 253", "NGC 891", "M87"):
        obj = sky.objects.get(name)
        assert believable_axes_arcmin(obj)[0] == obj.major_arcmin
