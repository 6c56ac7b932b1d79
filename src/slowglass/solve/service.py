"""Where does this frame point? Search, decide on the odds, and say why when the answer is no."""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from slowglass.frame.stars import StarFlag, StarList
from slowglass.progress import Report, silent
from slowglass.sky.store import Sky
from slowglass.solve.catalogue import SolveCatalogue
from slowglass.solve.deep import local_catalogue
from slowglass.solve.hunt import Candidate, Hunt, hunt, second_look
from slowglass.solve.polish import polish
from slowglass.solve.stages import LEAST_BLEND_PX, ImageStars
from slowglass.solve.store import LIMIT_MAG, open_solver
from slowglass.solve.types import Prior, Solution

Floats = npt.NDArray[np.float64]

ODDS_NEEDED_LOG10 = 1.0
"""A pose is believed at 10 to 1 in its favour; see docs/design/solve-odds.md for how often
such a claim is right."""
LEAST_STARS = 2
NEARBY_DEG = 0.25
BLEND_WIDTHS = 2.2
"""Star widths (FWHM) within which detection may take a pair for one star."""
SATURATED_ERROR_PX = 1.0
"""Extra positional error of a saturated star (seen on real bleeding stars; no published source)."""


def solve_stars(
    stars: StarList,
    width_px: int,
    height_px: int,
    sky: Sky,
    prior: Prior | None = None,
    *,
    report: Report = silent,
) -> Solution:
    """The pose of a frame from its detected stars, or a refusal with its reason.

    Positions are full-resolution pixels. A refusal is an ordinary result; only a prior that
    makes no sense raises (``UsageError``).
    """
    started = time.perf_counter()
    prior = prior or Prior()
    catalogue = open_solver(sky, report=report)
    usable = np.flatnonzero(
        np.isfinite(stars.x_px) & np.isfinite(stars.y_px) & (stars.flux_adu > 0)
    )
    deeper = local_catalogue(sky, catalogue, prior, width_px, height_px)
    solution = _solve(stars, usable, width_px, height_px, deeper or catalogue, prior, catalogue)
    return replace(solution, seconds=time.perf_counter() - started)


def _solve(
    stars: StarList,
    usable: npt.NDArray[np.int64],
    width_px: int,
    height_px: int,
    catalogue: SolveCatalogue,
    prior: Prior,
    base: SolveCatalogue,
) -> Solution:
    expected = expected_stars(catalogue, prior, width_px, height_px)
    at_pointing = stars_at_pointing(catalogue, prior, width_px, height_px)
    if len(usable) < LEAST_STARS:
        return Solution(
            False,
            f"{len(usable)} star{'' if len(usable) == 1 else 's'} seen, at least "
            f"{LEAST_STARS} needed: expose longer, refocus, or wait for the clouds to pass",
            expected_stars=expected,
        )
    image = image_stars(stars.take(usable), width_px, height_px)
    result = hunt(image, catalogue, prior)
    if catalogue is not base and (
        result.best is None or odds_against_all(result) < ODDS_NEEDED_LOG10
    ):
        # Among many faint stars the search may pass over what the few bright ones show.
        result = second_look(result, image, catalogue, base, prior)
    best = result.best
    if best is None:
        return Solution(
            False,
            _refusal(None, prior, len(usable), expected, at_pointing, catalogue.limit_mag),
            expected_stars=expected,
        )
    odds = odds_against_all(result)
    if odds < ODDS_NEEDED_LOG10:
        return Solution(
            False,
            _refusal(best, prior, len(usable), expected, at_pointing, catalogue.limit_mag, odds),
            odds_log10=odds,
            matched=len(best.assessment.pairs_image),
            expected_stars=expected,
        )
    wcs, match = polish(best, stars, usable, image, catalogue, prior.epoch_year)
    ra, dec = wcs.pixel_to_sky((width_px - 1) / 2.0, (height_px - 1) / 2.0)
    return Solution(
        True,
        "",
        wcs=wcs,
        matched=len(match),
        rms_arcsec=float(np.sqrt(np.mean(match.residual_arcsec**2))),
        odds_log10=odds,
        ra_deg=float(ra),
        dec_deg=float(dec),
        scale_arcsec_per_px=wcs.scale_arcsec_per_px,
        rotation_deg=wcs.rotation_deg,
        parity=wcs.parity,
        match=match,
        expected_stars=expected,
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


def _refusal(
    best: Candidate | None,
    prior: Prior,
    seen: int,
    expected: float | None,
    at_pointing: int | None,
    limit_mag: float,
    odds: float | None = None,
) -> str:
    """Why a frame stays unsolved, and the cure, in one or two sentences."""
    tried = (
        "over the whole sky"
        if not prior.has_pointing
        else f"within {prior.cone_radius_deg:g}° of the given pointing"
    )
    if prior.scale_arcsec_per_px is not None:
        tried += (
            f" at {prior.scale_arcsec_per_px:.4g}″ per pixel ± {100 * prior.scale_tolerance:.2g} %"
        )
    parts = [f"no pose of the {seen} stars seen fits the catalogue {tried}"]
    if best is not None and odds is not None:
        matched = len(best.assessment.pairs_image)
        parts[0] = (
            f"the best pose found {tried} matches only {matched} stars of {seen} seen: "
            f"odds 10^{odds:.1f}, 10^{ODDS_NEEDED_LOG10:g} needed"
        )
    if prior.has_pointing and expected is None:
        parts.append(
            f"the catalogue, complete to magnitude {limit_mag:.4g}, holds {at_pointing} stars "
            f"within {NEARBY_DEG:g}° of the very place given"
        )
    if expected is not None and expected < 4.5:
        parts.append(
            f"the catalogue, complete to magnitude {limit_mag:.4g}, holds {expected:.1f} stars in "
            f"such a frame on average here, {at_pointing} round the very place given; where it "
            "holds less than four, a closer pointing (smaller radius), an exact scale or a known "
            "camera angle is needed, and with none no frame can be placed"
        )
        if limit_mag <= LIMIT_MAG:
            parts.append("slowglass sky deepen fetches fainter stars for such frames, once, online")
    elif seen < 8:
        parts.append("few stars seen: expose longer, refocus, or check for clouds")
    elif prior.has_pointing and prior.scale_arcsec_per_px is not None:
        parts.append("widen the radius, or leave the scale out, if either may be wrong")
    elif prior.has_pointing:
        parts.append(
            "a frame that holds fewer than five of them cannot be placed without its pixel scale: "
            "give it, or widen the radius if the pointing may be wrong"
        )
    elif prior.scale_arcsec_per_px is not None:
        parts.append("give a rough pointing, or leave the scale out if it may be wrong")
    else:
        parts.append(
            "frames under half a degree often hold less than the five catalogue stars this needs: "
            "give a rough pointing and the pixel scale"
        )
    return "; ".join(parts)
