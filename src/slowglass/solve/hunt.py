"""From a star list to the best-supported pose: search, refine, weigh."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt

from slowglass.sky.wcs import TanWcs
from slowglass.solve.catalogue import SolveCatalogue
from slowglass.solve.fit import AFFINE_FROM, fit_tan
from slowglass.solve.index import PAIR_FIRST, PAIR_SECOND
from slowglass.solve.odds import Assessment, assess, brightness_density
from slowglass.solve.search import FOUND_COLUMNS, list_pairs, search_pairs, search_triangles
from slowglass.solve.types import Prior

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

SEARCH_STARS = 24
"""Image stars that may make hypotheses or confirm them in the quick count."""
WEIGH_STARS = 220
CATALOGUE_CAP = 70
MAG_WINDOW = 2.2
SURE_LOG10 = 9.0
"""Odds at which the search stops looking for anything better."""
KEPT_POSES = 100
STAGE_BUDGET = 4_000_000
"""Candidates a depth may cost in one stage: about a second."""
HOPELESS_LOG10 = -12.0
"""A pose weighed this low before it is refined is dropped: with residuals of 4 px in place of
half a pixel a right pose loses some two powers of ten a star, never so much."""
WIDE_FIELDS_DEG = (18.0, 26.0, 36.0, 48.0)
"""Longer sides assumed in turn for frames whose stretch toward the edges spoils shapes."""
WIDE_STEP = 1.2
WIDE_SHAPE_ERROR = 4e-3

Stage = Callable[[Ints, Ints, float, float], tuple[int, int]]
"""Fills (poses, given the search order and the scale range in radians per pixel); returns how many
poses were kept and how many candidates were examined."""


@dataclass(frozen=True)
class ImageStars:
    """Image stars for a solve, brightest first, with the prior densities of chance stars."""

    x_px: Floats
    y_px: Floats
    inst_mag: Floats
    density: Floats
    extra_px: Floats
    """Positional error of a star beyond the frame's own: saturated stars bleed."""
    width_px: int
    height_px: int

    @classmethod
    def build(
        cls,
        x_px: Floats,
        y_px: Floats,
        flux: Floats,
        width_px: int,
        height_px: int,
        extra_px: Floats | None = None,
    ) -> ImageStars:
        """Sort and cap a star list; ``flux`` in any linear unit, positive."""
        order = np.argsort(-flux, kind="stable")[:WEIGH_STARS]
        x, y = np.ascontiguousarray(x_px[order]), np.ascontiguousarray(y_px[order])
        _, density = brightness_density(x, y, float(width_px) * height_px, float(width_px))
        extra = np.zeros(len(order)) if extra_px is None else extra_px[order]
        return cls(x, y, -2.5 * np.log10(flux[order]), density, extra, width_px, height_px)

    def __len__(self) -> int:
        return len(self.x_px)


@dataclass(frozen=True)
class Candidate:
    """A refined pose and its evidence."""

    wcs: TanWcs
    assessment: Assessment
    rows: Ints
    """Catalogue rows of the weighed stars; the assessment's pairs index into it."""
    cat_ra_deg: Floats
    cat_dec_deg: Floats


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
    order = np.arange(min(SEARCH_STARS, len(image)), dtype=np.int64)
    scale_low, scale_high = (
        np.radians(s / 3600.0) for s in prior.scale_range(image.width_px, image.height_px)
    )
    seen: list[TanWcs] = []
    for stage in _stages(image, catalogue, prior):
        poses = np.zeros((KEPT_POSES, FOUND_COLUMNS), dtype=np.int64)
        count, looked = stage(poses, order, scale_low, scale_high)
        examined += looked
        for pose in poses[:count]:
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


def _stages(image: ImageStars, catalogue: SolveCatalogue, prior: Prior) -> Iterator[Stage]:
    """Searches in the order of their cost, each a callable filling an array of poses."""
    few = min(len(image), 6)
    more = min(len(image), 10)
    many = min(len(image), 15)
    yield _triangle_stage(image, catalogue, prior, 0, few, 0.8)
    if prior.has_pointing and _pairs_are_few(image, catalogue, prior):
        yield _triangle_stage(image, catalogue, prior, few, more, 0.8)
        yield _pair_stage(image, catalogue, prior, 0, 5)
        yield _triangle_stage(image, catalogue, prior, 0, more, 2.0)
        yield _pair_stage(image, catalogue, prior, 0, 9)
    else:
        yield _triangle_stage(image, catalogue, prior, few, more, 0.8)
        yield _triangle_stage(image, catalogue, prior, 0, more, 2.0)
    yield _triangle_stage(image, catalogue, prior, more, many, 1.2)
    for field_deg in WIDE_FIELDS_DEG:
        low, high = prior.scale_range(image.width_px, image.height_px)
        assumed = field_deg * 3600.0 / max(image.width_px, image.height_px)
        if low <= assumed * WIDE_STEP and high >= assumed / WIDE_STEP:
            yield _triangle_stage(
                image, catalogue, prior, 0, more, 1.0, assumed_scale_rad=np.radians(assumed / 3600)
            )


