"""The folder of a night in the making, and the scenario's own choices."""

from __future__ import annotations

import os
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from slowglass.demo import is_complete, run_demo, scenario
from slowglass.demo.folder import MARK, NightFolder
from slowglass.errors import Cancelled, UsageError
from slowglass.kit.io import load_kit, load_site


def test_a_folder_with_other_files_is_left_alone(tmp_path):
    (tmp_path / "holiday.txt").write_text("keep me")
    with pytest.raises(UsageError, match="holds other files"):
        run_demo(tmp_path, quick=True)
    assert [p.name for p in tmp_path.iterdir()] == ["holiday.txt"]


def test_a_file_in_place_of_the_folder_is_refused(tmp_path):
    (tmp_path / "night").write_text("x")
    with pytest.raises(UsageError, match="is a file"):
        run_demo(tmp_path / "night", quick=True)
    assert (tmp_path / "night").read_text() == "x"


def test_two_runs_do_not_share_a_folder(tmp_path):
    (tmp_path / MARK).write_text(str(os.getppid()))
    with pytest.raises(UsageError, match="another run"):
        run_demo(tmp_path, quick=True)


def test_what_a_dead_run_left_is_cleared(tmp_path):
    (tmp_path / MARK).write_text("999999999")
    (tmp_path / "frames").mkdir()
    (tmp_path / "frames" / "half.fits").write_text("half")
    (tmp_path / "mine.txt").write_text("mine")
    with NightFolder(tmp_path):
        assert not (tmp_path / "frames").exists()
    assert (tmp_path / "mine.txt").read_text() == "mine"


def test_a_stopped_run_leaves_no_night(tmp_path, sky):
    def stop(stage, done, total):
        if "forecast" in stage:
            raise Cancelled

    with pytest.raises(Cancelled):
        run_demo(tmp_path / "night", quick=True, report=stop)
    assert [p.name for p in (tmp_path / "night").iterdir()] == [MARK]
    assert not is_complete(tmp_path / "night", quick=True)


@pytest.mark.parametrize(("site", "month"), [("Fig Tree Yard", (9, 11)), ("Karri Flat", (3, 5))])
def test_the_night_is_moonless_by_another_almanac(site, month):
    from pymeeus.Epoch import Epoch
    from pymeeus.Moon import Moon

    day = scenario.autumn_night(load_site(site))
    assert month[0] <= day.month <= month[1]
    # Meeus 1998, Astronomical Algorithms, ch. 48, as implemented by PyMeeus.
    lit = Moon.illuminated_fraction_disk(Epoch(day.year, day.month, day.day + 23 / 24))
    # A day moves the Moon by 12 degrees: up to two per cent near new.
    assert float(lit) < 0.04


def test_the_quick_sensor_covers_the_same_sky():
    kit = load_kit(scenario.KIT)
    quick = scenario.quick_kit(kit)
    assert quick.field_width_deg == pytest.approx(kit.field_width_deg)
    assert quick.field_height_deg == pytest.approx(kit.field_height_deg)
    assert quick.camera.width_px < kit.camera.width_px / 2


def shots_of(kit, **changes):
    options = {
        "dec_deg": 12.0, "hour_angle_deg": 0.0, "exposure_s": 30.0,
        "start_utc": datetime(2026, 10, 9, 20, 15, tzinfo=UTC),
    } | changes  # fmt: skip
    return scenario.plan_shots(kit, load_site(scenario.SITE), scenario.Aim(0.0, 0.0), **options)


def test_the_field_wanders_no_further_than_worm_axis_and_hand_allow():
    kit = load_kit(scenario.KIT)
    shots = shots_of(kit, count=20)
    assert [s.number for s in shots] == list(range(1, 21))
    assert shots[1].start_utc - shots[0].start_utc == timedelta(seconds=30 + scenario.PAUSE_S)
    east = np.array([s.aim.east_arcsec for s in shots])
    north = np.array([s.aim.north_arcsec for s in shots])
    minutes = 20 * (30 + scenario.PAUSE_S) / 60
    polar = 15.04 * np.radians(kit.mount.polar_error_arcmin / 60) * 60 * minutes
    hand = 4 * scenario.DITHER_ARCSEC
    assert np.ptp(east) <= 2 * kit.mount.periodic_error_arcsec + polar + 2 * hand
    assert np.ptp(north) <= polar + 2 * hand
    assert len({s.seed for s in shots}) == 20
    assert [s.number for s in shots if s.trailed] == [scenario.TRAILED]
    assert [s.number for s in shots if s.satellite] == [scenario.SATELLITE]


def test_a_turn_by_hand_lands_near_but_not_on_the_target():
    aim = scenario.nudged(scenario.Aim(1000.0, -2000.0), -1000.0, 2000.0)
    miss = np.hypot(aim.east_arcsec, aim.north_arcsec)
    assert 0 < miss < 4 * scenario.HAND_SHARE * np.hypot(1000, 2000)
