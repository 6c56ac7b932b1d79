"""Where each frame lies on the reference, from its stars alone.

Every pair of stars in the frame is tried against every pair of equal length in the reference;
each trial is a full similarity, judged by how many other stars it explains. One telescope's
scale differs by a few per cent only and is tried first, then that of others; turns, flips of
the mount by 180° and shifts of any size are found alike. The chance that unrelated stars would
agree as well decides acceptance, so three stars can be enough and thirty wrong ones are not.

A fixed pattern (hot pixels, amplifier glow) always offers the perfect but false answer "no
movement". Sources that never leave their pixel are therefore set aside first, and count only
when no moving solution stands on its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree
from scipy.special import betainc

from slowglass.finish.bend import pair_up
from slowglass.finish.geometry import Floats, Similarity, fit_similarity
from slowglass.progress import Report, silent

BRIGHTEST = 40
"""Stars per frame used to form trials; 40 give 780 pairs, far more than voting needs."""
FINE_STARS = 400
"""Stars per frame used for the final fit."""
BRIGHTEST_ANY_SCALE = 25
OTHER_SCALES = (0.3, 3.3)
"""Scales tried when one telescope's does not fit: another focal length. Fewer stars, as every
pair then meets many."""
Scales = tuple[float, float]
"""Least and largest reference pixels per frame pixel."""
ACCEPT_LOG10 = -3.0
"""Largest accepted log10 of the expected number of equally good chance agreements."""


@dataclass(frozen=True)
class Match:
    """A frame's place on the reference, or the reason why it has none."""

    transform: Similarity | None
    reason: str = ""
    pairs: npt.NDArray[np.intp] | None = None
    """(m, 2): index in the frame's list, index in the reference list."""
    rms_px: float = float("nan")
    chance_log10: float = 0.0

    @property
    def found(self) -> bool:
        """True when the frame has a place."""
        return self.transform is not None


@dataclass(frozen=True)
class Sources:
    """Star positions of one frame, brightest first, and which of them look like a hot pixel."""

    xy_px: Floats
    sharp: npt.NDArray[np.bool_]
    """Narrower than the optics can make a star."""

    def take(self, keep: npt.NDArray[np.bool_]) -> tuple[Sources, npt.NDArray[np.intp]]:
        """The chosen sources, and their places in this list."""
        index = np.flatnonzero(keep)
        return Sources(self.xy_px[index], self.sharp[index]), index


def _trials(ref: Floats, xy: Floats, scales: Scales) -> tuple[Floats, Floats]:
    """All similarities (a, b as complex arrays) that carry a pair of ``xy`` onto one of ``ref``."""
    z, w = xy[:, 0] + 1j * xy[:, 1], ref[:, 0] + 1j * ref[:, 1]
    i, j = np.triu_indices(len(w), 1)
    first, second = np.triu_indices(len(z), 1)
    ref_step, step = w[j] - w[i], z[second] - z[first]
    order = np.argsort(np.abs(step))
    lengths = np.abs(step)[order]
    shortest = 8.0
    chosen_ref, chosen = [], []
    low = np.searchsorted(lengths, np.abs(ref_step) / scales[1] - 1.0)
    high = np.searchsorted(lengths, np.abs(ref_step) / scales[0] + 1.0)
    for pair in np.flatnonzero((np.abs(ref_step) > shortest) & (high > low)):
        found = order[low[pair] : high[pair]]
        chosen.append(found)
        chosen_ref.append(np.full(len(found), pair))
    if not chosen:
        return np.empty(0, complex), np.empty(0, complex)
    q, p = np.concatenate(chosen), np.concatenate(chosen_ref)
    keep = np.abs(step[q]) > shortest / 2
    q, p = q[keep], p[keep]
    a = np.concatenate([ref_step[p] / step[q], -ref_step[p] / step[q]])
    b = np.concatenate([w[i[p]] - a[: len(q)] * z[first[q]], w[j[p]] - a[len(q) :] * z[first[q]]])
    good = (np.abs(a) >= scales[0]) & (np.abs(a) <= scales[1])
    return a[good], b[good]


