"""From a star list to the best-supported pose: search, refine, weigh."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from slowglass.sky.wcs import TanWcs
from slowglass.solve.catalogue import SolveCatalogue
from slowglass.solve.fit import AFFINE_FROM, fit_tan
from slowglass.solve.odds import Assessment, assess
from slowglass.solve.stages import LEAST_BLEND_PX, ImageStars, stages
from slowglass.solve.types import Prior

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

CATALOGUE_CAP = 70
SURE_LOG10 = 9.0
"""Odds at which the search stops looking for anything better."""
HOPELESS_LOG10 = -12.0
"""A pose weighed this low before it is refined is dropped: with residuals of 4 px in place of
half a pixel a right pose loses some two powers of ten a star, never so much."""

PAST_JOINING_LOG10 = -40.0
"""A pose weighed this low is not weighed again with close pairs as one: a pair joined makes up for
one absent star, some 1.4 powers of ten."""


@dataclass(frozen=True)
class Candidate:
    """A refined pose and its evidence."""

    wcs: TanWcs
    assessment: Assessment
    rows: Ints
    """Catalogue rows of the weighed stars; the assessment's pairs index into it."""
    cat_ra_deg: Floats
    cat_dec_deg: Floats
    cat_mag: Floats
    """Of the weighed stars as the frame shows them: close pairs as one."""


@dataclass(frozen=True)
class Hunt:
    """What the search found and how much it looked at."""

    best: Candidate | None
    runner_up_log10: float
    examined: int


def hunt(image: ImageStars, catalogue: SolveCatalogue, prior: Prior) -> Hunt:
    """The best-supported pose anywhere in the prior, with the odds of the next distinct one."""
    found: list[Candidate] = []
    examined = 0
    seen: list[TanWcs] = []
    for stage in stages(image, catalogue, prior):
        poses, looked = stage()
        examined += looked
        for pose in poses:
            candidate = _refine(pose, image, catalogue, prior, seen)
            if candidate is not None:
                found.append(candidate)
                if candidate.assessment.odds_log10 > SURE_LOG10 + 6.0:
                    break
        if found and max(c.assessment.odds_log10 for c in found) > SURE_LOG10:
            break
    if not found:
        return Hunt(None, -99.0, examined)
    found.sort(key=lambda c: -c.assessment.odds_log10)
    best = found[0]
    others = [c.assessment.odds_log10 for c in found[1:] if not _same_place(c.wcs, best.wcs, image)]
    return Hunt(best, max(others, default=-99.0), examined)


def second_look(
    first: Hunt,
    image: ImageStars,
    catalogue: SolveCatalogue,
    proposer: SolveCatalogue,
    prior: Prior,
) -> Hunt:
    """A hunt with the best pose another catalogue proposes, weighed by the hunt's own."""
    again = hunt(image, proposer, prior)
    weighed = None if again.best is None else _weigh(again.best.wcs, image, catalogue, prior, 6.0)
    if weighed is None:
        return first
    both = [c for c in (weighed, first.best) if c is not None]
    both.sort(key=lambda c: -c.assessment.odds_log10)
    others = [first.runner_up_log10, again.runner_up_log10]
    others += [
        c.assessment.odds_log10 for c in both[1:] if not _same_place(c.wcs, both[0].wcs, image)
    ]
    return Hunt(both[0], max(others), first.examined + again.examined)


def look_with_own(
    first: Hunt, image: ImageStars, catalogue: SolveCatalogue, prior: Prior
) -> tuple[Hunt, int]:
    """A hunt among own stars too, no surer than the frames they come from; how many it matched.

    The best pose of the ``first`` hunt, without them, stands against any other place.
    """
    again = hunt(image, catalogue, prior)
    odds = catalogue.own_odds_log10
    if again.best is None or odds is None:
        return first, 0
    evidence = again.best.assessment
    of_frames = odds[again.best.rows[evidence.pairs_catalogue]]
    own = int(np.count_nonzero(np.isfinite(of_frames)))
    best = again.best
    if own:
        capped = min(evidence.odds_log10, float(np.max(of_frames[np.isfinite(of_frames)])))
        best = replace(best, assessment=replace(evidence, odds_log10=capped))
    against = again.runner_up_log10
    if first.best is not None and not _same_place(first.best.wcs, best.wcs, image):
        against = max(against, first.best.assessment.odds_log10)
    return Hunt(best, against, first.examined + again.examined), own


