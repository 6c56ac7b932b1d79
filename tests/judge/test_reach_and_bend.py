"""How faint a frame reaches and how its optics bend it: against hidden truth and against scipy."""

from __future__ import annotations

import math
from datetime import UTC, datetime

import numpy as np
import pytest
from scipy.optimize import least_squares, minimize_scalar

from slowglass.expose.forecast import render_with_truth
from slowglass.expose.service import expose_object
from slowglass.judge.assess import assess_frame
from slowglass.judge.bend import measure_distortion
from slowglass.judge.habit import priors_by_habit
from slowglass.judge.reach import FALL_MAG, half_seen_mag
from slowglass.kit.io import load_kit, load_site
from slowglass.sky.place import Place
from slowglass.sky.wcs import TanWcs
from slowglass.solve.types import Prior

WHEN = datetime(2026, 10, 9, 20, 0, tzinfo=UTC)
WIDTH, HEIGHT = 3000, 2000


def test_half_seen_is_the_step_that_scipy_finds():
    rng = np.random.default_rng(5)
    mag = rng.uniform(11, 17, 400)
    seen = rng.random(400) < 1.0 / (1.0 + np.exp((mag - 14.6) / FALL_MAG))

    def unlikely(step: float) -> float:
        chance = 0.02 + 0.96 / (1.0 + np.exp((mag - step) / FALL_MAG))
        return -float(np.sum(np.log(np.where(seen, chance, 1.0 - chance))))

    reference = minimize_scalar(unlikely, bounds=(12, 16), method="bounded").x
    found = half_seen_mag(mag, seen)
    assert found == pytest.approx(reference, abs=0.02)  # our steps
    assert found == pytest.approx(14.6, abs=0.15)  # 400 stars over 6 mag: 13 within the step


def test_a_catalogue_that_ends_early_does_not_tell_the_limit():
    mag = np.linspace(6, 10, 40)
    assert half_seen_mag(mag, np.ones(40, dtype=bool)) is None
    two_lost = np.ones(40, dtype=bool)
    two_lost[[3, 20]] = False
    assert half_seen_mag(mag, two_lost) is None


def bent_field(k: float, rng, stars: int = 40, noise_px: float = 0.2):
    """(x, y, ra, dec, wcs) of stars whose distance from the middle grows by k r²."""
    wcs = TanWcs.from_simple(
        ra_deg=322.5, dec_deg=12.2, width_px=WIDTH, height_px=HEIGHT, scale_arcsec_per_px=1.3,
        rotation_deg=31.0, parity=1,
    )  # fmt: skip
    x, y = rng.uniform(50, WIDTH - 50, stars), rng.uniform(50, HEIGHT - 50, stars)
    ra, dec = wcs.pixel_to_sky(x, y)
    half = math.hypot(WIDTH, HEIGHT) / 2
    u, v = (x - (WIDTH - 1) / 2) / half, (y - (HEIGHT - 1) / 2) / half
    grow = k * (u**2 + v**2)
    return (x + u * grow * half + rng.normal(0, noise_px, stars),
            y + v * grow * half + rng.normal(0, noise_px, stars), ra, dec, wcs)  # fmt: skip


@pytest.mark.parametrize("k", [-0.004, 0.0, 0.0015, 0.01])
def test_a_known_bend_comes_back_within_its_error(k):
    rng = np.random.default_rng(int(1e5 * abs(k)) + 1)
    half = math.hypot(WIDTH, HEIGHT) / 2
    pulls = []
    for _ in range(30):
        x, y, ra, dec, wcs = bent_field(k, rng)
        found = measure_distortion(x, y, ra, dec, wcs, width_px=WIDTH, height_px=HEIGHT)
        pulls.append((found.corner_shift_px - k * half) / found.error_px)
    assert abs(np.mean(pulls)) < 4 / math.sqrt(30)
    assert 0.6 < np.std(pulls) < 1.5


def test_the_bend_is_that_of_a_nonlinear_fit():
    x, y, ra, dec, wcs = bent_field(0.003, np.random.default_rng(2))
    half = math.hypot(WIDTH, HEIGHT) / 2
    px, py = wcs.sky_to_pixel(ra, dec)
    u, v = (px - (WIDTH - 1) / 2) / half, (py - (HEIGHT - 1) / 2) / half

    def left(p):
        scale, turn, dx, dy, k = p
        grow = 1.0 + k * (u**2 + v**2)
        c, s = scale * math.cos(turn), scale * math.sin(turn)
        fx = (c * u - s * v) * grow + dx - (x - (WIDTH - 1) / 2) / half
        fy = (s * u + c * v) * grow + dy - (y - (HEIGHT - 1) / 2) / half
        return np.concatenate([fx, fy])

    reference = least_squares(left, [1.0, 0.0, 0.0, 0.0, 0.0]).x[4] * half
    found = measure_distortion(x, y, ra, dec, wcs, width_px=WIDTH, height_px=HEIGHT)
    # Linearising leaves out products of corrections of a thousandth.
    assert found.corner_shift_px == pytest.approx(reference, abs=0.3 * found.error_px)


