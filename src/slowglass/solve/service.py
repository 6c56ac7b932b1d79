"""Where does this frame point? Search, decide on the odds, and say why when the answer is no."""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from slowglass.frame.stars import StarFlag, StarList
from slowglass.progress import Report, silent
from slowglass.sky.coords import separation_deg
from slowglass.sky.store import Sky
from slowglass.solve.catalogue import SolveCatalogue
from slowglass.solve.deep import local_catalogue
from slowglass.solve.hunt import Hunt, hunt, look_with_own, second_look
from slowglass.solve.lines import in_a_row
from slowglass.solve.polish import polish
from slowglass.solve.refusal import NEARBY_DEG, Attempt, Elsewhere, common_elongation, explain
from slowglass.solve.stages import LEAST_BLEND_PX, ImageStars
from slowglass.solve.store import LIMIT_MAG, open_solver
from slowglass.solve.types import Prior, Solution
from slowglass.solve.weights import SATURATED_ERROR_PX

Floats = npt.NDArray[np.float64]

ODDS_NEEDED_LOG10 = 1.0
"""A pose is believed at 10 to 1 in its favour; see docs/design/solve-odds.md for how often
such a claim is right."""
LEAST_STARS = 2
ENOUGH_SEEN, ENOUGH_EXPECTED = 8, 6.0
"""Stars seen, and stars of the catalogue to a frame, from which a wrong scale or pointing is looked
for when a solve fails."""
ODDS_ELSEWHERE_LOG10 = 3.0
BLEND_WIDTHS = 2.2
"""Star widths (FWHM) within which detection may take a pair for one star."""


def solve_stars(
    stars: StarList,
    width_px: int,
    height_px: int,
    sky: Sky,
    prior: Prior | None = None,
    *,
    own_stars: bool = True,
    report: Report = silent,
) -> Solution:
    """The pose of a frame from its detected stars, or a refusal with its reason.

    Positions are full-resolution pixels. A refusal is an ordinary result; only a prior that
    makes no sense raises (``UsageError``). Own stars are asked only where the catalogues alone
    leave a frame unsolved, so they never change an answer.
    """
    started = time.perf_counter()
    prior = prior or Prior()
    base = open_solver(sky, report=report)
    size = width_px, height_px
    usable = np.flatnonzero(
        np.isfinite(stars.x_px) & np.isfinite(stars.y_px) & (stars.flux_adu > 0)
    )
    by_flux = usable[np.argsort(-stars.flux_adu[usable], kind="stable")]
    row = in_a_row(stars.x_px[by_flux], stars.y_px[by_flux], float(np.hypot(*size)))
    usable = np.sort(by_flux[~row])
    catalogue = local_catalogue(sky, base, prior, *size) or base
    expected = expected_stars(catalogue, prior, *size)
    attempt = Attempt(
        prior,
        len(usable),
        catalogue.limit_mag,
        catalogue.limit_mag <= LIMIT_MAG,
        expected,
        stars_at_pointing(catalogue, prior, *size),
        odds_needed_log10=ODDS_NEEDED_LOG10,
        elongation=common_elongation(stars),
    )
    solution = None
    if len(usable) >= LEAST_STARS:
        image = image_stars(stars.take(usable), *size)
        result = hunt(image, catalogue, prior)
        if catalogue is not base and not believed(result):
            # Among many faint stars the search may pass over what the few bright ones show.
            result = second_look(result, image, catalogue, base, prior)
        own = 0
        if own_stars and not believed(result):
            wider = local_catalogue(sky, base, prior, *size, own_stars=True)
            if wider is not None:
                again, own = look_with_own(result, image, wider, prior)
                if believed(again):
                    result, catalogue = again, wider
        if result.best is not None and believed(result):
            solution = _answer(stars, usable, image, result, catalogue, prior.epoch_year)
            solution = replace(solution, own_stars=own)
        else:
            attempt = replace(
                _with_best(attempt, result), elsewhere=_elsewhere(image, base, attempt)
            )
    if solution is None:
        cause, reason = explain(attempt)
        solution = Solution(
            False, reason, cause=cause, odds_log10=attempt.odds_log10, matched=attempt.matched or 0
        )
    return replace(solution, expected_stars=expected, seconds=time.perf_counter() - started)


def believed(result: Hunt) -> bool:
    """Whether the odds of a hunt's best pose carry it."""
    return result.best is not None and odds_against_all(result) >= ODDS_NEEDED_LOG10


def _with_best(attempt: Attempt, result: Hunt) -> Attempt:
    if result.best is None:
        return attempt
    return replace(
        attempt,
        matched=len(result.best.assessment.pairs_image),
        odds_log10=odds_against_all(result),
    )