def _support(
    ref: Floats, xy: Floats, a: Floats, b: Floats, radius_px: float
) -> npt.NDArray[np.intp]:
    """How many of ``xy`` each trial carries to within about ``radius_px`` of a ``ref`` star."""
    origin = ref.min(axis=0) - 4 * radius_px
    shape = np.ceil((ref.max(axis=0) + 4 * radius_px - origin) / radius_px).astype(int) + 1
    near = np.zeros((shape[1], shape[0]), dtype=bool)
    cell = np.round((ref - origin) / radius_px).astype(int)
    for dx in (-1, 0, 1):
        for dy in (-1, 0, 1):
            near[cell[:, 1] + dy, cell[:, 0] + dx] = True
    z = xy[:, 0] + 1j * xy[:, 1]
    count = np.zeros(len(a), dtype=np.intp)
    for start in range(0, len(a), 20000):
        part = slice(start, start + 20000)
        w = a[part, None] * z + b[part, None]
        x = np.round((w.real - origin[0]) / radius_px)
        y = np.round((w.imag - origin[1]) / radius_px)
        inside = (x >= 0) & (x < shape[0]) & (y >= 0) & (y < shape[1])
        x, y = np.where(inside, x, 0).astype(int), np.where(inside, y, 0).astype(int)
        count[part] = (near[y, x] & inside).sum(axis=1)
    return count


def _refine(
    ref: Floats, xy: Floats, start: Similarity, radius_px: float
) -> tuple[Similarity, npt.NDArray[np.intp], float]:
    """The trial polished on all stars; pairs and rms with it."""
    tree = cKDTree(ref)
    transform, pairs, rms = start, np.empty((0, 2), dtype=np.intp), float("inf")
    radius = radius_px
    for _ in range(6):
        before, pairs = pairs, pair_up(xy, tree, transform, radius)
        if len(pairs) < 2:
            return transform, pairs, float("inf")
        if np.array_equal(pairs, before):  # the same pairs give the same fit again
            break
        weights = np.ones(len(pairs))
        for _ in range(4):
            transform = fit_similarity(xy[pairs[:, 0]], ref[pairs[:, 1]], weights)
            miss = np.hypot(*(transform.apply(xy[pairs[:, 0]]) - ref[pairs[:, 1]]).T)
            scale = max(1.4826 * float(np.median(miss)), 0.02)
            weights = 1.0 / np.maximum(1.0, miss / scale) ** 2
        rms = float(np.sqrt((weights * miss**2).sum() / weights.sum()))
        radius = float(np.clip(4.0 * rms, 0.6, radius_px))
    return transform, pairs, rms


def _chance_log10(trials: int, tested: int, agreeing: int, share: float) -> float:
    """log10 of the expected number of trials that would explain as many stars by chance."""
    others = agreeing - 2
    if others <= 0:
        return 0.0
    tail = float(betainc(others, max(tested - 2 - others + 1, 1), min(max(share, 1e-9), 1.0)))
    return float(np.log10(max(trials, 1)) + np.log10(max(tail, 1e-300)))


def match_stars(
    ref_xy_px: Floats,
    xy_px: Floats,
    *,
    scale_tolerance: float = 0.03,
    radius_px: float = 3.0,
) -> Match:
    """The similarity that carries a frame's stars onto the reference's, brightest first in both.

    At least three stars must agree, and the agreement must be unlikely by chance (expected
    number of chance solutions below 10⁻³). A mirrored frame is refused by name.
    """
    n = min(len(ref_xy_px), len(xy_px))
    if n < 3:
        return Match(None, f"only {n} stars to register by, 3 needed")
    scales = (1.0 - scale_tolerance, 1.0 + scale_tolerance)
    found = _match(ref_xy_px, xy_px, scales, radius_px)
    if found.found:
        return found
    other = _match(ref_xy_px, xy_px, OTHER_SCALES, radius_px, brightest=BRIGHTEST_ANY_SCALE)
    if other.found:
        return other
    mirrored = xy_px * np.array([-1.0, 1.0])
    if _match(ref_xy_px, mirrored, scales, radius_px).found:
        return Match(None, "mirrored against the reference: not from the same optical path")
    return found


