"""Star places against the Cramér–Rao bound and against photutils.

The bound is the inverse of the Fisher information of a star image of known shape, Σ (∂μ/∂x)² / V
over its pixels (Winick 1986, J. Opt. Soc. Am. A 3, 1809; Mendez et al. 2013, PASP 125, 580; both
from memory), V the variance of a pixel: sky and star photons and read noise. No unbiased place is
surer. Here it is summed over the drawn image by finite differences.
"""

from __future__ import annotations

import numpy as np
import pytest
from frame_scene import TINT, profile

from slowglass.frame.centroid import refined_places
from slowglass.frame.image import Frame, FrameHeader
from slowglass.frame.stars import StarFlag, StarList

GAIN_E_PER_ADU = 1.9
SKY_E, READ_E = 200.0, 3.0
GAP = 44
BETA = 1.0 / 0.21
"""The wings of the program's own profile; the Gaussian test shows that they need not be right."""


class Sky:
    """Stars of one brightness on a loose grid, in electrons, with photon and read noise."""

    def __init__(
        self, *, total_e, fwhm=3.1, beta=BETA, bayer=None, across=18, seed=0, spread=0.0, gap=GAP
    ):
        rng = np.random.default_rng(seed)
        size = gap * (across + 1)
        rows, columns = np.mgrid[1 : across + 1, 1 : across + 1]
        self.x = gap * columns.ravel() + rng.uniform(-1, 1, across**2)
        self.y = gap * rows.ravel() + rng.uniform(-1, 1, across**2)
        self.fwhm, self.beta, self.half = fwhm, beta, int(4.5 * fwhm) + 2
        reach = np.arange(-60, 61)
        whole = profile(*np.meshgrid(reach, reach), fwhm=fwhm, beta=beta).sum()
        # each star its own colour: how much of its light each filter lets through
        self.tint = {c: t * np.exp(spread * rng.normal(size=len(self.x))) for c, t in TINT.items()}
        self.peak_e = total_e / whole
        self.cell = np.array(list(bayer or "GGGG")).reshape(2, 2)
        if bayer is None:
            self.tint = {"G": np.ones(len(self.x))}
        mean = np.full((size, size), SKY_E)
        for k in range(len(self.x)):
            part, star = self.star_e(k, 0.0, 0.0)
            mean[part] += star
        noisy = rng.poisson(mean) + rng.normal(0.0, READ_E, mean.shape)
        header = FrameHeader(kind="light", gain_e_per_adu=GAIN_E_PER_ADU)
        adu = ((noisy - SKY_E) / GAIN_E_PER_ADU).astype(np.float32)
        self.frame = Frame(adu, header=header, bayer=bayer, white_adu=60000.0)

    def star_e(self, k, dx, dy):
        """Where star ``k`` is drawn and its electrons there, moved by (dx, dy)."""
        column, row = round(self.x[k]), round(self.y[k])
        rows = np.arange(row - self.half, row + self.half + 1)[:, None]
        columns = np.arange(column - self.half, column + self.half + 1)
        shape = profile(
            columns - self.x[k] - dx, rows - self.y[k] - dy, fwhm=self.fwhm, beta=self.beta
        )
        colour = self.cell[rows % 2, columns % 2]
        tint = np.zeros(shape.shape)
        for name, values in self.tint.items():
            tint[colour == name] = values[k]
        return np.s_[rows[0, 0] : rows[-1, 0] + 1, columns[0] : columns[-1] + 1], (
            self.peak_e * tint * shape
        )

    def bound_px(self):
        """The least error of each star's place, both axes together, px."""
        out = np.empty(len(self.x))
        step = 0.01
        for k in range(len(out)):
            _, star = self.star_e(k, 0.0, 0.0)
            variance = star + SKY_E + READ_E**2
            total = 0.0
            for along in ((step, 0.0), (0.0, step)):
                back = -along[0], -along[1]
                slope = (self.star_e(k, *along)[1] - self.star_e(k, *back)[1]) / (2 * step)
                total += 1.0 / np.sum(slope**2 / variance)
            out[k] = np.sqrt(total)
        return out

    def refined(self, *, off_px=0.3, flags=None, elongation=1.0, seed=1):
        """Places that start ``off_px`` from the truth, and where they started."""
        rng = np.random.default_rng(seed)
        x = self.x + rng.normal(0.0, off_px, len(self.x))
        y = self.y + rng.normal(0.0, off_px, len(self.y))
        none = np.full(len(x), np.nan)
        given = np.zeros(len(x), np.int32) if flags is None else flags
        stars = StarList(x, y, none, none, none, none, none, none, none, given)
        light = self.frame.pixels
        factor = 1
        if self.frame.bayer is not None:
            rows, columns = (n // 2 for n in light.shape)
            light = light.reshape(rows, 2, columns, 2).mean(axis=(1, 3))
            factor = 2
        found = refined_places(
            self.frame, light, factor, stars, fwhm_px=self.fwhm, elongation=elongation,
            elongation_angle_deg=0.0,
            sky_rms_adu=float(np.sqrt(SKY_E + READ_E**2) / GAIN_E_PER_ADU),
        )  # fmt: skip
        return np.column_stack(found), np.column_stack([x, y])

    def error_px(self, places):
        return np.hypot(places[:, 0] - self.x, places[:, 1] - self.y)


@pytest.mark.parametrize(
    ("total_e", "bayer"),
    [(4000.0, None), (30_000.0, None), (400_000.0, None), (30_000.0, "RGGB"), (400_000.0, "GBRG")],
)
def test_places_reach_the_cramer_rao_bound(total_e, bayer):
    """324 stars tell the rms error of two axes to 3 %; 1.10 leaves three times that."""
    sky = Sky(total_e=total_e, bayer=bayer)
    places, _ = sky.refined()
    ratio = np.sqrt(np.mean(sky.error_px(places) ** 2) / np.mean(sky.bound_px() ** 2))
    assert 0.90 < ratio < 1.10


def test_a_gaussian_star_loses_little_to_the_assumed_wings():
    """The profile fitted is a Moffat; of a Gaussian image it may waste a tenth of the photons'
    knowledge, with three times 3 % for the 324 stars."""
    sky = Sky(total_e=30_000.0, beta=None)
    places, _ = sky.refined()
    ratio = np.sqrt(np.mean(sky.error_px(places) ** 2) / np.mean(sky.bound_px() ** 2))
    assert 0.90 < ratio < 1.20


def test_a_bright_gaussian_star_is_placed_to_hundredths_of_a_pixel():
    """Far above its photon noise, for the profile's wings are not its own: 0.06 px is a fiftieth of
    a star's width (no source; what the fit is known to leave)."""
    sky = Sky(total_e=400_000.0, beta=None, across=9)
    places, _ = sky.refined()
    assert np.sqrt(np.mean(sky.error_px(places) ** 2)) < 0.06


def test_a_star_of_any_colour_is_found_where_it_is():
    """Bright stars a factor 1.6 apart in colour (1 sigma): errors stay at the bound, and red ones
    lie no further right or left than chance (4 sigma of the mean)."""
    sky = Sky(total_e=200_000.0, bayer="RGGB", spread=0.5)
    places, _ = sky.refined()
    bound = sky.bound_px()
    error = sky.error_px(places)
    assert np.sqrt(np.mean((error / bound) ** 2)) < 1.15
    red = sky.tint["R"] > sky.tint["B"]
    for side in (red, ~red):
        for axis, truth in ((0, sky.x), (1, sky.y)):
            shift = np.mean((places[:, axis] - truth)[side])
            assert abs(shift) < 4.0 * np.mean(bound) / np.sqrt(2 * side.sum())


def test_wide_stars_are_placed_on_a_coarser_picture_as_well():
    """FWHM 14 px is fitted binned 2 × 2; 121 stars tell the rms to 5 %, 1.15 leaves three times."""
    sky = Sky(total_e=200_000.0, fwhm=14.0, across=11, gap=150)
    places, _ = sky.refined(off_px=1.0)
    ratio = np.sqrt(np.mean(sky.error_px(places) ** 2) / np.mean(sky.bound_px() ** 2))
    assert 0.85 < ratio < 1.15


def test_places_agree_with_photutils():
    """photutils fits a Gaussian of the right width to each star, weighted by the same errors.

    Drawn as Gaussians, both see the same photons: they differ by less than a third of the noise,
    and ours, which fits a Moffat, is worse by a tenth at most.
    """
    from astropy.table import Table
    from photutils.psf import CircularGaussianPSF, PSFPhotometry

    sky = Sky(total_e=20_000.0, beta=None, across=9)
    places, started = sky.refined()
    pixels = sky.frame.pixels.astype(float) * GAIN_E_PER_ADU
    variance = np.full(pixels.shape, SKY_E + READ_E**2)
    for k in range(len(places)):
        part, star = sky.star_e(k, 0.0, 0.0)
        variance[part] += star
    fit = PSFPhotometry(CircularGaussianPSF(fwhm=sky.fwhm), (15, 15), aperture_radius=6)
    begin = {"x_0": started[:, 0], "y_0": started[:, 1], "flux_0": np.full(len(places), 2e4)}
    table = fit(pixels, error=np.sqrt(variance), init_params=Table(begin))
    theirs = np.column_stack([table["x_fit"], table["y_fit"]])
    bound = np.sqrt(np.mean(sky.bound_px() ** 2))
    assert np.sqrt(np.mean(np.hypot(*(places - theirs).T) ** 2)) < 0.33 * bound
    ours, other = (np.sqrt(np.mean(sky.error_px(p) ** 2)) for p in (places, theirs))
    assert ours < 1.1 * other


def test_a_hot_pixel_beside_a_star_does_not_move_it():
    """A pixel of a tenth of the star's light, 4 px away, is left out; a plain centroid would move
    by some 0.4 px."""
    sky = Sky(total_e=60_000.0, across=9)
    for x, y in zip(sky.x, sky.y, strict=True):
        sky.frame.pixels[round(y), round(x) + 4] += 6000.0 / GAIN_E_PER_ADU
    places, _ = sky.refined()
    bound = sky.bound_px()
    assert np.sqrt(np.mean(sky.error_px(places) ** 2)) < 1.5 * np.mean(bound)


@pytest.mark.parametrize("flag", [StarFlag.SATURATED, StarFlag.BLENDED])
def test_stars_that_no_profile_describes_stay_where_they_are(flag):
    sky = Sky(total_e=60_000.0, across=4)
    flags = np.zeros(16, np.int32)
    flags[3] = int(flag)
    places, started = sky.refined(flags=flags)
    assert np.array_equal(places[3], started[3])
    assert np.all(places[:3] != started[:3])


def test_trails_and_stars_at_the_edge_stay_where_they_are():
    sky = Sky(total_e=60_000.0, across=4)
    places, started = sky.refined(elongation=1.5)
    assert np.array_equal(places, started)
    sky.x[0] = 3.0
    places, started = sky.refined()
    assert np.array_equal(places[0], started[0])