def _elsewhere(image: ImageStars, base: SolveCatalogue, attempt: Attempt) -> Elsewhere | None:
    """Where the stars fit if the scale or the pointing given is wrong; None if that is not known.

    Looked for only where stars enough were seen and are to be expected.
    """
    prior = attempt.prior
    if prior.ra_deg is None or prior.dec_deg is None or prior.scale_arcsec_per_px is None:
        return None
    if attempt.seen < ENOUGH_SEEN or (attempt.expected or 0.0) < ENOUGH_EXPECTED:
        return None
    for freed in (
        replace(prior, scale_arcsec_per_px=None, rotation_deg=None, parity=None),
        replace(prior, ra_deg=None, dec_deg=None, rotation_deg=None, parity=None),
    ):
        found = hunt(image, base, freed)
        if found.best is None or odds_against_all(found) < ODDS_ELSEWHERE_LOG10:
            continue
        ra, dec = found.best.wcs.ra0_deg, found.best.wcs.dec0_deg
        away = float(separation_deg(prior.ra_deg, prior.dec_deg, ra, dec))
        scale = found.best.wcs.scale_arcsec_per_px
        return Elsewhere(odds_against_all(found), scale, ra, dec, away)
    return None


def _answer(
    stars: StarList,
    usable: npt.NDArray[np.int64],
    image: ImageStars,
    result: Hunt,
    catalogue: SolveCatalogue,
    epoch_year: float,
) -> Solution:
    assert result.best is not None
    wcs, match = polish(result.best, stars, usable, image, catalogue, epoch_year)
    ra, dec = wcs.pixel_to_sky((image.width_px - 1) / 2.0, (image.height_px - 1) / 2.0)
    return Solution(
        True,
        "",
        wcs=wcs,
        matched=len(match),
        rms_arcsec=float(np.sqrt(np.mean(match.residual_arcsec**2))),
        odds_log10=odds_against_all(result),
        ra_deg=float(ra),
        dec_deg=float(dec),
        scale_arcsec_per_px=wcs.scale_arcsec_per_px,
        rotation_deg=wcs.rotation_deg,
        parity=wcs.parity,
        match=match,
    )


def image_stars(stars: StarList, width_px: int, height_px: int) -> ImageStars:
    """What the search needs of a star list; every flux must be positive."""
    saturated = (stars.flags & StarFlag.SATURATED) != 0
    measured = stars.fwhm_px[np.isfinite(stars.fwhm_px)]
    blend = BLEND_WIDTHS * float(np.median(measured)) if len(measured) else 0.0
    blend = float(np.clip(blend, LEAST_BLEND_PX, 0.02 * max(width_px, height_px)))
    return ImageStars.build(
        stars.x_px,
        stars.y_px,
        stars.flux_adu,
        width_px,
        height_px,
        np.where(saturated, SATURATED_ERROR_PX, 0.0),
        blend_px=blend,
    )


def expected_stars(
    catalogue: SolveCatalogue, prior: Prior, width_px: int, height_px: int
) -> float | None:
    """Catalogue stars a frame at the prior's pointing and scale should hold; None without both."""
    if prior.ra_deg is None or prior.dec_deg is None or prior.scale_arcsec_per_px is None:
        return None
    frame_deg2 = width_px * height_px * (prior.scale_arcsec_per_px / 3600.0) ** 2
    radius = float(np.clip(np.sqrt(frame_deg2 / np.pi), prior.cone_radius_deg, 90.0))
    cone_deg2 = 41252.96 * (1.0 - np.cos(np.radians(radius))) / 2.0
    count = len(catalogue.in_cone(prior.ra_deg, prior.dec_deg, radius))
    return float(count * frame_deg2 / cone_deg2)


def stars_at_pointing(
    catalogue: SolveCatalogue, prior: Prior, width_px: int, height_px: int
) -> int | None:
    """Catalogue stars round the very place given: in a frame's area, or in ``NEARBY_DEG`` where no
    scale is known; None without a place."""
    if prior.ra_deg is None or prior.dec_deg is None:
        return None
    radius_deg = NEARBY_DEG
    if prior.scale_arcsec_per_px is not None:
        frame_deg2 = width_px * height_px * (prior.scale_arcsec_per_px / 3600.0) ** 2
        radius_deg = float(np.sqrt(frame_deg2 / np.pi))
    return len(catalogue.in_cone(prior.ra_deg, prior.dec_deg, radius_deg))


def odds_against_all(result: Hunt) -> float:
    """Odds of the best pose against chance and against the next distinct pose together."""
    assert result.best is not None
    best = result.best.assessment.odds_log10
    return float(best - np.logaddexp(0.0, result.runner_up_log10 * np.log(10.0)) / np.log(10.0))