def test_few_stars_tell_no_bend_and_one_wrong_star_does_not_spoil_it():
    rng = np.random.default_rng(4)
    x, y, ra, dec, wcs = bent_field(0.003, rng)
    few = [a[:5] for a in (x, y, ra, dec)]
    assert measure_distortion(*few, wcs, width_px=WIDTH, height_px=HEIGHT) is None
    x[7] += 25.0
    found = measure_distortion(x, y, ra, dec, wcs, width_px=WIDTH, height_px=HEIGHT)
    half = math.hypot(WIDTH, HEIGHT) / 2
    assert found.corner_shift_px == pytest.approx(0.003 * half, abs=4 * found.error_px)


def hidden_frame(sky, **changes):
    base, site = load_kit("long 102"), load_site("Fig Tree Yard")
    camera = base.camera.model_copy(update={"width_px": 2000, "height_px": 1340, "pixel_um": 7.8})
    kit = base.model_copy(update={"camera": camera})
    truth = kit.model_copy(update={"camera": camera.model_copy(update=changes)})
    thing = sky.objects.get("NGC 457")
    frame, _ = render_with_truth(
        truth, site, sky, thing, exposure_s=30.0, when=WHEN, seed=3, tracking=False
    )
    place = Place(thing.name, thing.ra_deg, thing.dec_deg, thing)
    judged = assess_frame(frame, sky, now_utc=WHEN, near=place, target=place, kit=kit, site=site)
    return truth, kit, site, judged.verdict


def test_zero_points_limit_and_counts_of_a_frame_with_hidden_colours(sky):
    truth, _kit, site, verdict = hidden_frame(sky, red_response=0.7, blue_response=1.25)
    light = verdict.light
    # The stars' colours come from the catalogue the frame was drawn from: what is left is the
    # photometry of ten stars, a hundredth each.
    assert light.channel_light["R"] / light.channel_light["G"] == pytest.approx(0.7, rel=0.03)
    assert light.channel_light["B"] / light.channel_light["G"] == pytest.approx(1.25, rel=0.03)
    assert light.transparency == pytest.approx(1.0, abs=0.02)
    plan = expose_object(truth, site, sky, "NGC457", seconds=30.0, frames=1, when=WHEN)
    assert light.faintest_mag == pytest.approx(plan.faintest_mag, abs=0.15)
    assert light.catalogue_seen == light.catalogue_stars >= 10
    assert sum(row[1] for row in light.catalogue_by_mag) == light.catalogue_stars
    assert abs(verdict.distortion.corner_shift_px) < 4 * verdict.distortion.error_px


def test_the_habit_is_tried_as_it_sits_and_upside_down():
    kit = load_kit("long 102")
    assert priors_by_habit(kit, Prior()) == []
    sits = kit.camera.model_copy(update={"angle_deg": 350.0, "angle_scatter_deg": 2.0})
    priors = priors_by_habit(kit.model_copy(update={"camera": sits}), Prior(parity=1))
    assert [p.rotation_deg for p in priors] == [350.0, 170.0]
    assert all(p.rotation_tolerance_deg == 6.0 and p.parity == 1 for p in priors)
    anyhow = sits.model_copy(update={"angle_scatter_deg": 45.0})
    assert priors_by_habit(kit.model_copy(update={"camera": anyhow}), Prior()) == []


def test_the_habit_solves_a_frame_that_three_stars_alone_do_not_carry(sky):
    base, site = load_kit("long 102"), load_site("Fig Tree Yard")
    camera = base.camera.model_copy(update={"width_px": 1500, "height_px": 1000, "pixel_um": 7.8})
    kit = base.model_copy(update={"camera": camera})
    rng = np.random.default_rng(1)
    ra, dec = [(rng.uniform(0, 360), rng.uniform(0, 80)) for _ in range(27)][-1]
    frame, _ = render_with_truth(
        kit, site, sky, (ra, dec), exposure_s=30.0, seed=26, tracking=False, altitude_deg=50.0
    )
    aimed = Place("aimed", (ra + 1.0 / math.cos(math.radians(dec))) % 360.0, dec)

    def judged(**habit):
        known = kit.model_copy(update={"camera": camera.model_copy(update=habit)})
        return assess_frame(
            frame, sky, now_utc=WHEN, near=aimed, radius_deg=3.0, kit=known, site=site
        ).verdict

    assert not judged().solved
    # The frame's true angle is 180°: as it sits, and as it sits on the mount's other side.
    for angle in (182.0, 2.0):
        verdict = judged(angle_deg=angle, angle_scatter_deg=2.0)
        assert verdict.solved
        assert verdict.dec_deg == pytest.approx(dec, abs=0.01)
    assert not judged(angle_deg=92.0, angle_scatter_deg=2.0).solved