def predict(
    wcs: TanWcs,
    image: ImageStars,
    catalogue: SolveCatalogue,
    epoch_year: float,
    *,
    cap: int = CATALOGUE_CAP,
) -> tuple[Ints, Floats, Floats, Floats, Floats, bool]:
    """Catalogue stars a pose puts in the frame, brightest first (capped), with pixel places.

    Returns rows, x, y (pixels), ra, dec (degrees) and whether the list was capped.
    """
    ra, dec = wcs.pixel_to_sky((image.width_px - 1) / 2.0, (image.height_px - 1) / 2.0)
    half = float(np.hypot(image.width_px, image.height_px)) / 2.0
    radius = np.degrees(np.arctan(np.radians(half * wcs.scale_arcsec_per_px / 3600.0))) * 1.02
    rows = catalogue.in_cone(float(ra), float(dec), float(min(radius, 60.0)))
    mag = catalogue.grid.mag[rows]
    # The circle round a frame is some twice its area: of a crowded one the brightest few will do.
    for share in (4 * cap, len(rows)):
        some = rows
        if share < len(rows):
            some = rows[mag <= np.partition(mag, share)[share]]
        some = some[np.argsort(catalogue.grid.mag[some], kind="stable")]
        star_ra, star_dec = catalogue.radec_at(some, epoch_year)
        x, y = wcs.sky_to_pixel(star_ra, star_dec)
        inside = (x > 1) & (y > 1) & (x < image.width_px - 2) & (y < image.height_px - 2)
        keep = np.flatnonzero(inside)
        capped = len(keep) > cap
        if capped or len(some) == len(rows):
            break
    keep = keep[:cap]
    return some[keep], x[keep], y[keep], star_ra[keep], star_dec[keep], capped


def _blended(
    x: Floats, y: Floats, ra_deg: Floats, dec_deg: Floats, mag: Floats, within_px: float
) -> tuple[Ints, Floats, Floats, Floats]:
    """Stars as the frame shows them: those close to a brighter one join their light with it.

    Stars sorted brightest first. Returns the positions kept in the list, and ra, dec (degrees;
    the centre of light) and magnitude of each.
    """
    near = np.hypot(x[:, None] - x[None, :], y[:, None] - y[None, :]) < within_px
    brighter = np.tril(near, -1)
    joins = np.where(np.any(brighter, axis=1), np.argmax(brighter, axis=1), np.arange(len(x)))
    light = 10.0 ** (-0.4 * mag)
    ra, dec = np.radians(ra_deg), np.radians(dec_deg)
    weighted = light[:, None] * np.column_stack(
        [np.cos(dec) * np.cos(ra), np.cos(dec) * np.sin(ra), np.sin(dec)]
    )
    total, centre = np.zeros_like(light), np.zeros_like(weighted)
    np.add.at(total, joins, light)
    np.add.at(centre, joins, weighted)
    kept = np.flatnonzero(joins == np.arange(len(x)))
    c = centre[kept]
    return (
        kept,
        np.degrees(np.arctan2(c[:, 1], c[:, 0])) % 360.0,
        np.degrees(np.arctan2(c[:, 2], np.hypot(c[:, 0], c[:, 1]))),
        -2.5 * np.log10(total[kept]),
    )


def _refine(
    pose: Ints,
    image: ImageStars,
    catalogue: SolveCatalogue,
    prior: Prior,
    seen: list[TanWcs],
) -> Candidate | None:
    """Fit and weigh a pose; ``None`` when it is outside the prior or already known."""
    parity = int(pose[1])
    known = pose[2:5] >= 0
    img, cat = pose[2:5][known], pose[5:8][known]
    ra, dec = catalogue.radec_at(cat, prior.epoch_year)
    centre = (image.width_px - 1) / 2.0, (image.height_px - 1) / 2.0
    wcs = fit_tan(
        image.x_px[img], image.y_px[img], ra, dec,
        start=(float(ra[0]), float(dec[0])), centre=centre, parity=parity,
    )  # fmt: skip
    if not _within(wcs, prior, image, slack=1.0) or any(
        _same_place(wcs, other, image) for other in seen
    ):
        return None
    diagonal = float(np.hypot(image.width_px, image.height_px))
    candidate: Candidate | None = None
    for reach in (max(8.0, 0.006 * diagonal), max(6.0, 0.003 * diagonal), 6.0, 6.0):
        candidate = _weigh(wcs, image, catalogue, prior, reach)
        if candidate is None:
            return None
        pairs = candidate.assessment
        if pairs.odds_log10 < HOPELESS_LOG10 or len(pairs.pairs_image) < 2:
            return None
        img, cat = pairs.pairs_image, pairs.pairs_catalogue
        wcs = fit_tan(
            image.x_px[img], image.y_px[img],
            candidate.cat_ra_deg[cat], candidate.cat_dec_deg[cat],
            start=(wcs.ra0_deg, wcs.dec0_deg), centre=centre, parity=parity,
            affine=len(img) >= AFFINE_FROM,
        )  # fmt: skip
    candidate = _weigh(wcs, image, catalogue, prior, 6.0)
    seen.append(wcs)
    if candidate is None or not _within(wcs, prior, image):
        return None
    return candidate


