"""Which frames are good enough to be added up, and how much each one counts.

A frame is judged against its own series, never against an ideal: a soft night still yields its
best picture, and the best frame is always kept.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from slowglass.finish.recipe import GradeStep

SHARPEST_STAR_PX = 1.4
"""FWHM below which a source is a pixel and not a star, for any optics that sample at all."""


@dataclass(frozen=True)
class Look:
    """What one calibrated frame shows; NaN where it shows no stars to measure."""

    stars: int
    fwhm_px: float
    elongation: float
    sky_adu: float
    noise_adu: float
    """Robust scatter of one pixel about its local sky."""
    exposure_s: float | None = None


def _middle(values: Sequence[float], quantile: float = 0.5) -> float:
    finite = np.array([v for v in values if np.isfinite(v)])
    return float(np.quantile(finite, quantile)) if len(finite) else float("nan")


def _same_exposure(looks: Sequence[Look], own: Look) -> list[Look]:
    if own.exposure_s is None:
        return [k for k in looks if k.exposure_s is None]
    return [
        k for k in looks if k.exposure_s and abs(k.exposure_s / max(own.exposure_s, 1e-9) - 1) < 0.1
    ]


def rank(look: Look) -> float:
    """A figure of merit before transparency is known: more is better."""
    fwhm = look.fwhm_px if np.isfinite(look.fwhm_px) else 10.0
    round_share = 1.0 / max(look.elongation, 1.0) if np.isfinite(look.elongation) else 0.5
    depth = np.sqrt(look.stars + 1.0)
    return float(depth * round_share**2 / fwhm**2)


def refuse_by_shape(looks: Sequence[Look], step: GradeStep) -> list[str]:
    """For each frame the reason to leave it out, in words, or "" to keep it.

    Trailed and soft frames are told from the better third of the series, too few stars from
    its middle among frames of like exposure. The best frame is never refused.
    """
    sharp = _middle([k.fwhm_px for k in looks], 0.3)
    still = _middle([k.elongation for k in looks], 0.3)
    reasons = []
    for own in looks:
        usual = _middle([float(k.stars) for k in _same_exposure(looks, own)])
        reason = ""
        if usual >= 8 and own.stars < step.fewest_stars_share * usual:
            reason = f"too few stars: {own.stars} where the series has about {usual:.0f}"
        elif own.elongation > still + step.longest_elongation_excess:
            reason = (
                f"trailed: stars {own.elongation:.2f} times as long as wide ({still:.2f} usual)"
            )
        elif own.fwhm_px > step.softest_fwhm_ratio * sharp:
            reason = f"soft: stars {own.fwhm_px:.1f} px wide ({sharp:.1f} px usual)"
        reasons.append(reason)
    if reasons and all(reasons):
        reasons[int(np.argmax([rank(k) for k in looks]))] = ""
    return reasons


def refuse_by_light(light: Sequence[float], step: GradeStep) -> list[str]:
    """Reasons from transparency: the stars' light per second against the clearest frames."""
    clear = _middle(light, 0.8)
    reasons = [
        f"cloud: only {100 * t / clear:.0f} % of the stars' light came through"
        if np.isfinite(t) and t < step.least_transparency * clear
        else ""
        for t in light
    ]
    if reasons and all(reasons):
        reasons[int(np.nanargmax(light))] = ""
    return reasons


def frame_weight(*, factor: float, noise_adu: float, fwhm_px: float) -> float:
    """Weight of a frame: (star light)² over (noise² · FWHM²), the inverse of the variance of a
    point source's brightness; ``factor`` is its star light relative to the reference frame.
    """
    width = fwhm_px if np.isfinite(fwhm_px) and fwhm_px > 0 else 1.0
    return float(factor**2 / (max(noise_adu, 1e-9) ** 2 * width**2))


def light_factor(flux_adu: np.ndarray, reference_adu: np.ndarray) -> tuple[float, int]:
    """Star light of a frame over that of the reference, and the stars it rests on.

    The median ratio of stars that both see, weighted toward neither: NaN below three stars.
    """
    good = (flux_adu > 0) & (reference_adu > 0)
    if good.sum() < 3:
        return float("nan"), int(good.sum())
    order = np.argsort(-reference_adu[good])[:60]
    ratio = flux_adu[good][order] / reference_adu[good][order]
    return float(np.median(ratio)), len(order)
