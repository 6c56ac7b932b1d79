"""The live stack: frames laid on each other, noise falling, satellites out, memory bounded."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from slowglass.frame.image import Frame, FrameHeader
from slowglass.frame.stars import StarList
from slowglass.judge.live import LiveFrame, LiveStack, colour_picture, live_frame
from slowglass.judge.live_align import align_by_stars, align_by_wcs, apply, better, on_proxies
from slowglass.sky.wcs import TanWcs

WIDTH, HEIGHT = 1200, 800
RNG = np.random.default_rng(11)
STARS = np.column_stack([RNG.uniform(20, WIDTH - 20, 90), RNG.uniform(20, HEIGHT - 20, 90)])


def wcs(ra=322.5, dec=12.2, turn=20.0, parity=1):
    return TanWcs.from_simple(
        ra_deg=ra, dec_deg=dec, width_px=WIDTH, height_px=HEIGHT, scale_arcsec_per_px=3.0,
        rotation_deg=turn, parity=parity,
    )  # fmt: skip


def moved(stars, degrees, dx, dy):
    turn = math.radians(degrees)
    matrix = np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
    return stars @ matrix.T + [dx, dy]


def painted(stars, noise, seed, flux=900.0):
    """Gaussian stars of 2.4 px sigma on a sky of 100 with Gaussian noise."""
    picture = np.random.default_rng(seed).normal(100.0, noise, (HEIGHT, WIDTH))
    for x, y in stars:
        left, low = round(x) - 9, round(y) - 9
        cols = np.arange(max(0, left), min(WIDTH, left + 19))
        rows = np.arange(max(0, low), min(HEIGHT, low + 19))
        spot = np.exp(-((rows[:, None] - y) ** 2 + (cols - x) ** 2) / (2 * 2.4**2))
        picture[rows[:, None], cols] += flux * spot
    return picture.astype(np.float32)


def listed(stars):
    columns = {name: np.full(len(stars), np.nan) for name in StarList.__dataclass_fields__}
    columns |= {"x_px": stars[:, 0], "y_px": stars[:, 1], "flags": np.zeros(len(stars), np.int32)}
    return StarList(**columns)


def frame_of(stars, name="a", *, noise=10.0, seed=1, place=None, longest=600, **more):
    frame = Frame(painted(stars, noise, seed), FrameHeader(exposure_s=30.0), **more)
    return live_frame(name, frame, listed(stars), place, longest_px=longest)


@settings(max_examples=40, deadline=None)
@given(
    dx=st.floats(-250, 250), dy=st.floats(-180, 180), degrees=st.floats(-0.3, 0.3),
    flipped=st.booleans(), lost=st.integers(0, 30),
)  # fmt: skip
def test_stars_alone_give_the_step(dx, dy, degrees, flipped, lost):
    there = moved(STARS, degrees, dx, dy)
    if flipped:
        there = [WIDTH, HEIGHT] - there
    inside = (there > 0).all(axis=1) & (there < [WIDTH, HEIGHT]).all(axis=1)
    seen = there[inside][lost // 3 :]
    step = align_by_stars(STARS, seen, (WIDTH, HEIGHT))
    assert step is not None
    # Positions are exact: what is left is arithmetic.
    assert np.abs(apply(step, STARS) - there).max() < 0.05


def test_frames_of_other_stars_are_not_laid_on():
    others = np.random.default_rng(5).uniform(0, 800, (60, 2))
    assert align_by_stars(STARS, others, (WIDTH, HEIGHT)) is None
    assert align_by_stars(STARS[:3], STARS[:3], (WIDTH, HEIGHT)) is None
    assert align_by_stars(np.empty((0, 2)), STARS, (WIDTH, HEIGHT)) is None


@pytest.mark.parametrize("parity", [1, -1])
def test_solutions_give_the_step_even_between_mirrored_frames(parity):
    first, second = wcs(), wcs(322.55, 12.18, 200.0, parity)
    step = align_by_wcs(first, second, WIDTH, HEIGHT)
    ra, dec = first.pixel_to_sky(STARS[:, 0], STARS[:, 1])
    there = np.column_stack(second.sky_to_pixel(ra, dec))
    assert np.abs(apply(step, STARS) - there).max() < 0.05  # two tangent planes 3′ apart


def test_a_step_a_little_off_is_bettered_by_stars():
    there = moved(STARS, 0.05, 3.0, -2.0)
    off = np.array([[1.0, 0.0, 5.5], [0.0, 1.0, -3.0]])
    assert np.abs(apply(better(off, STARS, there), STARS) - there).max() < 0.01
    assert np.array_equal(better(off, STARS, np.empty((0, 2))), off)


@given(st.floats(1.0, 9.0), st.floats(1.0, 9.0), st.floats(-300, 300))
def test_steps_between_shrunk_pictures_mean_the_same_place(here, there, shift):
    step = np.array([[0.9, -0.1, shift], [0.1, 0.9, 4.0]])
    full = np.array([[333.0, 444.0]])

    def shrunk(p, by):
        return (p + 0.5) / by - 0.5

    small = on_proxies(step, here, there)
    assert np.allclose(
        apply(small, shrunk(full, here)), shrunk(apply(step, full), there), atol=1e-9
    )


def star_peak(stack, stars, shrunk=2.0):
    picture = stack._sums.mean[..., 0]
    x, y = ((np.rint((stars + 0.5) / shrunk - 0.5)).astype(int)).T
    return np.median(
        [picture[j - 1 : j + 2, i - 1 : i + 2].max() for i, j in zip(x, y, strict=True)]
    )


def test_noise_falls_with_the_root_and_stars_stay():
    stack = LiveStack()
    shifts = np.random.default_rng(2).uniform(-9, 9, (16, 2))
    noise = []
    for k, (dx, dy) in enumerate(shifts):
        assert stack.add(frame_of(moved(STARS, 0.02 * k, dx, dy), f"f{k}", seed=k))
        if k in (0, 15):
            dark = np.abs(stack._sums.mean[..., 0])
            noise.append(1.4826 * np.median(dark))
        if k == 0:
            peak = star_peak(stack, moved(STARS, 0.0, dx, dy))
    assert stack.names == [f"f{k}" for k in range(16)] and stack.exposure_s == 480.0
    # Interpolation smooths the moved frames by up to a fifth more.
    assert 0.18 < noise[1] / noise[0] < 0.28
    kept = star_peak(stack, moved(STARS, 0.0, *shifts[0]))
    assert kept > 0.8 * peak


def test_a_satellite_on_one_frame_leaves_no_trace():
    stack = LiveStack()
    for k in range(8):
        frame = frame_of(STARS, f"f{k}", seed=k)
        if k == 6:
            frame.picture[200:203, :, 0] += 500.0
        stack.add(frame)
    row = stack._sums.mean[201, :, 0]
    beside = stack._sums.mean[220, :, 0]
    assert abs(np.median(row) - np.median(beside)) < 2.0


def test_what_cannot_be_laid_on_is_left_out_with_a_reason():
    stack = LiveStack()
    stack.add(frame_of(STARS, "a"))
    others = np.random.default_rng(5).uniform(20, 700, (60, 2))
    assert not stack.add(frame_of(others, "b"))
    colour = LiveFrame("c", np.zeros((400, 600, 3), np.float32), WIDTH, HEIGHT, STARS, None, None)
    assert not stack.add(colour)
    assert stack.names == ["a"] and set(stack.left_out) == {"b", "c"}


def test_solved_and_unsolved_frames_go_together():
    stack = LiveStack()
    place = wcs()
    assert stack.add(frame_of(STARS, "a", place=place))
    assert stack.add(frame_of(moved(STARS, 0.0, 12.0, -7.0), "b", seed=2))
    ra, dec = place.pixel_to_sky((WIDTH - 1) / 2 + 40.0, (HEIGHT - 1) / 2)
    shifted = wcs(float(ra), float(dec))
    assert stack.add(frame_of(STARS - [40.0, 0.0], "c", seed=3, place=shifted))
    assert star_peak(stack, STARS) > 500.0


def test_saved_and_loaded_it_goes_on_as_if_nothing_had_been(tmp_path):
    frames = [frame_of(moved(STARS, 0.0, k, -k), f"f{k}", seed=k, place=wcs()) for k in range(5)]
    whole, first = LiveStack(), LiveStack()
    for frame in frames:
        whole.add(frame)
    for frame in frames[:3]:
        first.add(frame)
    first.save(tmp_path / "s.npz")
    second = LiveStack.load(tmp_path / "s.npz")
    for frame in frames[3:]:
        second.add(frame)
    assert second.names == whole.names and second.exposure_s == whole.exposure_s
    assert np.allclose(second._sums.mean, whole._sums.mean, atol=1e-4)
    assert np.array_equal(second.picture(), whole.picture())


def test_a_damaged_or_missing_store_gives_an_empty_stack(tmp_path):
    assert LiveStack.load(tmp_path / "none.npz").names == []
    (tmp_path / "bad.npz").write_bytes(b"PK\x03\x04 half")
    assert LiveStack.load(tmp_path / "bad.npz").picture() is None
    LiveStack().save(tmp_path / "empty.npz")
    assert not (tmp_path / "empty.npz").exists()


@pytest.mark.parametrize("bayer", ["RGGB", "GBRG"])
def test_mosaics_become_small_colour_pictures(bayer):
    cell = {"R": 300.0, "G": 200.0, "B": 100.0}
    pixels = np.empty((400, 601), np.float32)
    for k, colour in enumerate(bayer):
        pixels[k // 2 :: 2, k % 2 :: 2] = cell[colour]
    small = colour_picture(Frame(pixels, bayer=bayer), 100)
    assert small.shape[2] == 3 and max(small.shape) == 100
    assert np.allclose(small.reshape(-1, 3), [300.0, 200.0, 100.0], atol=1e-3)


def test_pictures_for_the_eye_are_8_bit_with_a_grey_sky():
    stack = LiveStack()
    assert stack.picture() is None
    stack.add(frame_of(STARS, "a"))
    picture = stack.picture()
    assert picture.dtype == np.uint8 and picture.shape == (400, 600)
    assert 5 < np.median(picture) < 80 < picture.max()
