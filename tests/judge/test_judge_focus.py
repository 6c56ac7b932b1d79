"""Focus over time, by hand, over the frame, and the ring of a defocused star."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from slowglass.expose.psf import star_image
from slowglass.frame.stars import StarList
from slowglass.judge.donut import fit_ring, measure_donut
from slowglass.judge.focus import measure_focus, seeing_arcsec, theil_sen
from slowglass.judge.pattern import Pattern, measure_pattern
from slowglass.judge.sample import Sample
from slowglass.judge.tilt import field_map, side_words
from slowglass.judge.vcurve import amount_words, fit_focus
from slowglass.kit.io import load_kit

KIT = load_kit("long 102")


def widths(hfd, cadence_s=60.0, scale=0.619):
    return [
        Sample(1.79e9 + i * cadence_s, 30.0, hfd_px=h, fwhm_px=h / 1.1, scale_arcsec_per_px=scale)
        for i, h in enumerate(hfd)
    ]


def test_creeping_focus_is_told_with_its_slope():
    rng = np.random.default_rng(1)
    hfd = 5.0 + 1.5 * np.arange(40) / 60 + rng.normal(0, 0.15, 40)
    trend = measure_focus(widths(hfd))
    assert trend and trend.creeping
    assert trend.slope_px_per_hour == pytest.approx(1.5, abs=4 * trend.slope_error_px_per_hour)
    assert "creeping" in trend.text


def test_seeing_that_comes_and_goes_is_not_creeping_focus():
    rng = np.random.default_rng(2)
    trend = measure_focus(widths(5.0 + rng.normal(0, 0.4, 40)))
    assert trend and not trend.creeping
    # The sharpest fifth of a normal scatter of 0.4 lies about 1.4 sigma below the middle.
    assert trend.floor_fwhm_px == pytest.approx((5.0 - 1.3 * 0.4) / 1.1, abs=0.2)


def test_theil_sen_is_that_of_scipy():
    from scipy.stats import theilslopes

    rng = np.random.default_rng(3)
    x = np.sort(rng.uniform(0, 3, 30))
    y = 2.0 * x + rng.normal(0, 0.3, 30)
    assert theil_sen(x, y)[0] == pytest.approx(theilslopes(y, x).slope, rel=1e-9)


def test_diffraction_comes_off_the_seeing_in_quadrature():
    # 90 mm, 550 nm: FWHM 1.297″, 3″ of air with it 3.27″ (REFERENCES "PSF").
    assert seeing_arcsec(3.27, 90.0) == pytest.approx(3.0, abs=0.01)
    assert seeing_arcsec(1.0, 90.0) is None


def test_a_short_series_is_silent_about_focus():
    assert "6 needed" in measure_focus(widths([5, 5, 5])).reason


def test_hand_turned_focus_is_found_within_its_error():
    rng = np.random.default_rng(4)
    pulls = []
    for _ in range(40):
        best = rng.uniform(1.0, 2.0)
        x = 0.25 * np.arange(12)
        true = np.hypot(4.0, 9.0 * (x - best))
        curve = fit_focus(x, true * np.exp(rng.normal(0, 0.04, 12)), unit="turn")
        assert curve
        pulls.append((curve.best - best) / curve.best_error)
        assert curve.passed == (best < x[-1])
        assert curve.slope_px_per_unit == pytest.approx(9.0, rel=0.25)
    # 40 draws: a unit normal's spread is 1 ± 0.11; robust weights and rounding cost some.
    assert float(np.std(pulls)) < 1.6


def test_the_words_are_those_of_a_person_at_the_focuser():
    x = 0.25 * np.arange(8)
    curve = fit_focus(x, np.hypot(4.0, 9.0 * (x - 1.5)), unit="turn")
    assert curve and curve.text.startswith("you passed best focus: about a quarter turn back")
    back = fit_focus(-x, np.hypot(4.0, 9.0 * (x - 1.5)), unit="turn")
    assert back and back.passed and back.from_last == pytest.approx(curve.from_last)
    assert amount_words(0.5, "turn") == "about half a turn"
    assert amount_words(3.0, "step") == "about 3 steps"


@pytest.mark.parametrize(
    ("hfd", "word"),
    [
        ([20, 18, 16, 14, 12, 10], "go on turning the same way"),
        ([10, 12, 14, 16, 18, 20], "turn the other way"),
        ([10, 10.1, 10, 10.1, 10, 10.1], "farther between frames"),
        ([10, 9, math.nan, math.nan], "5 needed"),
    ],
)
def test_one_branch_alone_says_where_to_turn(hfd, word):
    found = fit_focus([0.25 * i for i in range(len(hfd))], hfd, unit="turn")
    assert not found and word in found.reason


def star_list(x, y, t, e1=0.0, e2=0.0, snr=200.0):
    """Stars with round variance t and ellipticity (e1, e2), px²."""
    x, y, t = (np.asarray(a, dtype=float) for a in (x, y, t))
    e = np.hypot(e1, e2) * np.ones_like(t)
    major, minor = t + e, t - e
    n = len(x)
    return StarList(
        x, y, np.full(n, 1e4), np.full(n, 500.0), np.full(n, snr),
        fwhm_px=2.354820 * (major * minor) ** 0.25,
        hfd_px=2.5 * np.sqrt(t),
        elongation=np.sqrt(major / minor),
        elongation_angle_deg=np.degrees(0.5 * np.arctan2(e2, e1)) * np.ones(n) % 180.0,
        flags=np.zeros(n, dtype=np.int32),
    )  # fmt: skip


@given(slope=st.floats(0.2, 1.0), way=st.floats(0, 2 * math.pi), seed=st.integers(0, 1000))
@settings(max_examples=25, deadline=None)
def test_a_tilt_comes_back_with_its_direction(slope, way, seed):
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0, 5999, 80), rng.uniform(0, 3999, 80)
    reach = 0.5 * math.hypot(6000, 4000)
    u, v = (x - 2999.5) / reach, (y - 1999.5) / reach
    t = 5.0 * (1 + slope * (u * math.cos(way) + v * math.sin(way))) + rng.normal(0, 0.05, 80)
    pattern = measure_pattern(star_list(x, y, t), 6000, 4000)
    assert pattern is not None
    sample = Sample(None, pattern=pattern, width_px=6000, height_px=4000)
    found = field_map([sample])
    assert found
    assert found.tilt_share == pytest.approx(0.5 * slope, abs=0.03)
    off = (found.tilt_angle_deg - math.degrees(way) + 180) % 360 - 180
    # 0.01 of noise over a slope of at least 0.2 turns it by 3°; three times that.
    assert abs(off) < 10
    assert not found.curved


def test_a_curved_field_is_not_called_tilted():
    rng = np.random.default_rng(5)
    x, y = rng.uniform(0, 5999, 100), rng.uniform(0, 3999, 100)
    reach = 0.5 * math.hypot(6000, 4000)
    r2 = ((x - 2999.5) ** 2 + (y - 1999.5) ** 2) / reach**2
    pattern = measure_pattern(star_list(x, y, 5.0 * (1 + 0.8 * r2)), 6000, 4000)
    found = field_map([Sample(None, pattern=pattern, width_px=6000, height_px=4000)])
    assert found and found.curved and not found.tilted
    corner, middle = found.widths_px[0][0], found.widths_px[1][1]
    assert corner > 1.15 * middle


def test_few_stars_give_no_map_and_patterns_survive_json():
    rng = np.random.default_rng(6)
    x, y = rng.uniform(0, 999, 5), rng.uniform(0, 999, 5)
    pattern = measure_pattern(star_list(x, y, np.full(5, 4.0)), 1000, 1000)
    assert pattern is not None and not pattern.fits_field
    assert "14 in one frame" in field_map([Sample(None, pattern=pattern)]).reason
    from slowglass.documents import document

    assert str(Pattern.from_json(document(pattern))) == str(pattern)
    assert measure_pattern(StarList.empty(), 1000, 1000) is None


@pytest.mark.parametrize(
    ("angle", "side"), [(0, "right side"), (90, "lower side"), (180, "left side"), (225, "upper")]
)
def test_sides_are_those_of_the_picture_as_stored(angle, side):
    assert side in side_words(angle)


def ring(diameter, hole, dx, dy, *, seed=1):
    """A defocused star of 2·10⁶ electrons with its hole off by (dx, dy) px."""
    k = np.arange(5000) + 0.5
    r, a = np.sqrt(k / 5000), k * math.pi * (3 - math.sqrt(5))
    x, y = r * np.cos(a), r * np.sin(a)
    keep = np.hypot(x - 2 * dx / diameter, y - 2 * dy / diameter) > hole
    x, y = x[keep] * diameter / 2, y[keep] * diameter / 2
    psf = star_image(
        KIT.optics, scale_arcsec_per_px=0.62, wavelengths_nm=(545.0,), seeing_arcsec=2.5,
        path_px=(x, y), half_px=64,
    )  # fmt: skip
    light = psf.kernel(0, 60) * 2e6
    rng = np.random.default_rng(seed)
    return (rng.poisson(light + 50) + rng.normal(0, 3, light.shape)).astype(np.float32)


@pytest.mark.parametrize(
    ("diameter", "hole", "dx", "dy"),
    [(40, 0.32, 0, 0), (40, 0.32, 2, 1), (30, 0.32, -1, 0.5), (50, 0.3, 0, -3)],
)
def test_the_hole_of_a_ring_is_found_where_it_is(diameter, hole, dx, dy):
    found = fit_ring(ring(diameter, hole, dx, dy), 60.0, 60.0, diameter / 2)
    assert found is not None
    outer, inner, x, y, _ = found
    # The geometrical annulus: diameters in the ratio of the obstruction. Air of 4 px closes the
    # hole by a pixel and pulls its centre by up to a tenth.
    assert outer == pytest.approx(diameter / 2, rel=0.03)
    assert inner == pytest.approx(hole * diameter / 2, abs=1.5)
    assert math.hypot(x - dx, y - dy) < 0.1 * math.hypot(dx, dy) + 0.1


def test_collimation_speaks_of_the_way_the_hole_must_go():
    picture = np.full((300, 300), 50.0, dtype=np.float32)
    picture[90:211, 90:211] = ring(40, 0.32, 2.0, 0.0)
    stars = star_list([150.0], [150.0], [60.0])
    found = measure_donut(picture - 50, 1, stars, ring_px=40, width_px=300, height_px=300)
    assert found and not found.centred
    assert found.offset_share == pytest.approx(0.1, abs=0.015)
    assert "toward the right side" in found.text and "toward the left side" in found.text
    picture[90:211, 90:211] = ring(40, 0.32, 0.0, 0.0)
    even = measure_donut(picture - 50, 1, stars, ring_px=40, width_px=300, height_px=300)
    assert even and even.centred
    small = measure_donut(picture, 1, stars, ring_px=6, width_px=300, height_px=300)
    assert not small and "defocus further" in small.reason
    nothing = measure_donut(picture * 0, 1, stars, ring_px=40, width_px=300, height_px=300)
    assert not nothing and "no clean ring" in nothing.reason
