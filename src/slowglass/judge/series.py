"""Frames of one night compared with each other, where a single frame cannot tell."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from slowglass.judge.drift import Drift, measure_drift
from slowglass.judge.sample import sample_of
from slowglass.judge.verdict import Verdict

FEWEST_FRAMES = 4
"""Fewer frames have no usual value to compare with."""


@dataclass(frozen=True)
class SeriesLimits:
    """How far from the better half of its series a frame may lie."""

    width: float = 1.35
    stars: float = 0.6
    sky: float = 1.5


@dataclass(frozen=True)
class SeriesVerdict:
    """A series judged as one: the verdicts with the added reasons, what is usual, the drift."""

    verdicts: tuple[Verdict, ...]
    usual_fwhm_px: float | None
    usual_stars: float | None
    usual_sky_adu: float | None
    drift: Drift | None
    notes: tuple[str, ...]


def judge_series(verdicts: Sequence[Verdict], limits: SeriesLimits | None = None) -> SeriesVerdict:
    """Each frame against the better half of its like (same size and exposure)."""
    limits = limits or SeriesLimits()
    judged = list(verdicts)
    notes: list[str] = []
    groups: dict[tuple[object, ...], list[int]] = {}
    for index, verdict in enumerate(verdicts):
        if verdict.error is None and verdict.kind not in ("dark", "flat", "bias"):
            key = (verdict.width_px, verdict.height_px, verdict.exposure_s)
            groups.setdefault(key, []).append(index)

    usual: tuple[float | None, float | None, float | None] = (None, None, None)
    largest = max(groups.values(), key=len, default=[])
    for members in groups.values():
        if len(members) < FEWEST_FRAMES:
            notes.append(
                f"{len(members)} like frame{'s' if len(members) > 1 else ''}: too few to compare "
                f"({FEWEST_FRAMES} needed)"
            )
            continue
        fwhm = _better_half([verdicts[i].fwhm_px for i in members], low_is_good=True)
        stars = _better_half([float(verdicts[i].stars) for i in members], low_is_good=False)
        sky = _better_half([verdicts[i].sky_adu for i in members], low_is_good=True)
        if members is largest:
            usual = (fwhm, stars, sky)
        for index in members:
            judged[index] = _compare(verdicts[index], fwhm, stars, sky, limits)

    drift = measure_drift(sample_of(verdicts[i]) for i in largest) or None
    if drift is not None:
        notes.append(drift.text)
    return SeriesVerdict(tuple(judged), *usual, drift, tuple(notes))


def _better_half(values: Sequence[float | None], *, low_is_good: bool) -> float | None:
    known = sorted(v for v in values if v is not None and math.isfinite(v))
    if not known:
        return None
    if not low_is_good:
        known.reverse()
    return float(np.median(known[: max(1, (len(known) + 1) // 2)]))


def _compare(
    verdict: Verdict,
    fwhm: float | None,
    stars: float | None,
    sky: float | None,
    limits: SeriesLimits,
) -> Verdict:
    reasons = []
    if fwhm and verdict.fwhm_px is not None and verdict.fwhm_px > limits.width * fwhm:
        reasons.append(
            f"stars are {verdict.fwhm_px:.1f} px wide against {fwhm:.1f} px in the better half "
            "of the series"
        )
    # Counts of a handful of stars jump by chance: only a drop beyond 3 √N counts.
    if stars and verdict.stars < min(limits.stars * stars, stars - 3.0 * math.sqrt(stars)):
        reasons.append(
            f"{verdict.stars} stars against {stars:.0f} in the better half of the series: "
            "cloud, dew or a knock"
        )
    if sky and sky > 0 and verdict.sky_adu is not None and verdict.sky_adu > limits.sky * sky:
        reasons.append(
            f"the sky is at {verdict.sky_adu:.0f} ADU against {sky:.0f} in the better half: "
            "twilight, Moon or lit cloud"
        )
    if not reasons:
        return verdict
    return replace(verdict, keeper=False, reasons=(*verdict.reasons, *reasons))