def _triangle_stage(
    image: ImageStars,
    catalogue: SolveCatalogue,
    prior: Prior,
    known: int,
    reach: int,
    position_error_px: float,
    *,
    assumed_scale_rad: float | None = None,
) -> Stage:
    """Triangles among the brightest ``reach`` stars, those among the first ``known`` left out.

    A gnomonic picture of a wide field stretches toward its edges; with ``assumed_scale_rad`` the
    search sees it through the stereographic projection, which keeps small shapes true.
    """
    x, y, growth = image.x_px, image.y_px, 3e-4
    if assumed_scale_rad is not None:
        x, y = _unstretched(image, assumed_scale_rad)
        growth = WIDE_SHAPE_ERROR
    triples = np.array(
        [t for t in combinations(range(reach), 3) if t[2] >= known], dtype=np.int64
    ).reshape(-1, 3)
    cone, cone_cos = _cone(image, prior)

    def run(poses: Ints, order: Ints, scale_low: float, scale_high: float) -> tuple[int, int]:
        count, examined = 0, 0
        grid = catalogue.grid
        least_hits = 1 if len(image) > 3 else 0
        for level, depth in enumerate(catalogue.depths):
            low, high = _depth_scales(image, len(depth.star), deepest=level == 0)
            low, high = max(low, scale_low), min(high, scale_high)
            if assumed_scale_rad is not None:
                low = max(low, assumed_scale_rad / WIDE_STEP)
                high = min(high, assumed_scale_rad * WIDE_STEP)
            if low >= high:
                continue
            count, looked = search_triangles(
                x, y, image.inst_mag, order, triples, position_error_px,
                depth.star, depth.neighbours, depth.packed, depth.cell_first,
                PAIR_FIRST, PAIR_SECOND,
                grid.vectors, grid.mag, grid.band_first, grid.cell_first,
                low, high, prior.parity or 0, *_rotation(prior),
                cone, cone_cos, MAG_WINDOW, growth, least_hits, STAGE_BUDGET, poses, count,
            )  # fmt: skip
            examined += looked
        return count, examined

    return run


def _unstretched(image: ImageStars, scale_rad: float) -> tuple[Floats, Floats]:
    """Pixel places as a stereographic camera of the same central scale would have them."""
    dx = image.x_px - (image.width_px - 1) / 2.0
    dy = image.y_px - (image.height_px - 1) / 2.0
    r = np.maximum(np.hypot(dx, dy), 1e-9)
    shrink = 2.0 * np.tan(np.arctan(r * scale_rad) / 2.0) / scale_rad / r
    return dx * shrink, dy * shrink


def _pair_stage(
    image: ImageStars, catalogue: SolveCatalogue, prior: Prior, known: int, reach: int
) -> Stage:
    reach = min(reach, len(image))
    pairs = np.array(
        [p for p in combinations(range(reach), 2) if p[1] >= known], dtype=np.int64
    ).reshape(-1, 2)

    def run(poses: Ints, order: Ints, scale_low: float, scale_high: float) -> tuple[int, int]:
        diagonal_px = float(np.hypot(image.width_px, image.height_px))
        members = _cone_members(image, catalogue, prior)
        grid = catalogue.grid
        members = members[np.argsort(grid.vectors[members, 2], kind="stable")]
        first, second, length = list_pairs(grid.vectors, members, diagonal_px * scale_high)
        by_length = np.argsort(length, kind="stable")
        tight = prior.scale_tolerance <= 0.01
        count, examined = search_pairs(
            image.x_px, image.y_px, image.inst_mag, order, pairs, 1.0,
            first[by_length], second[by_length], length[by_length],
            grid.vectors, grid.mag, grid.band_first, grid.cell_first,
            scale_low, scale_high, prior.parity or 0, *_rotation(prior),
            MAG_WINDOW, 3e-4, 0 if tight and len(length) < 4000 else 1, poses, 0,
        )  # fmt: skip
        return count, examined

    return run


