"""Frames judged in the pages come into the logbook as those of a watch do."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from example_night import quick_night
from slowglass.judge.kept import KeptFrames
from slowglass.kit.model import Kit
from slowglass.learn.night import load_night
from slowglass.workbench import Workbench


@pytest.fixture(scope="module")
def lights(sky, tmp_path_factory):
    night = quick_night(tmp_path_factory.getbasetemp())
    return sorted((night / "frames" / "lights").glob("*.fits"))[:2]


@pytest.fixture
def frames(lights, tmp_path):
    folder = tmp_path / "frames"
    folder.mkdir()
    return [Path(shutil.copy(path, folder)) for path in lights]


@pytest.fixture
def bench(sky, lights):
    bench = Workbench.open(kit="long 102", site="Fig Tree Yard")
    index = load_night(lights[0].parents[2]).index
    return replace(bench, kit=Kit.model_validate_json(json.dumps(index["kit"])))


def test_what_is_judged_is_logged_once_with_the_target_s_light(bench, frames, tmp_path):
    kept = KeptFrames(tmp_path / "kept")
    bench.judge_and_keep(frames, kept, target="M15")
    bench.judge_and_keep(frames, kept, target="M15")
    logged = bench.logbook.frames()
    assert [frame.object for frame in logged] == ["NGC7078", "NGC7078"]
    assert all(frame.snr > 1.0 for frame in logged)


def test_with_no_kit_of_one_s_own_nothing_is_logged(bench, frames, tmp_path):
    stranger = replace(bench, kit_is_stand_in=True)
    stranger.judge_and_keep(frames[:1], KeptFrames(tmp_path / "kept"), target="M15")
    assert bench.logbook.frames() == []


def test_a_broken_logbook_does_not_stop_the_judging(bench, frames, tmp_path, logbook_file, caplog):
    logbook_file.parent.mkdir(parents=True)
    logbook_file.write_bytes(b"no logbook at all" * 100)
    known = bench.judge_and_keep(frames[:1], KeptFrames(tmp_path / "kept"), target="M15")
    assert known[0].verdict.solved
    assert "the logbook is not kept" in caplog.text