def _match(
    ref: Floats, xy: Floats, scales: Scales, radius_px: float, *, brightest: int = BRIGHTEST
) -> Match:
    few_ref, few = ref[:brightest], xy[:brightest]
    a, b = _trials(few_ref, few, scales)
    if len(a) == 0:
        return Match(None, "no pair of stars has a partner in the reference")
    support = _support(few_ref, few, a, b, radius_px)
    span = np.ptp(ref, axis=0) + 2 * radius_px
    best = Match(None, "the stars do not agree with the reference")
    for t in np.argsort(-support, kind="stable")[:12]:
        start = Similarity(complex(a[t]), complex(b[t]))
        coarse, _, _ = _refine(few_ref, few, start, radius_px)
        fine_ref, fine = ref[:FINE_STARS], xy[:FINE_STARS]
        transform, pairs, rms = _refine(fine_ref, fine, coarse, radius_px)
        if len(pairs) < 3 or not scales[0] <= transform.scale <= scales[1]:
            continue
        reach = max(3.0 * rms, 0.6)
        share = min(1.0, len(fine_ref) * np.pi * reach**2 / float(span[0] * span[1]))
        landed = transform.apply(fine)
        low, high = ref.min(axis=0) - reach, ref.max(axis=0) + reach
        inside = ((landed >= low) & (landed <= high)).all(axis=1)
        chance = _chance_log10(len(a), int(inside.sum()), len(pairs), share)
        if chance < best.chance_log10 and chance <= ACCEPT_LOG10:
            best = Match(transform, "", pairs, rms, chance)
    return best


def fixed_sources(
    lists: Sequence[Sources], *, radius_px: float = 0.75, share: float = 0.5
) -> list[npt.NDArray[np.bool_]]:
    """For each frame, which sources sit on the same pixel in at least ``share`` of all frames."""
    need = max(2, int(np.ceil(share * len(lists))))
    every = np.concatenate([s.xy_px for s in lists])
    if len(every) == 0:
        return [np.zeros(0, dtype=bool) for _ in lists]
    # One tree of all sources: a frame hardly ever has two within the radius.
    tree = cKDTree(every)
    seen = tree.query_ball_point(every, radius_px, return_length=True)
    return np.split(np.asarray(seen) >= need, np.cumsum([len(s.xy_px) for s in lists])[:-1])


def register_sources(
    lists: Sequence[Sources],
    reference: int,
    *,
    cameras: Sequence[int] | None = None,
    scale_tolerance: float = 0.03,
    report: Report = silent,
) -> list[Match]:
    """Each frame's place on frame number ``reference``.

    ``cameras`` numbers the camera of each frame: a fixed pattern is one camera's own.

    A solution in which the sources move wins over one in which everything stays put, as real
    stars cannot do both; "nothing moved" is believed only on the word of sources as wide as
    stars.
    """
    number = [0] * len(lists) if cameras is None else list(cameras)
    fixed = [np.zeros(len(own.xy_px), dtype=bool) for own in lists]
    for camera in set(number):
        members = [k for k, own in enumerate(number) if own == camera]
        for k, marks in zip(members, fixed_sources([lists[k] for k in members]), strict=True):
            fixed[k] = marks
    ref = lists[reference]
    places = []
    for k, own in enumerate(lists):
        report("registering", k, len(lists))
        if k == reference:
            pairs = np.column_stack([np.arange(len(own.xy_px))] * 2)
            places.append(Match(Similarity(), "", pairs, 0.0, -np.inf))
            continue
        places.append(_place(ref, own, fixed[reference], fixed[k], scale_tolerance))
    return places


def _place(
    ref: Sources,
    own: Sources,
    ref_fixed: npt.NDArray[np.bool_],
    own_fixed: npt.NDArray[np.bool_],
    scale_tolerance: float,
) -> Match:
    ref_free, ref_index = ref.take(~ref_fixed)
    own_free, own_index = own.take(~own_fixed)
    if ref_fixed.any() and own_fixed.any():
        moving = match_stars(ref_free.xy_px, own_free.xy_px, scale_tolerance=scale_tolerance)
        if moving.found and moving.pairs is not None:
            index = np.column_stack([own_index[moving.pairs[:, 0]], ref_index[moving.pairs[:, 1]]])
            moved = Match(moving.transform, "", index, moving.rms_px, moving.chance_log10)
            if not _stays_put(moved, own):
                return moved
    wide_ref, wide_ref_index = ref.take(~ref.sharp)
    wide, wide_index = own.take(~own.sharp)
    every = match_stars(wide_ref.xy_px, wide.xy_px, scale_tolerance=scale_tolerance)
    if every.pairs is None:
        return every
    index = np.column_stack([wide_index[every.pairs[:, 0]], wide_ref_index[every.pairs[:, 1]]])
    return Match(every.transform, "", index, every.rms_px, every.chance_log10)


def _stays_put(match: Match, own: Sources, *, tolerance_px: float = 0.75) -> bool:
    """True when the solution moves no source by more than the tolerance."""
    if match.transform is None or match.pairs is None:
        return False
    xy = own.xy_px[match.pairs[:, 0]]
    return bool((np.hypot(*(match.transform.apply(xy) - xy).T) < tolerance_px).all())
