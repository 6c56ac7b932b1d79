"""Which frames make the best picture together, and how much each one counts.

A frame is judged against its own series, never against an ideal: a soft night still yields its
best picture, and the best frame is always kept. There is no fixed cut. A frame stays where the
sum with it shows a star further above the noise *at equal sharpness* than the sum without it.
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

    @property
    def blur_px(self) -> float:
        """Width that counts for sharpness: FWHM times elongation, NaN without stars.

        The long axis of a star of equal area is FWHM · √elongation; a trail is worse than that,
        as it has a direction that the eye sees (common practice, no source).
        """
        return self.fwhm_px * max(self.elongation, 1.0)


@dataclass(frozen=True)
class Share:
    """What a registered frame brings to the sum."""

    look: Look
    factor: float
    """Its star light over the reference's."""
    clarity: float
    """Its star light a second over the reference's."""
    scale: float = 1.0
    """Reference pixels that one of its pixels is wide."""


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


def refuse_empty(looks: Sequence[Look], step: GradeStep) -> list[str]:
    """For each frame the reason why it cannot be registered with confidence, or "".

    Far fewer stars than frames of like exposure show: thick cloud, or the cap on. The best
    frame is never refused.
    """
    reasons = []
    for own in looks:
        usual = _middle([float(k.stars) for k in _same_exposure(looks, own)])
        few = usual >= 8 and own.stars < step.fewest_stars_share * usual
        reasons.append(
            f"too few stars: {own.stars} where the series has about {usual:.0f}" if few else ""
        )
    if reasons and all(reasons):
        reasons[int(np.argmax([rank(k) for k in looks]))] = ""
    return reasons


def merit(noise: np.ndarray, blur: np.ndarray) -> float:
    """Signal to noise at equal sharpness of the sum of frames.

    ``noise`` is each frame's over its star light, ``blur`` its star width. With weights
    w = 1/(noise² · blur²) the sum has light Σw, noise √Σw²·noise² and width √(Σw·blur²/Σw); a
    star's signal to noise goes as light over noise and width, both for finding it and after
    the sharper of two pictures is binned to the width of the other.
    """
    return _merit(_terms(noise, blur).sum(axis=0))


def _terms(noise: np.ndarray, blur: np.ndarray) -> np.ndarray:
    weight = 1.0 / (noise**2 * blur**2)
    return np.column_stack([weight, weight**2 * noise**2, weight * blur**2])


def _merit(sums: np.ndarray) -> float:
    light, variance, width2 = (float(v) for v in sums)
    return light**1.5 / float(np.sqrt(variance * width2)) if light > 0 else 0.0


def best_sum(noise: np.ndarray, blur: np.ndarray) -> np.ndarray:
    """Which frames to add: no single one more or less would raise the merit of their sum."""
    terms = _terms(noise, blur)
    kept = np.zeros(len(noise), dtype=bool)
    order = np.argsort(-terms[:, 0], kind="stable")
    sums = np.zeros(3)
    for _ in range(20):  # a second round hardly ever changes a thing
        before = kept.copy()
        for k in order:
            other = sums - terms[k] if kept[k] else sums + terms[k]
            if (not kept[k] or kept.sum() > 1) and _merit(other) > _merit(sums) * (1 + 1e-12):
                sums, kept[k] = other, not kept[k]
        if (kept == before).all():
            break
    return kept


def choose_keepers(shares: Sequence[Share], step: GradeStep) -> list[str]:
    """For each frame the reason to leave it out of the sum, in words, or "" to keep it.

    One that would count for less than ``least_share`` of a usual frame brings its clouds and
    gradients and next to no light, and stays out as well.
    """
    n = len(shares)
    if n < 2 or step.keep == "all":
        return [""] * n
    factor = np.array([max(s.factor, 1e-6) for s in shares])
    # A star's light is as uncertain as noise times width, whatever the pixel's size.
    scale = np.array([s.scale for s in shares])
    noise = np.array([max(s.look.noise_adu, 1e-9) for s in shares]) / factor / scale
    widths = [s.look.blur_px * s.scale for s in shares]
    usual_blur = _middle(widths)
    if not np.isfinite(usual_blur):
        usual_blur = 1.0
    blur = np.array([b if np.isfinite(b) and b > 0 else usual_blur for b in widths])
    counts = 1.0 / (noise * blur) ** 2
    usual = float(np.median(counts))
    heavy = (counts >= step.least_share * usual) | (counts == counts.max())
    kept = heavy.copy()
    kept[heavy] = best_sum(noise[heavy], blur[heavy])
    most = merit(noise[kept], blur[kept])
    sharp = _middle([s.look.fwhm_px * s.scale for s in shares], 0.3)
    still = _middle([s.look.elongation for s in shares], 0.3)
    clear = _middle([s.clarity for s in shares], 0.8)
    reasons = []
    for k, share in enumerate(shares):
        if kept[k]:
            reasons.append("")
            continue
        told = _fault(share, sharp, still, clear)
        with_it = kept | (np.arange(n) == k)
        loss = 100 * (1 - merit(noise[with_it], blur[with_it]) / most)
        if not heavy[k]:
            told += f"; it would count for {100 * counts[k] / usual:.0f} % of a usual frame"
        else:
            told += f"; with it the sum would show {loss:.2g} % less at equal sharpness"
        reasons.append(told)
    return reasons


def _fault(share: Share, sharp: float, still: float, clear: float) -> str:
    """What is most wrong with a frame, against the better frames of its series."""
    look, width = share.look, share.look.fwhm_px * share.scale
    faults = {
        f"trailed: stars {look.elongation:.2f} times as long as wide ({still:.2f} usual)": (
            look.elongation / still
        ),
        f"soft: stars {width:.1f} px wide ({sharp:.1f} px usual)": width / sharp,
        f"cloud: only {100 * share.clarity / clear:.0f} % of the stars' light came through": (
            clear / max(share.clarity, 1e-6)
        ),
    }
    known = {text: by for text, by in faults.items() if np.isfinite(by)}
    worst = max(known, key=lambda text: known[text], default="")
    if not worst or known[worst] < 1.02:
        return f"noisy: {look.noise_adu:.1f} ADU a pixel"
    return worst


def frame_weight(*, factor: float, noise_adu: float, blur_px: float) -> float:
    """Weight of a frame: (star light)² over (noise² · width²), the inverse of the variance of a
    point source's brightness; ``factor`` is its star light relative to the reference frame.
    """
    width = blur_px if np.isfinite(blur_px) and blur_px > 0 else 1.0
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
