"""What earlier frames of a series and the kit tell the solver of the next frame."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from slowglass.judge.prior import prior_of_kit, priors_of_series, teaches
from slowglass.judge.verdict import Verdict
from slowglass.kit.io import load_kit
from slowglass.kit.model import MeasuredValue
from slowglass.sky.wcs import TanWcs
from slowglass.solve.service import solve_stars
from slowglass.solve.store import open_solver
from slowglass.solve.types import Prior

WIDTH, HEIGHT = 6000, 4000
EARLIER = Verdict(
    file="a.fits", width_px=WIDTH, height_px=HEIGHT, solved=True, ra_deg=150.0, dec_deg=40.0,
    scale_arcsec_per_px=0.62, rotation_deg=100.0, parity=1, matched=9, odds_log10=14.0,
)  # fmt: skip


def test_a_sure_frame_hands_on_scale_angle_mirroring_and_place():
    upright, turned = priors_of_series(Prior(), EARLIER, WIDTH, HEIGHT)
    assert (upright.ra_deg, upright.dec_deg, upright.radius_deg) == (150.0, 40.0, 3.0)
    assert (upright.scale_arcsec_per_px, upright.scale_tolerance) == (0.62, 0.005)
    assert (upright.parity, upright.rotation_deg, turned.rotation_deg) == (1, 100.0, 280.0)


def test_the_place_given_is_kept_where_the_earlier_frame_lies_elsewhere():
    told = Prior(ra_deg=200.0, dec_deg=-10.0, radius_deg=8.0)
    for prior in priors_of_series(told, EARLIER, WIDTH, HEIGHT):
        assert (prior.ra_deg, prior.dec_deg, prior.radius_deg) == (200.0, -10.0, 8.0)
        assert prior.parity == 1


@pytest.mark.parametrize(
    "change",
    [{"odds_log10": 2.0}, {"matched": 3}, {"solved": False}, {"width_px": 3000}],
    ids=["unsure", "three stars", "unsolved", "another size"],
)
def test_a_doubtful_frame_tells_nothing(change):
    doubtful = replace(EARLIER, **change)
    assert priors_of_series(Prior(), doubtful, WIDTH, HEIGHT) == []
    assert teaches(doubtful) == ("width_px" in change)


def test_a_focal_length_measured_on_frames_makes_the_scale_sure():
    kit = load_kit("long 102")
    prior = Prior(ra_deg=1.0, dec_deg=2.0, scale_arcsec_per_px=0.62)
    assert prior_of_kit(prior, kit) == prior
    block = MeasuredValue(
        quantity="optics.focal_length_mm", value=1302.0, day="2026-09-12", in_use=True
    )
    measured = kit.model_copy(update={"measured": (block,)})
    assert prior_of_kit(prior, measured).scale_tolerance == 0.005


def test_three_stars_are_enough_after_a_sure_frame(sky):
    """Frames of three catalogue stars, moved from a sure one of the same camera angle: most are
    solved with what that one told, and none wrongly; the pointing and the kit's scale alone solve
    few of them (chosen are frames whose three stars are all seen, to half a pixel)."""
    from slowglass.frame.stars import StarList

    catalogue = open_solver(sky)
    rng = np.random.default_rng(12)
    alone = taught = tried = 0
    while tried < 12:
        wcs = TanWcs.from_simple(
            ra_deg=rng.uniform(0, 360), dec_deg=rng.uniform(-60, 80), width_px=WIDTH,
            height_px=HEIGHT, scale_arcsec_per_px=0.62, rotation_deg=103.0, parity=1,
        )  # fmt: skip
        rows = catalogue.in_cone(wcs.ra0_deg, wcs.dec0_deg, 0.65)
        x, y = wcs.sky_to_pixel(*catalogue.radec_at(rows, 2016.0))
        inside = (x > 50) & (y > 50) & (x < WIDTH - 50) & (y < HEIGHT - 50)
        if np.count_nonzero(inside) != 3:
            continue
        tried += 1
        flux = 10 ** (-0.4 * (catalogue.grid.mag[rows[inside]] - 25 + rng.normal(0, 0.2, 3)))
        order = np.argsort(-flux)
        none = np.full(3, np.nan)
        stars = StarList(
            x[inside][order] + rng.normal(0, 0.4, 3), y[inside][order] + rng.normal(0, 0.4, 3),
            flux[order], flux[order], flux[order], none, none, none, none, np.zeros(3, np.int32),
        )  # fmt: skip
        told = Prior(
            ra_deg=wcs.ra0_deg, dec_deg=min(89.0, wcs.dec0_deg + 1.0), radius_deg=10.0,
            scale_arcsec_per_px=0.62 * 1.02,
        )  # fmt: skip
        alone += solve_stars(stars, WIDTH, HEIGHT, sky, told).solved
        earlier = replace(EARLIER, ra_deg=told.ra_deg, dec_deg=told.dec_deg)
        upright, _ = priors_of_series(told, earlier, WIDTH, HEIGHT)
        found = solve_stars(stars, WIDTH, HEIGHT, sky, upright)
        if found.solved:
            centre = wcs.sky_to_pixel(found.ra_deg, found.dec_deg)
            assert np.hypot(centre[0] - 2999.5, centre[1] - 1999.5) < 5.0
            taught += 1
    assert taught >= 9
    assert alone < taught
