from __future__ import annotations

import numpy as np
import pytest
from frame_scene import make_scene

from slowglass.frame.detect import detect_stars
from slowglass.frame.shapes import elongation_of

FWHM_TOLERANCE = 0.03
ELONGATION_TOLERANCE = 0.05
ANGLE_TOLERANCE_DEG = 5.0


@pytest.mark.parametrize("bayer", [None, "RGGB"])
@pytest.mark.parametrize("beta", [None, 4.765, 2.5])
@pytest.mark.parametrize("fwhm", [2.0, 3.0, 4.2, 5.0, 9.0])
def test_fwhm_of_round_stars(fwhm, beta, bayer):
    scene = make_scene(seed=21, fwhm=fwhm, beta=beta, bayer=bayer, peaks=(300.0, 10000.0))
    detection = detect_stars(scene.frame)
    assert detection.measured >= 40
    assert detection.fwhm_px == pytest.approx(fwhm, rel=FWHM_TOLERANCE)
    assert detection.elongation < 1.04  # noise-debiased: round stars stay round


@pytest.mark.parametrize("bayer", [None, "GRBG"])
@pytest.mark.parametrize("fwhm", [2.5, 5.0, 8.0])
@pytest.mark.parametrize(
    ("elongation", "angle_deg"), [(1.2, 20.0), (1.5, 95.0), (2.0, 178.0), (3.0, 45.0)]
)
def test_elongation_and_its_direction(fwhm, bayer, elongation, angle_deg):
    scene = make_scene(
        seed=22,
        fwhm=fwhm,
        bayer=bayer,
        elongation=elongation,
        angle_deg=angle_deg,
        peaks=(300.0, 10000.0),
    )
    detection = detect_stars(scene.frame)
    assert detection.elongation == pytest.approx(elongation, rel=ELONGATION_TOLERANCE)
    off = (detection.elongation_angle_deg - angle_deg + 90.0) % 180.0 - 90.0
    assert abs(off) < ANGLE_TOLERANCE_DEG
    assert detection.elongation_agreement > 0.9
    assert detection.fwhm_px == pytest.approx(fwhm, rel=0.04)


def test_hfd_is_fwhm_for_a_gaussian_and_more_for_a_moffat():
    # Moffat: HFD/FWHM = sqrt((2^(1/(β−1)) − 1)/(2^(1/β) − 1)) = 1.1362 at β = 4.765
    for bayer in (None, "RGGB"):
        for fwhm in (4.0, 7.0):
            gauss = detect_stars(make_scene(seed=23, fwhm=fwhm, beta=None, bayer=bayer).frame)
            assert gauss.hfd_px == pytest.approx(fwhm, rel=0.04)
            moffat = detect_stars(make_scene(seed=23, fwhm=fwhm, bayer=bayer).frame)
            assert moffat.hfd_px == pytest.approx(1.1362 * fwhm, rel=0.05)


def test_faint_round_stars_are_not_called_elongated():
    measured = []
    for seed in range(4):
        scene = make_scene(seed=30 + seed, fwhm=4.0, peaks=(60.0, 150.0))
        detection = detect_stars(scene.frame)
        measured.append(detection.elongation)
        assert detection.fwhm_px == pytest.approx(4.0, rel=0.06)
    assert np.median(measured) < 1.1


def test_stars_too_faint_one_by_one_are_measured_together():
    scene = make_scene(seed=40, fwhm=6.0, noise=25.0, peaks=(30.0, 45.0), stars=60)
    detection = detect_stars(scene.frame)
    assert detection.found >= 20
    assert detection.fwhm_px == pytest.approx(6.0, rel=0.2)


def test_gaussian_widths_agree_with_photutils():
    from photutils.psf import fit_fwhm

    scene = make_scene(seed=41, fwhm=4.4, beta=None, peaks=(1000.0, 9000.0))
    stars = detect_stars(scene.frame).stars
    good = np.isfinite(stars.fwhm_px)
    theirs = fit_fwhm(
        scene.frame.pixels - 400.0,
        xypos=np.column_stack([stars.x_px[good], stars.y_px[good]]),
        fwhm=4.4,
        fit_shape=15,
    )
    # photutils fits the profile before the pixel's own response (variance 1/12 px²)
    recorded = np.sqrt(np.asarray(theirs) ** 2 + 8.0 * np.log(2.0) / 12.0)
    assert np.median(stars.fwhm_px[good] / recorded) == pytest.approx(1.0, abs=0.01)


def test_elongation_of_an_ellipticity():
    assert elongation_of(0.0) == pytest.approx(1.0)
    assert elongation_of((2.0**2 - 1) / (2.0**2 + 1)) == pytest.approx(2.0)
