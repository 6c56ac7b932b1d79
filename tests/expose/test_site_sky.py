"""Air, wind and the light of towns: what a site's classes do to stars and sky."""

from __future__ import annotations

import math
from datetime import UTC, datetime

import numpy as np
import pytest

from slowglass.errors import ConfigError
from slowglass.expose.conditions import HAZE, conditions_at, site_extinction_mag, site_sky_mag
from slowglass.expose.evening import best_stand
from slowglass.expose.forecast import render_with_truth
from slowglass.expose.plan import plan_exposure, star_width_arcsec
from slowglass.kit.io import site_from_toml, write_site
from slowglass.sky.brightness import domes_nl, nanolamberts

WHEN = datetime(2026, 11, 10, 20, 0, tzinfo=UTC)
"""Moonless evening."""


def with_dome(site, azimuth=180.0, width=60.0, brighter=2.0):
    return site.model_copy(update={"light_domes": ((azimuth, width, brighter),)})


def test_haze_classes_lie_on_the_law_of_humidity():
    """Schaefer 1993, Vistas in Astronomy 36, 311 (from memory): (1 − 0.32/ln S)^(4/3)."""

    def law(humidity):
        return (1.0 - 0.32 / math.log(humidity)) ** (4.0 / 3.0)

    usual = law(0.2)
    assert law(0.6) / usual < HAZE["humid"] < law(0.9) / usual
    assert HAZE["clean"] < HAZE["usual"] == 1.0 < HAZE["humid"] < HAZE["dusty"]


def test_humid_air_dims_as_green_says(site):
    """Green 1992 at 90 m: 0.143 of molecules, 0.016 of ozone; the rest, 0.113, is haze."""
    usual, humid = (
        site_extinction_mag(site),
        site_extinction_mag(site.model_copy(update={"air": "humid"})),
    )
    assert usual == pytest.approx(0.1451 * math.exp(-0.09 / 7.996) + 0.016 + 0.1130, abs=1e-3)
    assert humid - usual == pytest.approx(0.113, abs=2e-3)


def test_a_dome_is_as_bright_as_told_and_fades(site):
    lit = with_dome(site)
    dark = site_sky_mag(site, 20.0, 180.0)
    assert dark - site_sky_mag(lit, 20.0, 180.0) == pytest.approx(2.0, abs=1e-3)
    # Half of its extra light at half the width to each side.
    beside = nanolamberts(site_sky_mag(lit, 20.0, 210.0)) - nanolamberts(dark)
    middle = nanolamberts(site_sky_mag(lit, 20.0, 180.0)) - nanolamberts(dark)
    assert beside / middle == pytest.approx(0.5, abs=1e-6)
    assert site_sky_mag(site, 20.0, 0.0) == pytest.approx(site_sky_mag(lit, 20.0, 0.0), abs=0.01)
    # Next to nothing at the zenith, whose value is measured.
    assert site_sky_mag(site, 89.9, 180.0) - site_sky_mag(lit, 89.9, 180.0) < 0.05
    light = [float(domes_nl(21.0, alt, 180.0, lit.light_domes)) for alt in range(0, 91, 10)]
    assert np.all(np.diff(light) < 0.0)


def test_the_plan_tells_of_the_town(site, kit, sky):
    obj = sky.objects.get("NGC 253")
    low = conditions_at(with_dome(site), obj.ra_deg, obj.dec_deg, WHEN)
    assert low.domes_mag > 1.0
    plan = plan_exposure(kit, with_dome(site), obj, seconds=60.0, conditions=low)
    assert any("light of towns" in note for note in plan.notes)
    clear = conditions_at(site, obj.ra_deg, obj.dec_deg, WHEN)
    assert clear.domes_mag == 0.0
    assert clear.sky_mag_arcsec2 > low.sky_mag_arcsec2 + 1.0


def test_the_forecast_brightens_toward_the_town(site, mono_kit, sky):
    """A town in the west, a frame in the south: west, on the right with the zenith up, is brighter.

    North is up in the frame and the zenith near it, so that west lies to the right.
    """
    lit = with_dome(site, azimuth=225.0, width=60.0, brighter=4.0)
    wide = mono_kit.model_copy(
        update={"optics": mono_kit.optics.model_copy(update={"focal_length_mm": 100.0})}
    )
    obj = sky.objects.get("NGC 253")
    options = {
        "exposure_s": 10.0, "when": WHEN, "noise": False, "dust": False, "vignetting": 0.0,
        "faintest_mag": 5.0, "neighbours": False, "tracking": False,
    }  # fmt: skip
    frame, truth = render_with_truth(wide, lit, sky, (obj.ra_deg, obj.dec_deg), **options)
    assert abs(truth.conditions.hour_angle_deg) < 30.0
    left = float(np.median(frame.pixels[:, :100]))
    right = float(np.median(frame.pixels[:, -100:]))
    black = mono_kit.camera.black_adu
    assert (right - black) > 1.05 * (left - black)


def test_the_best_moment_avoids_the_town(site, sky):
    obj = sky.objects.get("M15")
    night = WHEN.date()
    usual = best_stand(site, obj.ra_deg, obj.dec_deg, night)
    west_lit = best_stand(
        with_dome(site, azimuth=230.0, width=120.0, brighter=6.0), obj.ra_deg, obj.dec_deg, night
    )
    assert west_lit.when <= usual.when


def test_wind_widens_stars_and_spoils_frames(site, kit, sky):
    obj = sky.objects.get("M15")
    widths, kept = [], []
    for wind in ("calm", "breeze", "windy"):
        here = site.model_copy(update={"wind": wind})
        widths.append(star_width_arcsec(kit, here))
        conditions = conditions_at(here, obj.ra_deg, obj.dec_deg, WHEN)
        plan = plan_exposure(kit, here, obj, seconds=20.0, conditions=conditions)
        kept.append(plan.keeper_fraction)
    assert widths[0] < widths[1] < widths[2]
    assert kept[0] > kept[1] > kept[2]


def test_site_files_carry_air_wind_and_towns(site, tmp_path):
    lit = with_dome(site).model_copy(update={"air": "dusty", "wind": "breeze"})
    path = write_site(lit, tmp_path / "site.toml")
    assert site_from_toml(path.read_text()) == lit


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("light_domes = [[400, 60, 1]]", "azimuths run from 0"),
        ("light_domes = [[40, 1, 1]]", "widths run from 5"),
        ("light_domes = [[40, 60, 9]]", "magnitudes; they run"),
        ("light_domes = [[40, 60]]", "no [azimuth, width, magnitudes] triple"),
        ("light_domes = 3", "not a list of [azimuth, width"),
        ('air = "smoky"', "air"),
        ('wind = "storm"', "wind"),
    ],
)
def test_faults_in_a_site_file_are_told(site, tmp_path, line, says):
    path = write_site(site, tmp_path / "site.toml")
    key = line.split(" =")[0]
    text = "\n".join(x for x in path.read_text().splitlines() if not x.startswith(f"{key} ="))
    with pytest.raises(ConfigError) as told:
        site_from_toml(line + "\n" + text)
    assert says in str(told.value)
