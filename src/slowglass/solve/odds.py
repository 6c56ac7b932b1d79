"""The log-odds of a pose: how much better it explains the frame than chance does.

For each catalogue star that should be in the frame there are two accounts. If the pose is right
the star is found with known probability, close to its place and at its brightness (up to a common
zero point); if it is wrong, an image star lies there only as often as image stars of that
brightness lie anywhere nearby. Catalogue stars that are absent, and bright image stars that
are in no catalogue, count against the pose. The evidence is then averaged over the prior: a pose
fitted within a few pixels in a whole sky of places pays for having been chosen among them
(the Occam factor of Bayesian model comparison; MacKay 2003, ch. 28). Written out with its
assumptions in ``docs/design/solve-odds.md``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

SIGMAS_PX = (0.12, 0.25, 0.5, 1.0, 2.0, 4.0)
"""Positional error is not known beforehand: each of these is given equal weight."""
MAG_SIGMA = 0.45
MAG_SIGMA_WIDE = 1.6
WIDE_SHARE = 0.15
"""Brightness scatter between catalogue and camera bands, with a wide part for variable, very red
and saturated stars (set from the real plates and raw frames; no published source)."""
ZERO_POINT_RANGE_MAG = 10.0
P_FOUND = 0.96
P_MISSED = 0.04
P_OWN_REAL = 0.9
"""Share of own stars that are there: two frames bore them out, the archive did not."""
P_UNLISTED = 0.06
"""Share of bright image stars that no catalogue lists: planets, variables, artefacts."""
COUNT_SLOPE = 0.92
"""d ln N / d mag of image stars: 0.4 dex per magnitude, the local slope of the counts law."""


@dataclass(frozen=True)
class Assessment:
    """Evidence for one pose."""

    odds_log10: float
    pairs_image: Ints
    pairs_catalogue: Ints
    zero_point: float
    sigma_px: float
    missing: int
    unlisted: int


def brightness_density(
    x_px: Floats, y_px: Floats, area_px: float, width_px: float
) -> tuple[Floats, Floats]:
    """Image stars per pixel² and magnitude expected by chance at each star, shape (n,) each.

    Stars must be sorted brightest first. The first value is the frame's mean, the second the
    larger of it and the density within a twelfth of the frame's width, so that chance
    coincidences in a crowded cluster count as the cheap thing they are.
    """
    n = len(x_px)
    rank = np.arange(n) + 1.0
    mean = np.asarray(COUNT_SLOPE * rank / area_px, dtype=np.float64)
    radius = width_px / 12.0
    local = np.empty(n)
    for k in range(n):
        brighter = slice(0, k)
        near = np.hypot(x_px[brighter] - x_px[k], y_px[brighter] - y_px[k]) < radius
        local[k] = COUNT_SLOPE * np.count_nonzero(near) / (np.pi * radius**2)
    return mean, np.maximum(mean, local)


def mag_density(delta_mag: Floats) -> Floats:
    """Probability per magnitude of a brightness residual."""

    def gauss(sigma: float) -> Floats:
        return np.exp(-0.5 * (delta_mag / sigma) ** 2) / (np.sqrt(2.0 * np.pi) * sigma)

    return (1.0 - WIDE_SHARE) * gauss(MAG_SIGMA) + WIDE_SHARE * gauss(MAG_SIGMA_WIDE)


def occam_ln(
    matched: int,
    spread_px: float,
    sigma_px: float,
    *,
    cone_area_px: float,
    rotation_range_rad: float,
    ln_scale_range: float,
    parities: int,
) -> float:
    """Natural log of posterior over prior volume of the four pose parameters and parity.

    Centre to σ/√n, rotation and log-scale to σ/(√n · spread), zero point to the brightness
    scatter over √n; each side's volume is that of a Gaussian, (2π)^½ σ.
    """
    root = np.sqrt(max(matched, 1))
    centre = min(1.0, 2.0 * np.pi * (sigma_px / root) ** 2 / cone_area_px)
    angle = np.sqrt(2.0 * np.pi) * sigma_px / (root * max(spread_px, 1.0))
    turn = min(1.0, angle / rotation_range_rad)
    stretch = min(1.0, angle / ln_scale_range)
    zero = min(1.0, np.sqrt(2.0 * np.pi) * MAG_SIGMA / root / ZERO_POINT_RANGE_MAG)
    return float(np.log(centre) + np.log(turn) + np.log(stretch) + np.log(zero / parities))


def assess(
    *,
    x_px: Floats,
    y_px: Floats,
    inst_mag: Floats,
    density: Floats,
    extra_px: Floats,
    cat_x_px: Floats,
    cat_y_px: Floats,
    cat_mag: Floats,
    cat_limit_mag: float,
    catalogue_is_capped: bool,
    reach_px: float,
    cone_area_px: float,
    rotation_range_rad: float,
    ln_scale_range: float,
    parities: int,
    own_error_px: Floats | None = None,
) -> Assessment:
    """Evidence for a pose, from image stars and the catalogue stars it puts in the frame.

    Both lists sorted brightest first. ``catalogue_is_capped`` says that only the brightest
    catalogue stars of the frame are given, down to the last one's magnitude. ``own_error_px`` is
    0 for listed stars, else the error of the place of an own star.
    """
    n_img, n_cat = len(x_px), len(cat_x_px)
    nothing = np.empty(0, dtype=np.int64)
    if n_img == 0 or n_cat == 0:
        return Assessment(-99.0, nothing, nothing, 0.0, np.nan, n_cat, 0)
    distance = np.hypot(cat_x_px[:, None] - x_px[None, :], cat_y_px[:, None] - y_px[None, :])
    zero_point = _zero_point(distance, inst_mag, cat_mag, reach_px)
    if zero_point is None:
        return Assessment(-99.0, nothing, nothing, 0.0, np.nan, n_cat, 0)
    cat_index, img_index = _pair_up(distance, inst_mag, cat_mag, zero_point, reach_px)
    d = distance[cat_index, img_index]
    delta = cat_mag[cat_index] - inst_mag[img_index] - zero_point

    faintest = inst_mag[-1] + zero_point
    p_miss = np.where(cat_mag > faintest - 0.7, 0.5, P_MISSED)
    absent = np.ones(n_cat, dtype=bool)
    absent[cat_index] = False
    # A star lost in the light of a brighter image star is no great surprise.
    brighter = (inst_mag + zero_point)[None, :] < cat_mag[:, None] - 1.0
    blended = np.any((distance < 4.0 * reach_px) & brighter, axis=1)
    p_miss = np.where(blended, np.maximum(p_miss, 0.3), p_miss)
    error = np.zeros(n_cat) if own_error_px is None else own_error_px
    real = np.where(error > 0.0, P_OWN_REAL, 1.0)
    p_miss = 1.0 - real * (1.0 - p_miss)
    ln_absent = float(np.sum(np.log(p_miss[absent])))

    listed_to = min(cat_limit_mag, cat_mag[-1] if catalogue_is_capped else np.inf)
    bright = inst_mag + zero_point < listed_to - 1.0
    bright[img_index] = False
    unlisted = int(np.count_nonzero(bright))
    ln_unlisted = unlisted * np.log(P_UNLISTED)

    spread = float(
        np.sqrt(
            np.mean(
                (x_px[img_index] - np.mean(x_px[img_index])) ** 2
                + (y_px[img_index] - np.mean(y_px[img_index])) ** 2
            )
        )
    )
    ln_mag = np.log(mag_density(delta))
    ln_chance = np.log(density[img_index])
    per_sigma = []
    for sigma in SIGMAS_PX:
        variance = sigma**2 + extra_px[img_index] ** 2 + error[cat_index] ** 2
        ln_place = -0.5 * d**2 / variance - np.log(2.0 * np.pi * variance)
        ln_found = np.log(P_FOUND * real[cat_index]) + ln_place + ln_mag - ln_chance
        counts = ln_found > np.log(p_miss[cat_index])
        ln_pairs = np.where(counts, ln_found, np.log(p_miss[cat_index]))
        matched = int(np.count_nonzero(counts))
        per_sigma.append(
            float(np.sum(ln_pairs))
            + occam_ln(
                matched,
                spread,
                float(np.sqrt(np.exp(np.mean(np.log(variance))))),
                cone_area_px=cone_area_px,
                rotation_range_rad=rotation_range_rad,
                ln_scale_range=ln_scale_range,
                parities=parities,
            )
        )
    best = int(np.argmax(per_sigma))
    total = float(np.logaddexp.reduce(per_sigma)) - np.log(len(SIGMAS_PX))
    sigma = SIGMAS_PX[best]
    good = d < 4.0 * np.sqrt(sigma**2 + extra_px[img_index] ** 2 + error[cat_index] ** 2)
    return Assessment(
        (total + ln_absent + ln_unlisted) / np.log(10.0),
        img_index[good],
        cat_index[good],
        zero_point,
        sigma,
        int(np.count_nonzero(absent)),
        unlisted,
    )


def _zero_point(
    distance: Floats, inst_mag: Floats, cat_mag: Floats, reach_px: float
) -> float | None:
    """Median brightness offset of the mutually nearest pairs within reach."""
    nearest = np.argmin(distance, axis=1)
    rows = np.arange(len(cat_mag))
    close = distance[rows, nearest] < reach_px
    if not np.any(close):
        return None
    offsets = cat_mag[close] - inst_mag[nearest[close]]
    return float(np.median(offsets))


def _pair_up(
    distance: Floats, inst_mag: Floats, cat_mag: Floats, zero_point: float, reach_px: float
) -> tuple[Ints, Ints]:
    """One-to-one pairs within reach, the best-fitting first."""
    cat, img = np.nonzero(distance < reach_px)
    delta = cat_mag[cat] - inst_mag[img] - zero_point
    fit = (distance[cat, img] / (0.4 * reach_px)) ** 2 + np.minimum(delta**2, 16.0)
    keep = np.abs(delta) < 4.0
    order = np.argsort(fit[keep], kind="stable")
    used_cat: set[int] = set()
    used_img: set[int] = set()
    pairs: list[tuple[int, int]] = []
    for c, i in zip(cat[keep][order], img[keep][order], strict=True):
        if c not in used_cat and i not in used_img:
            used_cat.add(int(c))
            used_img.add(int(i))
            pairs.append((int(c), int(i)))
    pairs.sort()
    array = np.array(pairs, dtype=np.int64).reshape(-1, 2)
    return array[:, 0], array[:, 1]
