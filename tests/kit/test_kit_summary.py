"""The quantities behind ``slowglass kit``."""

import subprocess
import sys

import pytest

from slowglass.kit.io import load_kit, load_site
from slowglass.kit.service import summarise_kit


def test_long_102_at_fig_tree_yard():
    summary = summarise_kit(load_kit("long 102"), load_site("Fig Tree Yard"))
    assert summary.focal_ratio == pytest.approx(12.745, abs=0.001)
    # 1.0977 λ/D at 33 % and 1.1665 at 20 % bracket the 32 % obstruction (Schroeder 1987)
    assert 1.0977 / 1.2197 * 1.3565 < summary.airy_radius_arcsec < 1.1665 / 1.2197 * 1.3565
    assert summary.seeing_px == pytest.approx(3.0 / 0.61879, abs=1e-3)
    # √(3² + 1.08² + (2.355 × 0.6)² + (0.8 × 0.619)²): seeing, diffraction, shake, pixel
    assert summary.star_fwhm_arcsec == pytest.approx(3.524, abs=0.005)
    assert summary.sampling == "fine"
    # 2πA/P for ±15″ over 662.8 s
    assert summary.worm_speed_arcsec_per_s == pytest.approx(0.1422, abs=1e-4)
    # 10′ of polar error gives at most 2.625″/min, so 12′ gives 3.150
    assert summary.polar_drift_arcsec_per_min == pytest.approx(3.150, abs=0.001)
    assert summary.eyepieces[0].magnification == pytest.approx(52.0)
    assert summary.eyepieces[0].exit_pupil_mm == pytest.approx(1.96, abs=0.01)
    assert "the air (3.0″)" in summary.limits_text
    assert "the worm's error" in summary.limits_text


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"driven": "none"}, "With no drive"),
        ({"periodic_error_arcsec": 0.0}, "the polar error moves"),
    ],
)
def test_limits_name_the_cause(changes, words):
    kit = load_kit("long 102")
    kit = kit.model_copy(update={"mount": kit.mount.model_copy(update=changes)})
    assert words in summarise_kit(kit).limits_text


def test_a_perfect_mount_leaves_only_the_blur():
    kit = load_kit("long 102")
    mount = kit.mount.model_copy(update={"periodic_error_arcsec": 0.0, "polar_error_arcmin": 0.0})
    text = summarise_kit(kit.model_copy(update={"mount": mount})).limits_text
    assert text == "In short exposures the air (3.0″) sets the width of a star."


def test_a_shaky_mount_is_named():
    kit = load_kit("long 102")
    kit = kit.model_copy(update={"mount": kit.mount.model_copy(update={"shake_arcsec": 2.0})})
    assert "wind and tremor (4.7″) set the width" in summarise_kit(kit).limits_text


def test_wide_pixels_are_coarse():
    kit = load_kit("long 102")
    camera = kit.camera.model_copy(update={"pixel_um": 20.0})
    summary = summarise_kit(kit.model_copy(update={"camera": camera}))
    assert summary.sampling == "coarse"
    assert "the pixel" in summary.limits_text


def test_the_kit_needs_no_heavy_library():
    code = (
        "import sys, slowglass.kit.service as s, slowglass.kit.io as io;"
        "s.summarise_kit(io.load_kit('long 102'), io.load_site('Karri Flat'));"
        "print([m for m in ('astropy', 'scipy', 'numba', 'cv2') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
