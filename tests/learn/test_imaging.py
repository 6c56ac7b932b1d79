"""How the camera sits, how the field bends, and its colours, from the records of solved frames."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from slowglass.expose.conditions import site_extinction_mag
from slowglass.expose.signal import SKY_BV, star_e_per_s
from slowglass.kit.io import load_kit, load_site
from slowglass.kit.measured import put_aside, take_in
from slowglass.learn.groups import Group
from slowglass.learn.imaging import imaging_values
from slowglass.learn.logbook.records import LoggedFrame, Night

KIT, SITE = load_kit("long 102"), load_site("Karri Flat")


def group(evening: str, verdicts: list[dict]) -> Group:
    frames = tuple(
        LoggedFrame(f"{evening}-{n}", "x.fits", start_utc=f"{evening}T20:{n:02}:00Z",
                    exposure_s=30.0, solved=True, verdict=verdict,
                    zero_point_mag=17.0)
        for n, verdict in enumerate(verdicts)
    )  # fmt: skip
    return Group(Night(evening, "yard", KIT.name), "M15", 30.0, frames, None)


def values_of(nights: list[list[dict]], kit=KIT):
    groups = [group(f"2026-10-{n + 1:02}", verdicts) for n, verdicts in enumerate(nights)]
    return {v.quantity: v for v in imaging_values(groups, kit, SITE)}


@given(st.floats(0, 359.9), st.lists(st.floats(-4, 4), min_size=2, max_size=5), st.integers(0, 4))
def test_the_angle_is_told_across_north_and_across_the_meridian(angle, strays, turned):
    nights = []
    for stray in strays:
        up, down = (angle + stray) % 360.0, (angle + stray + 180.0) % 360.0
        nights.append([{"rotation_deg": up}] * 9 + [{"rotation_deg": down}] * turned)
    found = values_of(nights)
    value = found["camera.angle_deg"].value
    assert 0.0 <= value < 360.0
    expected = angle + float(np.mean(strays))
    # The mean of directions within 4° is that of their numbers to a hundredth; then it is rounded.
    assert abs((value - expected + 180.0) % 360.0 - 180.0) <= 0.55
    scatter = found["camera.angle_scatter_deg"].value
    assert scatter == pytest.approx(max(0.1, float(np.std(strays, ddof=1))), abs=0.02)
    kit = take_in(KIT, found["camera.angle_deg"].block("2026-10-05"))
    assert kit.camera.angle_deg == pytest.approx(value, abs=0.51)
    assert put_aside(kit, "camera.angle_deg").camera.angle_deg is None


def test_a_camera_that_sits_anyhow_has_no_habit():
    # Angles a third of a half turn apart have no axial mean at all.
    nights = [[{"rotation_deg": a}] * 5 for a in (0.0, 60.0, 120.0, 30.0, 90.0, 150.0)]
    found = values_of(nights)
    assert "camera.angle_deg" not in found or found["camera.angle_scatter_deg"].value > 20.0


def test_mirrored_frames_are_told_only_where_they_disagree_with_the_kit():
    assert "optics.reflections" not in values_of([[{"parity": 1}] * 5])
    found = values_of([[{"parity": -1}] * 5])["optics.reflections"]
    assert found.value % 2 == 1
    mirrored = take_in(KIT, found.block("2026-10-01"))
    assert mirrored.optics.reflections == 3
    assert "optics.reflections" not in values_of([[{"parity": -1}] * 5], mirrored)
    assert "optics.reflections" not in values_of([[{"parity": -1}] * 5 + [{"parity": 1}] * 5])


def test_distortion_is_a_share_of_the_corner_whatever_the_frames_size():
    rng = np.random.default_rng(3)
    nights = []
    for half_size in (1.0, 0.5):
        half = np.hypot(6000, 4000) / 2 * half_size
        nights.append(
            [
                {"width_px": 6000 * half_size, "height_px": 4000 * half_size,
                 "distortion": {"corner_shift_px": 0.002 * half + rng.normal(0, 0.3),
                                "error_px": 0.3, "stars": 12}}
                for _ in range(10)
            ]
        )  # fmt: skip
    found = values_of(nights)["optics.distortion_fraction"]
    assert found.value == pytest.approx(0.002, abs=3 * found.sigma)
    assert 2e-5 < found.sigma < 1e-4
    assert "px in the corner" in found.how


def seen(haze: float, *, red: float, blue: float) -> dict:
    """What a frame keeps of a sky through haze, with pixels unlike the usual ones."""
    promised = star_e_per_s(
        0.0, KIT.optics, KIT.camera, light=SKY_BV, airmass=1.3,
        extinction_mag=site_extinction_mag(SITE),
    ) / KIT.camera.gain_e_per_adu  # fmt: skip
    rates = promised * haze * [red, 1.0, blue]
    zeros = {name: 2.5 * math.log10(rate) for name, rate in zip("RGB", rates, strict=True)}
    return {"light": {"transparency": haze, "channel_zero_points_mag": zeros}}


def test_colours_are_told_against_green_so_that_haze_cancels():
    def light(haze: float) -> dict:
        return seen(haze, red=0.8, blue=1.1)

    nights = [[light(h) for h in (1.0, 0.9, 0.7)], [light(h) for h in (0.6, 0.95)]]
    found = values_of(nights)
    assert found["camera.red_response"].value == pytest.approx(0.8)
    assert found["camera.blue_response"].value == pytest.approx(1.1)
    redder = take_in(KIT, found["camera.red_response"].block("2026-10-02"))
    assert redder.camera.red_response == pytest.approx(0.8, abs=0.01)
    # The same frames say the same of a kit that has taken their word already.
    again = values_of(nights, redder)
    assert again["camera.red_response"].value == pytest.approx(0.8)
    mono = KIT.model_copy(update={"camera": KIT.camera.model_copy(update={"bayer": None})})
    assert "camera.red_response" not in values_of([[light(1.0)]], mono)


def test_the_forecast_takes_the_colours_from_the_kit():
    camera = KIT.camera.model_copy(update={"red_response": 0.8, "blue_response": 1.2})
    for light in (0.65, "planetary"):
        usual = star_e_per_s(8.0, KIT.optics, KIT.camera, light=light)
        found = star_e_per_s(8.0, KIT.optics, camera, light=light)
        assert found / usual == pytest.approx([0.8, 1.0, 1.2])


def test_frames_of_earlier_editions_say_nothing_of_it():
    assert values_of([[{}, {"light": None}], [{"light": {"transparency": 0.9}}]]) == {}
