"""Photons, electrons and noise against published worked examples."""

from __future__ import annotations

import math

import numpy as np
import pytest
from astropy.stats import signal_to_noise_oir_ccd
from hypothesis import given
from hypothesis import strategies as st

from slowglass.expose import noise, signal
from slowglass.expose.signal import Band
from slowglass.expose.suggest import BETWEEN_FRAMES_S, STEPS_S, suggest_exposure
from slowglass.kit.model import Camera, Optics

V_BAND = Band.at("V", 545.0, 880.0, (0.12, 0.34, 0.48, 0.05))


def tube(aperture_mm: float = 90.0, focal_mm: float = 1250.0, obstruction: float = 0.0) -> Optics:
    return Optics(
        aperture_mm=aperture_mm,
        focal_length_mm=focal_mm,
        obstruction_fraction=obstruction,
        transmission=0.8,
    )


def sensor(bayer: str | None = None) -> Camera:
    return Camera(
        width_px=600,
        height_px=400,
        pixel_um=3.72,
        bayer=bayer,
        gain_e_per_adu=1.9,
        read_noise_e=3.0,
        full_well_e=30000.0,
        quantum_efficiency=0.5,
    )


def test_zero_point_of_the_v_band():
    # CfA photometry page: V = 23.90 through 1 m² and Δλ/λ = 0.16 is 2.42 photon/s. Usage of the
    # zero point differs by 3 % between sources (996 to 1000 photon s⁻¹ cm⁻² Å⁻¹ and Jy routes).
    rate = signal.photon_rates(23.90, 0.0, (V_BAND,))[0] * 1e4
    assert rate == pytest.approx(2.42, rel=0.03)
    # Bessell, Castelli & Plez 1998: 363.1e-11 erg at 5450 Å is 996.2 photons.
    assert V_BAND.photons_s_cm2_A == pytest.approx(996.2, rel=1e-6)


def test_magnitude_from_counts():
    # University of Turku, S/N page: zero point 20.75, 151356 counts in 100 s -> 12.80.
    unit = Band("unit", 545.0, 1.0, 10.0 ** (0.4 * 20.75), 0.0, (0, 0, 0, 0))
    counts = 100.0 * float(signal.photon_rates(12.80, 0.0, (unit,))[0])
    assert -2.5 * math.log10(counts / 151356) == pytest.approx(0.0, abs=0.005)


def test_extended_source_formula(monkeypatch):
    # F0·Δλ·10^(−0.4µ)·(πD²/4)·s²·QE·T: µ = 21, 90 mm, f = 1250 mm, 3.72 µm, 880 Å, QE 0.5,
    # T 0.8 gives 0.03359 e⁻/s/px with F0 = 1000.
    thousand = Band("V", 545.0, 880.0, 1000.0, 0.0, (0, 0, 0, 0))
    monkeypatch.setattr(signal, "bands", lambda camera: (thousand,))
    rate = signal.surface_e_per_px_s(21.0, tube(), sensor(), light=0.0)
    assert rate[0] == pytest.approx(0.03359, rel=2e-3)
    brighter = signal.surface_e_per_px_s(18.5, tube(), sensor(), light=0.0)
    assert brighter[0] == pytest.approx(0.3359, rel=2e-3)
    doubled = signal.surface_e_per_px_s(21.0, tube(180.0, 2500.0), sensor(), light=0.0)
    assert doubled[0] == pytest.approx(rate[0], rel=1e-9)
    # f/13.89 against f/5 takes 7.717 times longer.
    fast = signal.surface_e_per_px_s(21.0, tube(250.0), sensor(), light=0.0)
    assert fast[0] / rate[0] == pytest.approx(7.717, rel=1e-3)


def test_obstruction_takes_its_area():
    clear, blocked = (
        signal.star_e_per_s(10.0, tube(obstruction=e), sensor())[0] for e in (0.0, 0.32)
    )
    assert blocked / clear == pytest.approx(1 - 0.32**2)