def _weigh(
    wcs: TanWcs, image: ImageStars, catalogue: SolveCatalogue, prior: Prior, reach_px: float
) -> Candidate | None:
    """Evidence for a pose, with close pairs of the catalogue seen apart or as one, as fits best."""
    field = predict(wcs, image, catalogue, prior.epoch_year)
    if len(field[0]) == 0:
        return None
    apart = _weigh_seen(wcs, field, image, catalogue, prior, reach_px, LEAST_BLEND_PX)
    if image.blend_px <= LEAST_BLEND_PX or apart.assessment.odds_log10 < PAST_JOINING_LOG10:
        return apart
    joined = _weigh_seen(wcs, field, image, catalogue, prior, reach_px, image.blend_px)
    if len(joined.rows) == len(apart.rows):
        return apart
    return max(apart, joined, key=lambda candidate: candidate.assessment.odds_log10)


def _weigh_seen(
    wcs: TanWcs,
    field: tuple[Ints, Floats, Floats, Floats, Floats, bool],
    image: ImageStars,
    catalogue: SolveCatalogue,
    prior: Prior,
    reach_px: float,
    blend_px: float,
) -> Candidate:
    rows, x, y, ra, dec, capped = field
    kept, ra, dec, mag = _blended(x, y, ra, dec, catalogue.grid.mag[rows], blend_px)
    rows = rows[kept]
    x, y = wcs.sky_to_pixel(ra, dec)
    used = min(len(image), max(30, 3 * len(rows) + 15))
    scale_deg = wcs.scale_arcsec_per_px / 3600.0
    cone_deg2 = 41253.0 * (1.0 - np.cos(np.radians(prior.cone_radius_deg))) / 2.0
    low, high = prior.scale_range(image.width_px, image.height_px)
    assessment = assess(
        x_px=image.x_px[:used],
        y_px=image.y_px[:used],
        inst_mag=image.inst_mag[:used],
        density=image.density[:used],
        extra_px=image.extra_px[:used],
        cat_x_px=x,
        cat_y_px=y,
        cat_mag=mag,
        cat_limit_mag=catalogue.limit_mag,
        catalogue_is_capped=capped,
        reach_px=reach_px,
        cone_area_px=max(1.0, cone_deg2 / scale_deg**2),
        rotation_range_rad=2.0 * np.pi
        if prior.rotation_deg is None
        else 2.0 * float(np.radians(prior.rotation_tolerance_deg)),
        ln_scale_range=float(np.log(high / low)),
        parities=2 if prior.parity is None else 1,
        own_error_px=None
        if catalogue.own_error_arcsec is None
        else catalogue.own_error_arcsec[rows] / wcs.scale_arcsec_per_px,
    )
    return Candidate(wcs, assessment, rows, ra, dec, mag)


def _within(wcs: TanWcs, prior: Prior, image: ImageStars, *, slack: float = 0.0) -> bool:
    """Whether a pose lies in the prior; ``slack`` in degrees for poses not yet refined."""
    low, high = prior.scale_range(image.width_px, image.height_px)
    margin = 1.002 + 0.02 * slack
    if not low / margin <= wcs.scale_arcsec_per_px <= high * margin:
        return False
    if prior.parity is not None and wcs.parity != prior.parity:
        return False
    if prior.rotation_deg is not None:
        turn = abs((wcs.rotation_deg - prior.rotation_deg + 180.0) % 360.0 - 180.0)
        if turn > prior.rotation_tolerance_deg + 5.0 * slack:
            return False
    if prior.ra_deg is None or prior.dec_deg is None:
        return True
    a, b = np.radians([wcs.dec0_deg, prior.dec_deg])
    d = np.radians(wcs.ra0_deg - prior.ra_deg)
    away = np.arccos(np.clip(np.sin(a) * np.sin(b) + np.cos(a) * np.cos(b) * np.cos(d), -1.0, 1.0))
    return bool(np.degrees(away) <= prior.cone_radius_deg + slack)


def _same_place(a: TanWcs, b: TanWcs, image: ImageStars) -> bool:
    """Whether two poses put the frame's corners within a few pixels of each other."""
    if a.parity != b.parity:
        return False
    x = np.array([0.0, image.width_px - 1.0, 0.0])
    y = np.array([0.0, 0.0, image.height_px - 1.0])
    bx, by = b.sky_to_pixel(*a.pixel_to_sky(x, y))
    gap = np.hypot(bx - x, by - y)
    return bool(np.all(gap < 0.01 * np.hypot(image.width_px, image.height_px)))
