"""The last fit of a believed pose: all the frame's catalogue stars, and distortion if it shows."""

from __future__ import annotations

from dataclasses import dataclass, fields

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
from slowglass.solve.weights import fit_weights, place_errors_px

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

POLISH_STARS = 1500
MODEL_FROM = 23
"""Matched stars from which distortion is looked for (a quadratic tested on held-out fifths)."""
LEAST_REACH_PX = 2.0
FIRST_REACH = 0.004
"""Reach of the first pairing as a share of the frame's diagonal: lenses bend their corners."""
MAG_AGREEMENT = 2.0


@dataclass(frozen=True)
class _Pairs:
    """Detected stars and the catalogue stars they are; every array of shape (n,)."""

    index: Ints
    x_px: Floats
    y_px: Floats
    ra_deg: Floats
    dec_deg: Floats
    mag: Floats
    error_px: Floats

    def __len__(self) -> int:
        return len(self.index)

    def residuals_px(self, wcs: TanWcs) -> Floats:
        return residuals_px(wcs, self.x_px, self.y_px, self.ra_deg, self.dec_deg)

    def regular(self, wcs: TanWcs) -> _Pairs:
        """Without outliers; all of them where that would leave too few."""
        residual = self.residuals_px(wcs)
        keep = residual <= max(1.0, 3.5 * float(np.median(residual)))
        if np.count_nonzero(keep) < max(4, 0.6 * len(self)):
            return self
        return _Pairs(**{f.name: getattr(self, f.name)[keep] for f in fields(self)})


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
    errors_px = place_errors_px(stars)
    evidence = best.assessment
    index, cat = by_flux[evidence.pairs_image], evidence.pairs_catalogue
    pairs = _Pairs(
        index,
        stars.x_px[index],
        stars.y_px[index],
        best.cat_ra_deg[cat],
        best.cat_dec_deg[cat],
        best.cat_mag[cat],
        errors_px[index],
    )
    wcs = best.wcs
    if len(pairs) < MODEL_FROM:
        for _ in range(2):
            wcs = _fit(wcs, pairs)
            pairs = pairs.regular(wcs)
    else:
        listed = len(pairs)
        reach = FIRST_REACH * float(np.hypot(image.width_px, image.height_px))
        bright = by_flux[:POLISH_STARS]
        for _ in range(4):
            field = predict(wcs, image, catalogue, epoch_year, cap=POLISH_STARS)
            mag = catalogue.grid.mag[field[0]]
            found = _pair(field, mag, stars, errors_px, bright, reach, evidence.zero_point)
            if len(found) >= 0.8 * listed:
                pairs = found
            wcs = _fit(wcs, pairs)
            pairs = pairs.regular(wcs)
            # How far from its predicted place a star may be: five times the usual residual.
            reach = max(LEAST_REACH_PX, 5.0 * float(np.median(pairs.residuals_px(wcs))))
    wcs = _fit(wcs, pairs)
    residual_arcsec = pairs.residuals_px(wcs) * wcs.scale_arcsec_per_px
    return wcs, Match(
        pairs.index.astype(np.int64), pairs.ra_deg, pairs.dec_deg, pairs.mag, residual_arcsec
    )


def _fit(wcs: TanWcs, pairs: _Pairs) -> TanWcs:
    """The model that the number of stars carries, each star at its worth."""
    places = pairs.x_px, pairs.y_px, pairs.ra_deg, pairs.dec_deg
    weights = fit_weights(pairs.residuals_px(wcs), pairs.error_px)
    if len(pairs) >= MODEL_FROM:
        return best_model(*places, start=wcs, weights=weights)
    return fit_tan(
        *places,
        start=(wcs.ra0_deg, wcs.dec0_deg),
        centre=(wcs.crpix_x, wcs.crpix_y),
        parity=wcs.parity,
        affine=len(pairs) >= AFFINE_FROM,
        weights=weights,
    )


def _pair(
    field: tuple[Ints, Floats, Floats, Floats, Floats, bool],
    mag: Floats,
    stars: StarList,
    errors_px: Floats,
    bright: Ints,
    reach_px: float,
    zero_point: float,
) -> _Pairs:
    """Stars that lie on predicted catalogue stars of like brightness, one to one, nearest first.

    ``field`` is a prediction (see :func:`predict`), ``bright`` the rows of the stars to consider.
    """
    rows, x, y, ra, dec, _ = field
    gap = np.hypot(x[:, None] - stars.x_px[bright], y[:, None] - stars.y_px[bright])
    star_mag = -2.5 * np.log10(stars.flux_adu[bright]) + zero_point
    gap[np.abs(mag[:, None] - star_mag) > MAG_AGREEMENT] = np.inf
    star = np.argmin(gap, axis=1)
    nearest = gap[np.arange(len(rows)), star]
    order = np.argsort(nearest, kind="stable")
    order = order[nearest[order] < reach_px]
    _, first = np.unique(star[order], return_index=True)
    chosen = order[np.sort(first)]
    index = bright[star[chosen]]
    return _Pairs(
        index,
        stars.x_px[index],
        stars.y_px[index],
        ra[chosen],
        dec[chosen],
        mag[chosen],
        errors_px[index],
    )
