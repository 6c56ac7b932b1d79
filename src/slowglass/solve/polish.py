"""The last fit of a believed pose: all the frame's catalogue stars, and distortion if it shows."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from slowglass.frame.stars import StarList
from slowglass.sky.wcs import TanWcs
from slowglass.solve.catalogue import SolveCatalogue
from slowglass.solve.distortion import best_model
from slowglass.solve.fit import AFFINE_FROM, fit_tan, residuals_px
from slowglass.solve.hunt import Candidate, predict
from slowglass.solve.stages import ImageStars
from slowglass.solve.types import Match

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

POLISH_STARS = 1500
MODEL_FROM = 23
"""Matched stars from which distortion is looked for (a quadratic tested on held-out fifths)."""
LEAST_REACH_PX = 2.0
FIRST_REACH = 0.004
"""Reach of the first pairing as a share of the frame's diagonal: lenses bend their corners."""
MAG_AGREEMENT = 2.0


def polish(
    best: Candidate,
    stars: StarList,
    usable: Ints,
    image: ImageStars,
    catalogue: SolveCatalogue,
    epoch_year: float,
) -> tuple[TanWcs, Match]:
    """The final solution and its matched stars; ``usable`` are rows of the star list."""
    by_flux = usable[np.argsort(-stars.flux_adu[usable], kind="stable")]
    pairs = best.assessment
    index = by_flux[pairs.pairs_image]
    if len(index) < MODEL_FROM:
        return _few(best, stars, index)
    rows = best.rows[pairs.pairs_catalogue]
    bright = by_flux[:POLISH_STARS]
    wcs = best.wcs
    reach = FIRST_REACH * float(np.hypot(image.width_px, image.height_px))
    for _ in range(4):
        found = _pair(wcs, stars, bright, image, catalogue, epoch_year, reach, pairs.zero_point)
        if len(found[0]) >= 0.8 * len(rows):
            index, rows = found
        wcs = _fit(wcs, stars, index, catalogue, rows, epoch_year)
        index, rows = _without_outliers(wcs, stars, index, catalogue, rows, epoch_year)
        reach = _reach(wcs, stars, index, catalogue, rows, epoch_year)
    wcs = _fit(wcs, stars, index, catalogue, rows, epoch_year)
    ra, dec = catalogue.radec_at(rows, epoch_year)
    return wcs, _match(wcs, stars, index, ra, dec, catalogue.grid.mag[rows])


def _few(best: Candidate, stars: StarList, index: Ints) -> tuple[TanWcs, Match]:
    """The fit of few stars: those that were weighed, outliers left out where any can be spared."""
    cat = best.assessment.pairs_catalogue
    ra, dec, mag = best.cat_ra_deg[cat], best.cat_dec_deg[cat], best.cat_mag[cat]
    wcs = best.wcs
    for _ in range(2):
        wcs = fit_tan(
            stars.x_px[index],
            stars.y_px[index],
            ra,
            dec,
            start=(wcs.ra0_deg, wcs.dec0_deg),
            centre=(wcs.crpix_x, wcs.crpix_y),
            parity=wcs.parity,
            affine=len(index) >= AFFINE_FROM,
        )
        keep = _regular(residuals_px(wcs, stars.x_px[index], stars.y_px[index], ra, dec))
        if np.all(keep):
            break
        index, ra, dec, mag = index[keep], ra[keep], dec[keep], mag[keep]
    return wcs, _match(wcs, stars, index, ra, dec, mag)


def _match(
    wcs: TanWcs, stars: StarList, index: Ints, ra: Floats, dec: Floats, mag: Floats
) -> Match:
    residual = residuals_px(wcs, stars.x_px[index], stars.y_px[index], ra, dec)
    return Match(index.astype(np.int64), ra, dec, mag, residual * wcs.scale_arcsec_per_px)


def _regular(residual: Floats) -> npt.NDArray[np.bool_]:
    """False for outliers; all True where leaving them out would leave too few."""
    keep = residual <= max(1.0, 3.5 * float(np.median(residual)))
    if np.count_nonzero(keep) < max(4, 0.6 * len(residual)):
        return np.ones(len(residual), dtype=bool)
    return np.asarray(keep)


def _fit(
    wcs: TanWcs,
    stars: StarList,
    index: Ints,
    catalogue: SolveCatalogue,
    rows: Ints,
    epoch_year: float,
) -> TanWcs:
    ra, dec = catalogue.radec_at(rows, epoch_year)
    return best_model(stars.x_px[index], stars.y_px[index], ra, dec, start=wcs)


def _residuals(
    wcs: TanWcs,
    stars: StarList,
    index: Ints,
    catalogue: SolveCatalogue,
    rows: Ints,
    epoch_year: float,
) -> Floats:
    ra, dec = catalogue.radec_at(rows, epoch_year)
    return residuals_px(wcs, stars.x_px[index], stars.y_px[index], ra, dec)


def _reach(
    wcs: TanWcs,
    stars: StarList,
    index: Ints,
    catalogue: SolveCatalogue,
    rows: Ints,
    epoch_year: float,
) -> float:
    """How far from its predicted place a star may be: five times the usual residual."""
    usual = float(np.median(_residuals(wcs, stars, index, catalogue, rows, epoch_year)))
    return max(LEAST_REACH_PX, 5.0 * usual)


def _without_outliers(
    wcs: TanWcs,
    stars: StarList,
    index: Ints,
    catalogue: SolveCatalogue,
    rows: Ints,
    epoch_year: float,
) -> tuple[Ints, Ints]:
    keep = _regular(_residuals(wcs, stars, index, catalogue, rows, epoch_year))
    return index[keep], rows[keep]


def _pair(
    wcs: TanWcs,
    stars: StarList,
    bright: Ints,
    image: ImageStars,
    catalogue: SolveCatalogue,
    epoch_year: float,
    reach_px: float,
    zero_point: float,
) -> tuple[Ints, Ints]:
    """Star rows and catalogue rows that lie on each other, one to one, nearest first."""
    rows, x, y, _, _, _ = predict(wcs, image, catalogue, epoch_year, cap=POLISH_STARS)
    if not len(rows) or not len(bright):
        return bright[:0], rows[:0]
    gap = np.hypot(x[:, None] - stars.x_px[bright], y[:, None] - stars.y_px[bright])
    star_mag = -2.5 * np.log10(stars.flux_adu[bright]) + zero_point
    gap[np.abs(catalogue.grid.mag[rows][:, None] - star_mag) > MAG_AGREEMENT] = np.inf
    star = np.argmin(gap, axis=1)
    nearest = gap[np.arange(len(rows)), star]
    order = np.argsort(nearest, kind="stable")
    order = order[nearest[order] < reach_px]
    _, first = np.unique(star[order], return_index=True)
    chosen = order[np.sort(first)]
    return bright[star[chosen]], rows[chosen]