def _depth_scales(image: ImageStars, stars: int, *, deepest: bool) -> tuple[float, float]:
    """Pixel scales, radians, at which a frame holds a useful share of a depth's stars.

    On average over the sky: crowded and empty regions differ from it some tenfold.
    """
    fewest, most = (0.04 if deepest else 0.8), 60.0
    per_frame = stars * image.width_px * image.height_px / (4.0 * np.pi)
    return float(np.sqrt(fewest / per_frame)), float(np.sqrt(most / per_frame))


def _rotation(prior: Prior) -> tuple[float, float]:
    if prior.rotation_deg is None:
        return 0.0, 4.0
    return float(np.radians(prior.rotation_deg)), float(np.radians(prior.rotation_tolerance_deg))


def _half_diagonal_deg(image: ImageStars, prior: Prior) -> float:
    _, scale_high = prior.scale_range(image.width_px, image.height_px)
    return float(np.hypot(image.width_px, image.height_px)) / 2.0 * scale_high / 3600.0


def _cone(image: ImageStars, prior: Prior) -> tuple[Floats, float]:
    """Direction and cosine of the cone that any star of the frame lies in."""
    if prior.ra_deg is None or prior.dec_deg is None:
        return np.array([0.0, 0.0, 1.0]), -2.0
    radius = prior.cone_radius_deg + _half_diagonal_deg(image, prior)
    ra, dec = np.radians(prior.ra_deg), np.radians(prior.dec_deg)
    direction = np.array([np.cos(dec) * np.cos(ra), np.cos(dec) * np.sin(ra), np.sin(dec)])
    return direction, float(np.cos(np.radians(min(180.0, radius))))


def _cone_members(image: ImageStars, catalogue: SolveCatalogue, prior: Prior) -> Ints:
    assert prior.ra_deg is not None and prior.dec_deg is not None
    radius = prior.cone_radius_deg + _half_diagonal_deg(image, prior)
    return catalogue.in_cone(prior.ra_deg, prior.dec_deg, min(180.0, radius))


def _pairs_are_few(image: ImageStars, catalogue: SolveCatalogue, prior: Prior) -> bool:
    """Whether every pair in the cone can be tried: few stars to a frame, and a known scale."""
    if prior.scale_arcsec_per_px is None or prior.scale_tolerance > 0.12:
        return False
    members = len(_cone_members(image, catalogue, prior))
    cone_deg2 = (
        41253.0
        * (1.0 - np.cos(np.radians(prior.cone_radius_deg + _half_diagonal_deg(image, prior))))
        / 2.0
    )
    in_reach = members * np.pi * (2.0 * _half_diagonal_deg(image, prior)) ** 2 / cone_deg2
    return members * min(in_reach, members) / 2.0 < 1.2e6


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
    rows = rows[np.argsort(catalogue.grid.mag[rows], kind="stable")]
    star_ra, star_dec = catalogue.radec_at(rows, epoch_year)
    x, y = wcs.sky_to_pixel(star_ra, star_dec)
    inside = (x > 1) & (y > 1) & (x < image.width_px - 2) & (y < image.height_px - 2)
    keep = np.flatnonzero(inside)
    capped = len(keep) > cap
    keep = keep[:cap]
    return rows[keep], x[keep], y[keep], star_ra[keep], star_dec[keep], capped


def _uncrowded(x: Floats, y: Floats, within_px: float) -> Ints:
    """Positions of the stars (sorted brightest first) that no brighter one crowds."""
    near = np.hypot(x[:, None] - x[None, :], y[:, None] - y[None, :]) < within_px
    return np.flatnonzero(~np.any(np.tril(near, -1), axis=1))


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
    rows, x, y, ra, dec, capped = predict(wcs, image, catalogue, prior.epoch_year)
    if len(rows) == 0:
        return None
    single = _uncrowded(x, y, 4.0)
    rows, x, y, ra, dec = rows[single], x[single], y[single], ra[single], dec[single]
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
        cat_mag=catalogue.grid.mag[rows],
        cat_limit_mag=catalogue.limit_mag,
        catalogue_is_capped=capped,
        reach_px=reach_px,
        cone_area_px=max(1.0, cone_deg2 / scale_deg**2),
        rotation_range_rad=2.0 * np.pi
        if prior.rotation_deg is None
        else 2.0 * float(np.radians(prior.rotation_tolerance_deg)),
        ln_scale_range=float(np.log(high / low)),
        parities=2 if prior.parity is None else 1,
    )
    return Candidate(wcs, assessment, rows, ra, dec)


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
