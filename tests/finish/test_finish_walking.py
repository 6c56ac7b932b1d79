"""A slow drift one way, a sensor with a pattern of its own: taken out, or warned of."""

from __future__ import annotations

import numpy as np
import pytest
from astropy.io import fits
from starfield import Field, write

from slowglass.finish.recipe import CalibrateStep, Recipe
from slowglass.finish.service import finish_path
from slowglass.finish.steady import streaks

WIDTH, HEIGHT = 360, 300


def series(folder, rng, pattern, *, count, step, jitter=0.0, start=0):
    """Frames of a sky that drifts ``step`` px each, on a sensor with ``pattern`` ADU."""
    field = Field.random(rng, width=WIDTH, height=HEIGHT, stars=50, margin=60)
    for k in range(count):
        aside = rng.uniform(-jitter, jitter, 2)
        shift = (step[0] * k + aside[0], step[1] * k + aside[1])
        light = field.image(channels=1, shift=shift)[..., 0]
        raw = light + 500.0 + pattern + rng.normal(0, 6.0, pattern.shape)
        hour, minute = divmod(start + k, 60)
        write(
            folder / f"l{k:02d}.fits", np.rint(raw).astype(np.uint16), kind="LIGHT",
            exposure_s=60.0, **{"DATE-OBS": f"2026-11-21T{20 + hour:02d}:{minute:02d}:00"},
        )  # fmt: skip


def rows_of(rng, height_adu):
    """Rows each a little brighter or darker, as amplifiers leave them, and single pixels too."""
    rows = rng.normal(0, height_adu, (HEIGHT, 1))
    return rows + rng.normal(0, height_adu, (HEIGHT, WIDTH))


def warned(result):
    return [note for note in result.notes if "streaks make up" in note]


def off():
    return Recipe(calibrate=CalibrateStep(pattern_from_lights=False))


def noise(result):
    """Noise of one pixel of sky, from those nine pixels off, askew."""
    picture = fits.getdata(result.outputs[0]).astype(float)
    apart = picture[9:, 9:] - picture[:-9, :-9]
    return 1.4826 * np.median(np.abs(apart - np.median(apart)))


def test_drift_with_a_pattern_is_warned_of_and_taken_out_where_it_can_be(tmp_path):
    rng = np.random.default_rng(51)
    series(tmp_path / "in", rng, rows_of(rng, 3.0), count=20, step=(1.4, 2.6))
    left = finish_path(tmp_path / "in", tmp_path / "left", recipe=off(), whole=True)
    assert len(warned(left)) == 1
    assert "drifted 3.0 px from frame to frame" in warned(left)[0]
    mended = finish_path(tmp_path / "in", tmp_path / "mended", whole=True)
    assert any("fixed pattern" in note for note in mended.notes)
    assert warned(mended) == []
    # noise 6 and pattern 4.2 a frame: without the pattern 6 / 7.3 of it is left at best
    assert noise(mended) < 0.92 * noise(left)


def test_darks_end_the_streaks(tmp_path):
    rng = np.random.default_rng(52)
    pattern = rows_of(rng, 3.0)
    series(tmp_path / "in", rng, pattern, count=12, step=(0.4, 0.9))
    short = finish_path(tmp_path / "in", tmp_path / "short", whole=True)
    assert len(warned(short)) == 1  # eleven pixels in all: too little to tell pattern from stars
    for k in range(30):  # few darks leave noise of their own, which walks as well
        dark = 500.0 + pattern + rng.normal(0, 6.0, pattern.shape)
        write(tmp_path / f"in/d{k:02d}.fits", np.rint(dark).astype(np.uint16), kind="DARK",
              exposure_s=60.0)  # fmt: skip
    result = finish_path(tmp_path / "in", tmp_path / "with", whole=True)
    assert warned(result) == []
    assert noise(result) < 0.92 * noise(short)


def test_pointing_moved_aside_or_no_pattern_brings_no_warning(tmp_path):
    rng = np.random.default_rng(53)
    series(tmp_path / "clean", rng, np.zeros((HEIGHT, WIDTH)), count=12, step=(0.4, 0.9))
    assert warned(finish_path(tmp_path / "clean", tmp_path / "a", recipe=off())) == []
    series(tmp_path / "aside", rng, rows_of(rng, 2.0), count=12, step=(0.4, 0.9), jitter=9.0)
    assert warned(finish_path(tmp_path / "aside", tmp_path / "b", recipe=off())) == []


@pytest.mark.parametrize("turn", [0.0, 30.0, 100.0])
def test_share_of_streaks_is_measured(turn):
    """White noise plus noise smeared over 14 px: the smeared share of the variance is told."""
    rng = np.random.default_rng(54)
    way = np.array([np.cos(np.radians(turn)), np.sin(np.radians(turn))])
    plane = rng.normal(0, 1.0, (600, 600))
    pattern = rng.normal(0, 1.0, plane.shape)
    steps = np.arange(-7, 8)
    smeared = np.zeros_like(plane)
    for n in steps:
        smeared += np.roll(pattern, tuple(np.rint(n * way[::-1]).astype(int)), (0, 1))
    smeared *= 0.5 / smeared.std()
    share = streaks((plane + smeared).astype(np.float32), way, 14.0, step_px=1.0)
    # 0.25 of 1.25 is smeared; at 4 to 7 of 15 px it still agrees by 0.63 (a triangle's height)
    assert share == pytest.approx(0.2 * 0.63, abs=0.03)
    assert abs(streaks(plane.astype(np.float32), way, 14.0, step_px=1.0)) < 0.02