def test_colours_move_the_right_way():
    blue, red = signal.photon_rates(10.0, np.array([-0.2, 1.5]), signal.bands(sensor("RGGB")))
    assert blue[2] / blue[0] > 3.0 * red[2] / red[0]
    # V falls between green and red, so green changes little with colour.
    assert blue[1] / red[1] == pytest.approx(1.0, abs=0.25)
    unknown = signal.photon_rates(10.0, np.array([np.nan]), signal.bands(sensor("RGGB")))
    assert np.isfinite(unknown).all()


def test_a_planetary_is_green_blue_and_not_a_continuum():
    r, g, b = signal.photon_rates(9.0, "planetary", signal.bands(sensor("RGGB")))
    assert g > 3 * r and b > 3 * r
    # Through a band that is the V band itself, lines and continuum of one V magnitude count alike.
    lines = signal.photon_rates(9.0, "planetary", (V_BAND,))[0]
    star = signal.photon_rates(9.0, 0.0, (V_BAND,))[0]
    assert lines == pytest.approx(star, rel=1e-6)


def test_air_dims_blue_most():
    red, green, blue = signal.extinction_factor(0.28, 2.0, signal.bands(sensor("RGGB")))
    assert blue < green < red < 1.0
    assert -2.5 * math.log10(green) == pytest.approx(0.56, rel=0.06)


def test_howells_worked_example():
    # Howell, Handbook of CCD Astronomy §4.4: 24013 ADU at 5 e⁻/ADU, sky 620 ADU/px, dark
    # 22 e⁻/h/px, 300 s, read noise 5 e⁻, one pixel: S/N = 342.
    value = noise.snr(
        24013 * 5,
        pixels=1,
        sky_e_per_px=620 * 5,
        dark_e_per_px=22 / 3600 * 300,
        read_noise_e=5,
    )
    assert value == pytest.approx(342, abs=0.5)
    outside = signal_to_noise_oir_ccd(
        300, 24013 * 5 / 300, 620 * 5 / 300, 22 / 3600, 5, 1, gain=1.0
    )
    assert value == pytest.approx(outside, rel=1e-9)


@pytest.mark.parametrize(("percent", "factor"), [(2, 24.75), (5, 9.756), (10, 4.762)])
def test_sub_length_factors(percent, factor):
    # t = RN²/(S((1+p)²−1)), algebra: 24.75, 9.756, 4.762 × RN²/S.
    seconds = noise.sky_limited_s(3.0, 0.1, added=percent / 100)
    assert seconds == pytest.approx(factor * 9 / 0.1, rel=1e-3)
    # By definition of "adds p": noise with read noise over noise without.
    ratio = math.sqrt(1 + 9.0 / (0.1 * seconds))
    assert ratio == pytest.approx(1 + percent / 100, rel=1e-9)


def test_one_long_exposure_beats_ten_short():
    # n·i·F/√(n·i·F + n·RN²): AST 5765 homework solution, 1 × 50 s against 10 × 5 s.
    one = noise.snr(50.0, pixels=1, sky_e_per_px=0, read_noise_e=3)
    ten = np.sqrt(10) * noise.snr(5.0, pixels=1, sky_e_per_px=0, read_noise_e=3)
    assert one > 1.5 * ten


@given(
    mag=st.floats(5, 15), seconds=st.floats(1, 600), sky=st.floats(0, 200), read=st.floats(0, 20)
)
def test_faintest_star_has_the_wanted_ratio(mag, seconds, sky, read):
    zero = 10 ** (0.4 * (mag + 8))
    found = noise.faintest_mag(
        zero, seconds, 5.0, background_e_per_px=sky, read_noise_e=read, wanted_snr=5.0
    )
    star_e = zero * 10 ** (-0.4 * found) * seconds
    ratio = noise.star_snr(star_e, 5.0, sky_e_per_px=sky, dark_e_per_px=0, read_noise_e=read)
    assert ratio == pytest.approx(5.0, rel=1e-6)


def test_nothing_has_no_signal_to_noise():
    assert noise.snr(0.0, pixels=1, sky_e_per_px=0.0) == 0.0


