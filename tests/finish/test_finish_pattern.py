"""Fixed pattern under a drifting sky: out it goes, and objects stay."""

from __future__ import annotations

import numpy as np
import pytest
from starfield import Field, write

from slowglass.finish.pattern import far_enough, fixed_pattern, spread_out
from slowglass.finish.recipe import CalibrateStep, Recipe
from slowglass.finish.service import finish_path
from slowglass.frame.io import read_frame

HEIGHT, WIDTH = 240, 300


def frames_of(rng, drifts, pattern, *, noise=8.0):
    field = Field.random(rng, width=WIDTH, height=HEIGHT, stars=50, margin=60)
    field = Field(field.x, field.y, field.flux, WIDTH, HEIGHT, sky=(0.0, 0.0, 0.0))
    yy, xx = np.mgrid[:HEIGHT, :WIDTH]
    out = []
    for dx, dy in drifts:
        galaxy = 60 * np.exp(-((xx - 140 - dx) ** 2 + (yy - 110 - dy) ** 2) / 2 / 25**2)
        light = field.image(channels=1, shift=(dx, dy))[..., 0] + galaxy
        out.append((light + pattern + rng.normal(0, noise, pattern.shape)).astype(np.float32))
    return out


def found_in(frames):
    return fixed_pattern(
        [lambda box, f=f: f[box.y0 : box.y1, box.x0 : box.x1].copy() for f in frames],
        width_px=WIDTH,
        height_px=HEIGHT,
        bayer=None,
        noise_adu=8.0,
        report=lambda *a: None,
    )


def test_pattern_is_found_and_stars_and_galaxy_are_not():
    rng = np.random.default_rng(1)
    drifts = [(5.1 * k, 1.3 * k) for k in range(16)]
    pattern = rng.normal(0, 5, (HEIGHT, WIDTH)) + rng.normal(0, 2, (1, WIDTH))
    got, height = found_in(frames_of(rng, drifts, pattern))
    assert height == pytest.approx(np.hypot(5, 2), rel=0.1)
    assert np.corrcoef(got.ravel(), pattern.ravel())[0, 1] > 0.85
    # what is taken for pattern at the galaxy and the stars is pattern: no light of theirs
    assert abs(got[85:135, 140:215].mean() - pattern[85:135, 140:215].mean()) < 0.5
    clean, little = found_in(frames_of(rng, drifts, 0 * pattern))
    assert clean is None
    assert little < 1.5


def test_a_sky_that_stays_put_tells_nothing():
    shifts = np.array([(0.3 * k, 0.1 * k) for k in range(20)])
    assert not far_enough(shifts, 3.0)
    assert far_enough(10 * shifts, 3.0)
    assert not far_enough(10 * shifts[:5], 3.0)
    assert not far_enough(10 * shifts, float("nan"))
    assert len(spread_out(np.zeros((100, 2)))) == 24


def test_walking_noise_goes_from_the_sum(tmp_path):
    rng = np.random.default_rng(2)
    drifts = [(4.0 * k, 0.6 * k) for k in range(14)]
    pattern = rng.normal(0, 9, (HEIGHT, WIDTH))
    for k, frame in enumerate(frames_of(rng, drifts, pattern)):
        raw = np.clip(frame + 700, 0, 65535).astype(np.uint16)
        write(tmp_path / f"in/light{k:02d}.fits", raw, kind="LIGHT", exposure_s=30.0)
    sigmas = {}
    for used in (True, False):
        recipe = Recipe(calibrate=CalibrateStep(pattern_from_lights=used))
        result = finish_path(tmp_path / "in", tmp_path / f"out{used}", recipe=recipe, whole=True)
        assert result.frames_used == 14
        assert any("fixed pattern" in note for note in result.notes) == used
        picture = read_frame(result.outputs[0]).pixels
        plane = picture[:, 9:] - picture[:, :-9]
        sigmas[used] = 1.4826 * float(np.median(np.abs(plane)))
    # noise 8 and pattern 9 in each of 14 frames; without the pattern's part 12/8 is gained
    assert sigmas[True] < 0.8 * sigmas[False]
