"""Own stars: what may give them, what is believed, what they may and may not do to a solve."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from star_fields import star_list

from slowglass.frame.stars import StarFlag
from slowglass.sky.coords import offset_point, separation_deg
from slowglass.sky.own import OwnFrame, Sightings, believed
from slowglass.sky.own_store import OwnStore
from slowglass.sky.wcs import TanWcs
from slowglass.solve.own import ODDS_TO_GIVE_LOG10, contribute
from slowglass.solve.service import solve_stars
from slowglass.solve.types import Prior

WIDE, SMALL = (6000, 4000, 0.62), (2400, 1600, 0.62)
"""Width, height, arcsec per pixel: a frame of 62′ × 41′ that gives, one of 25′ × 17′ that asks."""
FIELD = 300.0, 35.0
WHEN = datetime(2024, 8, 1, 22, tzinfo=UTC)


@pytest.fixture(scope="module")
def faint():
    """Made-up stars of G 10.5 to 13.5 round the field, 400 a square degree."""
    rng = np.random.default_rng(5)
    n = 1600
    ra = FIELD[0] + rng.uniform(-1.2, 1.2, n)
    return ra, FIELD[1] + rng.uniform(-1.0, 1.0, n), 13.5 + np.log10(rng.uniform(1e-3, 1, n)) / 1.0


def photograph(sky, faint, wcs, size, rng, *, fwhm=5.0, elongation=1.05, error_px=0.15):
    """A measured star list of packaged and faint stars."""
    base = sky.stars.cone(wcs.ra0_deg, wcs.dec0_deg, 1.2, epoch_year=2024.0)
    ra, dec = np.concatenate([base.ra_deg, faint[0]]), np.concatenate([base.dec_deg, faint[1]])
    mag = np.concatenate([base.mag, faint[2]])
    x, y = wcs.sky_to_pixel(ra, dec)
    inside = (x > 30) & (y > 30) & (x < size[0] - 30) & (y < size[1] - 30)
    x, y, mag = x[inside], y[inside], mag[inside]
    x, y = x + rng.normal(0, error_px, len(x)), y + rng.normal(0, error_px, len(x))
    flux = 10 ** (-0.4 * (mag + rng.normal(0, 0.15, len(x)) - 25))
    stars = star_list(x, y, flux)
    ones = np.ones(len(stars))
    return replace(
        stars, fwhm_px=fwhm * ones, hfd_px=fwhm * ones, elongation=elongation * ones,
        elongation_angle_deg=30.0 * ones, snr=np.clip(stars.flux_adu / 300.0, 12.0, 900.0),
    )  # fmt: skip


def pose(size, east_arcmin=0.0, north_arcmin=0.0, *, angle=20.0):
    width, height, scale = size
    ra, dec = offset_point(*FIELD, 90.0, east_arcmin / 60.0)
    return TanWcs.from_simple(
        ra_deg=float(ra), dec_deg=float(dec) + north_arcmin / 60.0, width_px=width,
        height_px=height, scale_arcsec_per_px=scale, rotation_deg=angle,
    )  # fmt: skip


def told(wcs, radius_deg=1.5, tolerance=0.02):
    return Prior(
        ra_deg=wcs.ra0_deg + 0.3, dec_deg=wcs.dec0_deg - 0.2, radius_deg=radius_deg,
        scale_arcsec_per_px=wcs.scale_arcsec_per_px * 1.005, scale_tolerance=tolerance,
        epoch_year=2024.0,
    )  # fmt: skip


def give(sky, faint, store, *, name, seed=1, wcs=None, **more):
    wcs = wcs or pose(WIDE, 2.0 * seed, 1.0 * seed)
    stars = photograph(sky, faint, wcs, WIDE, np.random.default_rng(seed), **more)
    return contribute(
        stars, WIDE[0], WIDE[1], sky, told(wcs), frame=name, start_utc=WHEN, store=store
    )


def thin_pose(sky, faint):
    """A small frame inside the field with at most one packaged star and many faint ones."""
    rng = np.random.default_rng(8)
    for _ in range(300):
        wcs = pose(SMALL, rng.uniform(-15, 20), rng.uniform(-8, 12), angle=rng.uniform(0, 360))
        base = sky.stars.cone(wcs.ra0_deg, wcs.dec0_deg, 0.4, epoch_year=2024.0)
        x, y = wcs.sky_to_pixel(base.ra_deg, base.dec_deg)
        count = np.sum((x > 2) & (y > 2) & (x < SMALL[0] - 3) & (y < SMALL[1] - 3))
        if count <= 1:
            return wcs
    raise AssertionError("no such frame")


def test_a_frame_gives_what_no_catalogue_lists(sky, faint):
    store = OwnStore()
    gave = give(sky, faint, store, name="a.fits")
    assert gave.reason == ""
    assert gave.solution.odds_log10 > ODDS_TO_GIVE_LOG10
    ((frame, seen),) = store.load()
    assert (frame.name, frame.start_utc, len(seen)) == ("a.fits", WHEN, gave.stars)
    assert len(seen) > 100
    away = np.min(
        separation_deg(seen.ra_deg[:, None], seen.dec_deg[:, None], faint[0], faint[1]), axis=1
    ) * 3600  # fmt: skip
    # The stated error is one axis': of a two-dimensional normal 86 % lie within 2 σ.
    assert np.mean(away < 2.0 * seen.sigma_arcsec) > 0.8
    assert np.median(seen.sigma_arcsec) < 0.5
    assert store.summary().stars == 0  # one frame alone proves nothing
    give(sky, faint, store, name="a.fits")  # handed in again: no second witness
    assert (len(store.summary().frames), store.summary().stars) == (1, 0)


def test_two_frames_bear_a_star_out_and_a_thin_field_is_solved(sky, faint):
    wcs = thin_pose(sky, faint)
    stars = photograph(sky, faint, wcs, SMALL, np.random.default_rng(9))
    asked = stars, SMALL[0], SMALL[1], sky, told(wcs)
    assert not solve_stars(*asked).solved
    first = give(sky, faint, None, name="a.fits", seed=1)
    assert not solve_stars(*asked).solved
    second = give(sky, faint, None, name="b.fits", seed=4)
    held = OwnStore().summary()
    assert 60 < held.stars < held.sightings / 2 + 1
    found = solve_stars(*asked)
    assert found.solved
    assert found.own_stars >= 5
    assert float(separation_deg(found.ra_deg, found.dec_deg, wcs.ra0_deg, wcs.dec0_deg)) < 5e-4
    # No surer than the surest of the frames it rests on.
    most = max(first.solution.odds_log10, second.solution.odds_log10)
    assert 1.0 <= found.odds_log10 <= most
    assert not solve_stars(*asked, own_stars=False).solved
    # Gone again: all of a frame, and the rest by place.
    assert OwnStore().forget(frame="a.fits") == first.stars
    assert not solve_stars(*asked).solved
    assert OwnStore().forget(around=(10.0, -60.0, 3.0)) == 0
    assert OwnStore().forget(around=(*FIELD, 3.0)) == second.stars
    assert OwnStore().summary().frames == ()


def test_own_stars_never_change_what_the_catalogues_solve(sky, faint):
    for seed in (1, 4, 6):
        give(sky, faint, None, name=f"{seed}.fits", seed=seed)
    wcs = pose(WIDE, -3.0, 2.0)
    stars = photograph(sky, faint, wcs, WIDE, np.random.default_rng(3))
    asked = stars, WIDE[0], WIDE[1], sky, told(wcs)
    without, within = solve_stars(*asked, own_stars=False), solve_stars(*asked)
    assert within.solved and within.own_stars == 0
    assert (within.ra_deg, within.odds_log10) == (without.ra_deg, without.odds_log10)


def test_own_stars_make_no_random_list_believable(sky, faint):
    for seed in (1, 4, 6):
        give(sky, faint, None, name=f"{seed}.fits", seed=seed)
    wcs = thin_pose(sky, faint)
    stars = photograph(sky, faint, wcs, SMALL, np.random.default_rng(9))
    rng = np.random.default_rng(10)
    for _ in range(12):
        n = len(stars)
        shuffled = replace(
            stars, x_px=rng.uniform(0, SMALL[0], n), y_px=rng.uniform(0, SMALL[1], n)
        )
        assert not solve_stars(shuffled, SMALL[0], SMALL[1], sky, told(wcs)).solved


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        ({"elongation": 2.2}, "trailed"),
        ({"fwhm": 20.0}, "px wide"),
        ({"error_px": 60.0}, "not solved"),
    ],
)
def test_poor_frames_give_nothing(sky, faint, fault, words):
    gave = give(sky, faint, None, name="poor.fits", **fault)
    assert gave.stars == 0
    assert words in gave.reason
    assert OwnStore().summary().frames == ()


def test_a_weakly_placed_frame_gives_nothing(sky, faint):
    """Right, but at odds that do for an answer and not for a witness."""
    wcs = pose(WIDE, 2.0, 1.0)
    stars = photograph(sky, faint, wcs, WIDE, np.random.default_rng(1))
    base = np.flatnonzero(stars.flux_adu > 10 ** (-0.4 * (10.0 - 25)))
    few = np.concatenate([base[:4], np.flatnonzero(stars.flux_adu < 10 ** (-0.4 * (11.0 - 25)))])
    gave = contribute(
        stars.take(few), WIDE[0], WIDE[1], sky, told(wcs, 8.0, 0.05), frame="weak.fits",
        start_utc=WHEN,
    )  # fmt: skip
    assert gave.stars == 0
    assert "not sure enough" in gave.reason or "not solved" in gave.reason


def test_saturated_and_edge_stars_are_left_out(sky, faint):
    store = OwnStore()
    wcs = pose(WIDE)
    stars = photograph(sky, faint, wcs, WIDE, np.random.default_rng(1))
    flags = np.where(np.arange(len(stars)) % 2, int(StarFlag.SATURATED), 0).astype(np.int32)
    contribute(
        replace(stars, flags=flags), *WIDE[:2], sky, told(wcs), frame="a", start_utc=WHEN,
        store=store,
    )  # fmt: skip
    ((_, seen),) = store.load()
    at = {float(x) for x in stars.x_px[flags == 0]}
    assert {float(x) for x in seen.x_px} <= at


# What is believed


def frame(name, east_arcsec=0.0, *, faintest=13.0, odds=8.0):
    wcs = TanWcs.from_simple(
        ra_deg=50.0 + east_arcsec / 3600.0, dec_deg=0.0, width_px=1000, height_px=1000,
        scale_arcsec_per_px=1.0,
    )  # fmt: skip
    return OwnFrame(name, WHEN, odds, 3.0, faintest, 1000, 1000, wcs)


def seen_by(origin, places, *, mag=11.0, sigma=0.2):
    ra, dec = (np.array(p, dtype=float) for p in zip(*places, strict=True))
    x, y = origin.wcs.sky_to_pixel(ra, dec)
    n = len(ra)
    return origin, Sightings(ra, dec, np.full(n, sigma), np.full(n, mag), np.full(n, 0.2), x, y)


STAR = 50.02, 0.03


def test_the_same_star_on_another_place_of_the_sensor_is_believed():
    a, b = frame("a"), frame("b", 40.0, odds=11.0)
    stars = believed([seen_by(a, [STAR]), seen_by(b, [STAR], mag=11.4)])
    assert (len(stars), stars.frames[0], stars.odds_log10[0]) == (1, 2, 11.0)
    assert stars.g_mag[0] == pytest.approx(11.2)
    assert float(separation_deg(*STAR, stars.ra_deg[0], stars.dec_deg[0])) * 3600 < 0.01


@pytest.mark.parametrize(
    "why",
    ["hot pixel", "moving", "another brightness", "one frame twice"],
)
def test_what_only_looks_like_a_star_is_not_believed(why):
    a, b = frame("a"), frame("b", 0.0 if why == "hot pixel" else 40.0)
    second = {
        "hot pixel": seen_by(b, [STAR]),  # same place of the sky and of the sensor
        "moving": seen_by(b, [(STAR[0] + 5.0 / 3600, STAR[1])]),
        "another brightness": seen_by(b, [STAR], mag=12.6),
        "one frame twice": seen_by(a, [STAR]),
    }[why]
    assert len(believed([seen_by(a, [STAR]), second])) == 0


def test_a_star_most_frames_lack_is_not_believed():
    both = [seen_by(frame("a"), [STAR]), seen_by(frame("b", 40.0), [STAR])]
    other = (50.05, -0.05)
    lacking = [seen_by(frame(f"n{k}", 20.0 * k), [other]) for k in range(4)]
    kept = believed(both + lacking)
    assert not np.any(separation_deg(*STAR, kept.ra_deg, kept.dec_deg) < 1e-3)
    shallow = [seen_by(frame(f"n{k}", 20.0 * k, faintest=11.2), [other]) for k in range(4)]
    kept = believed(both + shallow)
    assert np.any(separation_deg(*STAR, kept.ra_deg, kept.dec_deg) < 1e-3)


def test_damaged_files_are_passed_over():
    store = OwnStore()
    store.save(*seen_by(frame("a"), [STAR]))
    path = store.save(*seen_by(frame("b", 40.0), [STAR]))
    assert store.summary().stars == 1
    path.write_bytes(path.read_bytes()[:200])
    assert [f.name for f in store.summary().frames] == ["a"]
    assert store.forget() == 1
    assert not store.folder.exists()