def held_for(seconds):
    return lambda exposure: float(exposure <= seconds)


def test_suggestion_names_its_limit():
    common = {"background_e_per_px_s": 0.07, "read_noise_e": 3.0}
    held = suggest_exposure(
        sky_limited_s=600, keepers=held_for(28), saturation_s=math.inf, **common
    )
    assert (held.limit, held.exposure_s) == ("tracking", 25.0)
    assert "read-noise limited" in held.text and "10 min" in held.text
    assert held.read_noise_cost == pytest.approx(1 + 9 / (0.07 * 25))
    # Hours against a perfect kit: the read noise, and 27 s on the clock for 25 s of light.
    assert held.time_cost == pytest.approx(held.read_noise_cost * 27 / 25)
    full = suggest_exposure(sky_limited_s=600, keepers=held_for(100), saturation_s=4, **common)
    assert (full.limit, full.exposure_s) == ("saturation", 3.0)
    bright = suggest_exposure(sky_limited_s=40, keepers=held_for(100), saturation_s=400, **common)
    assert bright.limit == "sky"
    steady = suggest_exposure(
        sky_limited_s=4000, keepers=held_for(1200), saturation_s=math.inf, **common
    )
    assert (steady.limit, steady.exposure_s) == ("read noise", 300.0)
    short = suggest_exposure(
        sky_limited_s=4000, keepers=held_for(1200), saturation_s=math.inf, window_s=720, **common
    )
    assert (short.limit, short.exposure_s) == ("hours", 50.0)


@given(
    background=st.floats(0.003, 3.0),
    read=st.floats(0.5, 12.0),
    scale=st.floats(5.0, 400.0),
    well=st.floats(1.0, 1e4),
)
def test_no_customary_length_gathers_more(background, read, scale, well):
    """The suggestion against brute force over signal to noise squared an hour."""

    def keepers(t):
        return math.exp(-t / scale)

    found = suggest_exposure(
        sky_limited_s=1e9,
        saturation_s=well,
        background_e_per_px_s=background,
        read_noise_e=read,
        keepers=keepers,
    )

    def snr2_per_hour(t):
        frames = keepers(t) * 3600.0 / (t + BETWEEN_FRAMES_S)
        one = noise.snr(1e-6 * t, pixels=1, sky_e_per_px=background * t, read_noise_e=read)
        return frames * float(one) ** 2

    best = max(snr2_per_hour(t) for t in STEPS_S if t <= max(well, 0.5))
    assert snr2_per_hour(found.exposure_s) >= 0.96 * best


def test_a_nebula_filter_keeps_lines_and_dims_the_rest():
    """Windows of 26 and 20 nm of a 300 nm range: the sky falls several times, the lines hardly."""
    plain, filtered = sensor("RGGB"), sensor("RGGB").model_copy(update={"filter": "nebula"})
    sky = signal.sky_e_per_px_s(20.0, tube(), filtered) / signal.sky_e_per_px_s(20.0, tube(), plain)
    assert np.all(sky < 0.3) and np.all(sky > 0.03)
    lines = signal.star_e_per_s(9.0, tube(), filtered, light="planetary") / signal.star_e_per_s(
        9.0, tube(), plain, light="planetary"
    )
    assert lines == pytest.approx(signal.PASSED_SHARE)


def test_a_changed_blocker_lets_hydrogen_through():
    plain, changed = sensor("RGGB"), sensor("RGGB").model_copy(update={"hydrogen_response": 0.8})
    ratio = signal.star_e_per_s(8.0, tube(), changed, light="hydrogen") / signal.star_e_per_s(
        8.0, tube(), plain, light="hydrogen"
    )
    # Red is nearly all hydrogen there: 0.8/0.25 with a little from the blue lines; others stay.
    assert ratio[0] == pytest.approx(3.2, rel=0.06)
    assert ratio[1:] == pytest.approx(1.0)
    stars = signal.star_e_per_s(8.0, tube(), changed) / signal.star_e_per_s(8.0, tube(), plain)
    assert stars == pytest.approx(1.0)
