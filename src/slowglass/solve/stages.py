"""The searches, in the order of their cost: which triangles and pairs to try, and where."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt

from slowglass.solve.catalogue import SolveCatalogue
from slowglass.solve.index import PAIR_FIRST, PAIR_SECOND, Depth
from slowglass.solve.odds import brightness_density
from slowglass.solve.search import FOUND_COLUMNS, list_pairs, search_pairs, search_triangles
from slowglass.solve.types import Prior

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

SEARCH_STARS = 24
"""Image stars that may make hypotheses or confirm them in the quick count."""
WEIGH_STARS = 220
PATIENCE = 8
"""Of the brightest stars so many (those that made the pose among them) may all miss before a pose
is passed over in a search of the whole sky, whose frames must hold six catalogue stars or so."""
MAG_WINDOW = 2.2
LEAST_BLEND_PX = 4.0
"""Stars closer than this are always taken for one."""
KEPT_POSES = 100
STAGE_BUDGET = 1_500_000
"""Candidates a depth may cost in one stage: about a second."""
SHARP_PX = 0.35
"""Positional error of a sharp frame's stars. Assumed first: a search costs the square of it, and in
a frame of few pixels only so sure triangles have shapes at all."""
SHAPE_ERROR = 3e-4
WIDE_FIELDS_DEG = (18.0, 26.0, 36.0, 48.0)
"""Longer sides assumed in turn for frames whose stretch toward the edges spoils shapes."""
WIDE_STEP = 1.2
WIDE_SHAPE_ERROR = 4e-3

Stage = Callable[[], tuple[Ints, int]]
"""Returns the best poses, rows of ``FOUND_COLUMNS``, and how many candidates were examined."""


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
    blend_px: float = LEAST_BLEND_PX
    """Catalogue stars closer than this may appear as one."""

    @classmethod
    def build(
        cls,
        x_px: Floats,
        y_px: Floats,
        flux: Floats,
        width_px: int,
        height_px: int,
        extra_px: Floats | None = None,
        *,
        blend_px: float = LEAST_BLEND_PX,
    ) -> ImageStars:
        """Sort and cap a star list; ``flux`` in any linear unit, positive."""
        order = np.argsort(-flux, kind="stable")[:WEIGH_STARS]
        x, y = np.ascontiguousarray(x_px[order]), np.ascontiguousarray(y_px[order])
        _, density = brightness_density(x, y, float(width_px) * height_px, float(width_px))
        extra = np.zeros(len(order)) if extra_px is None else extra_px[order]
        mag = -2.5 * np.log10(flux[order])
        return cls(x, y, mag, density, extra, width_px, height_px, blend_px)

    def __len__(self) -> int:
        return len(self.x_px)


def stages(image: ImageStars, catalogue: SolveCatalogue, prior: Prior) -> Iterator[Stage]:
    """Searches in the order of their cost, each a callable filling an array of poses."""
    few = min(len(image), 6)
    more = min(len(image), 10)
    many = min(len(image), 15)
    yield _triangle_stage(image, catalogue, prior, 0, more, SHARP_PX)
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
    x, y, growth = image.x_px, image.y_px, SHAPE_ERROR
    if assumed_scale_rad is not None:
        x, y = _unstretched(image, assumed_scale_rad)
        growth = WIDE_SHAPE_ERROR
    triples = np.array(
        [t for t in combinations(range(reach), 3) if t[2] >= known], dtype=np.int64
    ).reshape(-1, 3)
    scale_low, scale_high = _scale_range_rad(image, prior)
    if assumed_scale_rad is not None:
        scale_low = max(scale_low, assumed_scale_rad / WIDE_STEP)
        scale_high = min(scale_high, assumed_scale_rad * WIDE_STEP)
    cone, cone_cos = _cone(image, prior)
    order = _confirming(image)
    least_hits = 1 if len(image) > 3 else 0
    patience = SEARCH_STARS if prior.has_pointing else PATIENCE
    grid = catalogue.grid

    def at_depth(job: tuple[Depth, float, float]) -> tuple[Ints, int]:
        depth, low, high = job
        found = np.zeros((KEPT_POSES, FOUND_COLUMNS), dtype=np.int64)
        count, examined = search_triangles(
            x, y, image.inst_mag, order, triples, position_error_px,
            depth.star, depth.neighbours, depth.packed, depth.cell_first,
            PAIR_FIRST, PAIR_SECOND,
            *grid.args(),
            low, high, prior.parity or 0, *_rotation(prior),
            cone, cone_cos, MAG_WINDOW, growth, patience, least_hits, STAGE_BUDGET, found, 0,
        )  # fmt: skip
        return found[:count], examined

    def run() -> tuple[Ints, int]:
        jobs = []
        for level, depth in enumerate(catalogue.depths):
            low, high = _depth_scales(
                image, len(depth.star) / catalogue.area_sr, deepest=level == 0
            )
            low, high = max(low, scale_low), min(high, scale_high)
            if low < high:
                jobs.append((depth, low, high))
        if len(jobs) < 2:
            done = [at_depth(job) for job in jobs]
        else:  # the search releases the interpreter's lock
            with ThreadPoolExecutor(max_workers=2) as pool:
                done = list(pool.map(at_depth, jobs))
        poses = np.concatenate([np.zeros((0, FOUND_COLUMNS), np.int64), *(f for f, _ in done)])
        best = np.argsort(-poses[:, 0], kind="stable")[:KEPT_POSES]
        return poses[best], sum(examined for _, examined in done)

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

    def run() -> tuple[Ints, int]:
        scale_low, scale_high = _scale_range_rad(image, prior)
        diagonal_px = float(np.hypot(image.width_px, image.height_px))
        members = _cone_members(image, catalogue, prior)
        grid = catalogue.grid
        members = members[np.argsort(grid.vectors[members, 2], kind="stable")]
        first, second, length = list_pairs(grid.vectors, members, diagonal_px * scale_high)
        by_length = np.argsort(length, kind="stable")
        # Two stars alone may be enough where the prior leaves few pairs to choose among.
        least_hits = 0 if prior.scale_tolerance <= 0.01 and len(length) < 4000 else 1
        found = np.zeros((KEPT_POSES, FOUND_COLUMNS), dtype=np.int64)
        count, examined = search_pairs(
            image.x_px, image.y_px, image.inst_mag, _confirming(image), pairs, 1.0,
            first[by_length], second[by_length], length[by_length],
            *grid.args(),
            scale_low, scale_high, prior.parity or 0, *_rotation(prior),
            MAG_WINDOW, SHAPE_ERROR, least_hits, found, 0,
        )  # fmt: skip
        return found[:count], examined

    return run


def _confirming(image: ImageStars) -> Ints:
    """Image stars that may confirm a pose in the quick count, brightest first."""
    return np.arange(min(SEARCH_STARS, len(image)), dtype=np.int64)


def _scale_range_rad(image: ImageStars, prior: Prior) -> tuple[float, float]:
    """Least and greatest angle, radians, that a pixel anywhere in the frame may cover.

    Gnomonic pictures stretch toward their corners: there a pixel covers less than at the centre,
    by the square of the cosine.
    """
    low, high = np.radians(prior.scale_range(image.width_px, image.height_px)) / 3600.0
    half_diagonal_px = float(np.hypot(image.width_px, image.height_px)) / 2.0
    return float(low / (1.0 + (half_diagonal_px * low) ** 2)), float(high)


def _depth_scales(image: ImageStars, per_sr: float, *, deepest: bool) -> tuple[float, float]:
    """Pixel scales, radians, at which a frame holds a useful share of a depth's stars.

    On average over the catalogue: crowded and empty regions differ from it some tenfold.
    """
    fewest, most = (0.04 if deepest else 0.8), 60.0
    per_frame = per_sr * image.width_px * image.height_px
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
