"""Real frames read in place; see their README for origin. Skipped where they are absent."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest

from slowglass.frame.detect import detect_stars
from slowglass.frame.header import header_wcs
from slowglass.frame.io import read_frame
from slowglass.frame.kind import kind_by_sight
from slowglass.frame.stars import StarFlag

FOLDER = Path(os.environ.get("SLOWGLASS_FRAMES", Path(__file__).parents[3] / "shared" / "frames"))
pytestmark = [
    pytest.mark.frames,
    pytest.mark.skipif(not FOLDER.is_dir(), reason=f"no real frames in {FOLDER}"),
]


def reading(name):
    return read_frame(FOLDER / name)


def photutils_fwhm(frame, detection):
    """Median Gaussian FWHM by photutils on our stars, the pixel's response put back."""
    from photutils.background import Background2D
    from photutils.psf import fit_fwhm

    stars = detection.stars
    good = np.isfinite(stars.fwhm_px)
    theirs = fit_fwhm(
        frame.pixels - Background2D(frame.pixels, 64).background,
        xypos=np.column_stack([stars.x_px[good], stars.y_px[good]]),
        fwhm=detection.fwhm_px,
        fit_shape=2 * int(2 * detection.fwhm_px) + 1,
    )
    return float(np.sqrt(np.nanmedian(theirs) ** 2 + 8 * np.log(2) / 12))


@pytest.mark.filterwarnings("ignore")  # photutils warns of single stars it cannot fit
@pytest.mark.parametrize("number", ["0135", "0150", "0165"])
def test_a_sharp_field_with_overscan_and_bleeding(number):
    frame = reading(f"lowell42in_5945_light_300s_{number}.fits.gz")
    detection = detect_stars(frame, max_stars=2000)
    assert 2730 <= detection.sky_adu <= 2785  # as its README states: 2730 to 2780
    assert detection.found > 800
    # a Gaussian forced on a profile with wings comes out wider than its half-maximum
    assert detection.fwhm_px == pytest.approx(photutils_fwhm(frame, detection), rel=0.15)
    assert 1.1 < detection.hfd_px / detection.fwhm_px < 1.35
    assert detection.elongation < 1.25
    assert detection.stars.x_px.min() > 16.5 and detection.stars.x_px.max() < 1381.5
    assert (detection.stars.flags & int(StarFlag.SATURATED)).any()
    assert frame.header.start_utc is not None and frame.header.kind == "light"
    wcs = header_wcs(frame.header.cards)  # numbers as text
    assert wcs is not None and wcs.scale_arcsec_per_px == pytest.approx(1.107, abs=0.002)
    assert (wcs.ra0_deg, wcs.dec0_deg) == pytest.approx((124.619, 25.329), abs=0.01)


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("name", ["umd14in_st8_fov_30s", "umd14in_st8_light_300s_001"])
def test_a_soft_field_full_of_warm_pixels(name):
    frame = reading(f"{name}.fits.gz")
    detection = detect_stars(frame)
    assert detection.hot_pixels > 500
    assert 40 <= detection.found <= 200
    assert detection.fwhm_px == pytest.approx(photutils_fwhm(frame, detection), rel=0.12)
    assert detection.stars.flux_adu[0] > 20 * detection.stars.flux_adu[-1]


def test_a_dark_has_no_stars_worth_the_name():
    detection = detect_stars(reading("umd14in_st8_dark_300s_001.fits.gz"))
    assert detection.hot_pixels > 5000
    assert not detection.fwhm_px > 1.4


def test_bias_frames_are_nearly_empty():
    for name in ("lowell42in_zero_0001", "umd14in_st8_bias_001"):
        detection = detect_stars(reading(f"{name}.fits.gz"))
        assert detection.found < 30 and np.isnan(detection.fwhm_px)


def test_very_faint_frames_do_not_report_their_fixed_pattern():
    for number in range(1, 6):
        detection = detect_stars(reading(f"m13_blue_5s_000{number}.fits.gz"))
        assert detection.found <= 40
        middle = np.hypot(detection.stars.x_px - 670, detection.stars.y_px - 515) < 250
        assert middle.sum() >= 0.6 * len(detection.stars)  # the cluster, not the pattern


def test_an_eight_bit_plate_with_nebulosity_and_halos():
    frame = reading("pleiades_dss1_1p65deg.fits")
    assert frame.pixels.max() == pytest.approx(0.0158704, abs=1e-6)
    wcs = header_wcs(frame.header.cards)  # a header that stricter readers refuse
    assert wcs is not None and wcs.scale_arcsec_per_px == pytest.approx(6.789, abs=0.001)
    detection = detect_stars(frame)
    assert (detection.stars.flags & int(StarFlag.SATURATED)).astype(bool).sum() > 20
    # the catalogue's brightest four (J2000, moved a little since 1951): all are found
    for ra, dec in ((56.8711, 24.1051), (57.2906, 24.0534), (56.2189, 24.1133), (56.4567, 24.3678)):
        x, y = wcs.sky_to_pixel(ra, dec)
        assert np.hypot(detection.stars.x_px - x, detection.stars.y_px - y).min() < 5.0


def test_the_cluster_plate_shows_its_thousand_stars():
    detection = detect_stars(reading("m67_poss1_0p5deg.fits"), max_stars=3000)
    assert 900 <= detection.found <= 2500
    assert 2.0 < detection.fwhm_px < 4.0


def test_camera_raw_of_a_colour_chart():
    frame = reading("rggb_colour_chart.dng")
    assert frame.pixels.shape == (1156, 1734) and frame.bayer == "RGGB"
    assert frame.black_adu == 2056 and frame.white_adu == 15000 - 2056
    assert frame.header.exposure_s is None and frame.header.start_utc is None
    assert np.abs(np.percentile(frame.pixels, 0.1)) < 200


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("lowell42in_flat_0110", "flat"),
        ("lowell42in_zero_0001", "bias"),
        ("umd14in_st8_dark_300s_001", "dark"),
        ("umd14in_st8_fov_30s", "light"),
    ],
)
def test_kinds_by_header(name, kind):
    frame = reading(f"{name}.fits.gz")
    assert kind_by_sight(frame, stars=detect_stars(frame).found)[0] == kind
