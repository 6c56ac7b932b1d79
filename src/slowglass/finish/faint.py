"""Where frames lie on each other when no single one shows stars enough.

All frames of a series carry the same fixed pattern (hot pixels, glow, column steps) at the
same pixels, far stronger in correlation than stars drowned in noise. So the pattern, the
median of the *other* frames, is taken out of each frame first; what stays in common can only
be the sky. The hole that this leaves around "no movement" is masked, pairs of frames are
cross-correlated, and a movement counts when its peak stands out of the correlation's own noise
and when all pairs tell one consistent story. A second pass correlates each frame with
the sky added up from the others, which is where the accuracy comes from.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from slowglass.finish.combine import MAD_TO_SIGMA
from slowglass.finish.geometry import Similarity, fit_similarity

Plane = npt.NDArray[np.float32]
SIGNIFICANT = 7.0
"""Least height of a correlation peak over the map's own robust noise. A map holds some 10⁴
independent cells, so pure noise reaches 4; 7 leaves room for its broader than normal tail."""
MANY = 12
"""Frames from which the pattern is the median of all of them."""


@dataclass(frozen=True)
class Drift:
    """Shift of each frame against the first: its sky sits (dx, dy) further on; NaN if unknown."""

    dx_px: npt.NDArray[np.float64]
    dy_px: npt.NDArray[np.float64]
    significance: npt.NDArray[np.float64]
    """Height of each frame's correlation peak over the noise of its map."""


def _level(plane: Plane) -> Plane:
    """The frame without its row and column steps, clipped to ± 4 σ so that no pixel rules."""
    out = plane - np.median(plane, axis=1, keepdims=True)
    out -= np.median(out, axis=0, keepdims=True)
    sigma = MAD_TO_SIGMA * float(np.median(np.abs(out)))
    return np.clip(out, -4 * sigma, 4 * sigma).astype(np.float32)


def _band_pass(plane: Plane, sigma_px: float) -> Plane:
    """Only what is as wide as a star: a narrow minus a wide Gaussian."""
    import cv2

    narrow = cv2.GaussianBlur(plane, (0, 0), sigma_px, borderType=cv2.BORDER_REFLECT)
    wide = cv2.GaussianBlur(plane, (0, 0), 4 * sigma_px, borderType=cv2.BORDER_REFLECT)
    return np.asarray(narrow - wide, dtype=np.float32)


def _correlation(fa: npt.NDArray, fb: npt.NDArray, shape: tuple[int, int], reach: int) -> Plane:
    """Cross-correlation for lags up to ``reach``: a peak at (reach+dy, reach+dx) moves b to a."""
    from scipy.fft import irfft2

    full = irfft2(fa * np.conj(fb), s=shape)
    full = np.roll(full, (reach, reach), (0, 1))
    return np.asarray(full[: 2 * reach + 1, : 2 * reach + 1], dtype=np.float32)


def _peak(
    corr: Plane, around: tuple[float, float] | None, within: float, hole_px: float
) -> tuple[float, float, float]:
    """(dx, dy, height over noise) of the highest peak, sub-pixel, outside the central hole."""
    reach = corr.shape[0] // 2
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    allowed = np.hypot(x, y) > hole_px
    centre = float(np.median(corr[allowed]))
    sigma = MAD_TO_SIGMA * float(np.median(np.abs(corr[allowed] - centre)))
    if around is not None:
        allowed &= np.hypot(x - around[0], y - around[1]) <= within
    if sigma <= 0 or not allowed.any():
        return float("nan"), float("nan"), 0.0
    masked = np.where(allowed, corr, -np.inf)
    j, i = np.unravel_index(int(np.argmax(masked)), masked.shape)
    dx, dy = float(i - reach), float(j - reach)
    if 0 < i < 2 * reach and 0 < j < 2 * reach:
        dx += _vertex(corr[j, i - 1], corr[j, i], corr[j, i + 1])
        dy += _vertex(corr[j - 1, i], corr[j, i], corr[j + 1, i])
    return dx, dy, (float(corr[j, i]) - centre) / sigma


def _vertex(before: float, top: float, after: float) -> float:
    bend = float(before) - 2 * float(top) + float(after)
    return 0.0 if bend >= 0 else float(np.clip(0.5 * (before - after) / bend, -0.5, 0.5))


def fixed_pattern(planes: Sequence[Plane], leave_out: int | None = None) -> Plane:
    """The median of the frames (one left out on request) at fixed pixels."""
    chosen = [p for k, p in enumerate(planes) if k != leave_out]
    return np.asarray(np.median(np.stack(chosen), axis=0), dtype=np.float32)


def find_drift(
    planes: Sequence[Plane], *, star_sigma_px: float = 2.5, reach_px: int | None = None
) -> Drift:
    """How the sky moves through a series of equal-sized, sky-subtracted frames, in pixels.

    Translation only. Needs three frames, as with two the pattern cannot be told from the sky.
    A frame whose peak does not stand out (significance below ``SIGNIFICANT``) or disagrees with
    the others comes back as NaN. Memory: 16 bytes a pixel a frame.
    """
    from scipy.fft import rfft2

    n = len(planes)
    unknown = np.full(n, np.nan)
    if n < 3:
        return Drift(unknown, unknown.copy(), np.zeros(n))
    shape = (int(planes[0].shape[0]), int(planes[0].shape[1]))
    reach = reach_px or int(min(shape) // 4)
    hole = 3.0 * star_sigma_px
    if reach < 2 * hole:  # too small a frame to tell a drift from the hole around zero
        return Drift(unknown, unknown.copy(), np.zeros(n))
    level = [_level(p) for p in planes]
    # Among many frames one's own share of the median is nothing, and one median is quicker.
    shared = fixed_pattern(level) if n >= MANY else None
    spectra = []
    for k in range(n):
        pattern = fixed_pattern(level, k) if shared is None else shared
        spectra.append(rfft2(_band_pass(_level(level[k] - pattern), star_sigma_px)))
    pairs, steps, heights = [], [], []
    for i in range(n):
        for j in range(i + 1, min(n, i + 6)):
            corr = _correlation(spectra[j], spectra[i], shape, reach)
            dx, dy, height = _peak(corr, None, 0.0, hole)
            if height >= SIGNIFICANT:
                pairs.append((i, j))
                steps.append((dx, dy))
                heights.append(height)
    place = _consistent(n, pairs, np.array(steps).reshape(-1, 2), np.array(heights), hole)
    return _against_sum(spectra, place, shape, reach, star_sigma_px)


def find_turns(
    planes: Sequence[Plane], anchor: int, *, star_sigma_px: float, step: int
) -> list[Similarity | None]:
    """Each frame's place on frame ``anchor`` with its turn, where the four quarters tell one.

    Each quarter of the frames drifts by itself; four drifts that lie on one similarity to a
    pixel and show a turn of twice as much at the frame's corners are believed. Full-resolution
    pixels, ``step`` to one of the planes'. None elsewhere: the drift of the whole frame stands.
    """
    n = len(planes)
    none: list[Similarity | None] = [None] * n
    high, wide = planes[0].shape[0] // 2, planes[0].shape[1] // 2
    centres, drifts = [], []
    for j in (0, 1):
        for i in (0, 1):
            part = np.s_[j * high : (j + 1) * high, i * wide : (i + 1) * wide]
            found = find_drift([p[part] for p in planes], star_sigma_px=star_sigma_px)
            if not np.isfinite(found.dx_px[anchor]):
                return none
            centres.append([(i + 0.5) * wide - 0.5, (j + 0.5) * high - 0.5])
            drifts.append([found.dx_px, found.dy_px])
    at, moved = np.array(centres), np.array(drifts)
    for k in range(n):
        shift = moved[:, :, anchor] - moved[:, :, k]
        if not np.isfinite(shift).all():
            continue
        fitted = fit_similarity(at, at + shift)
        left = np.hypot(*(fitted.apply(at) - at - shift).T).max()
        turn = abs(np.angle(fitted.a)) * float(np.hypot(high, wide))
        if left <= 1.0 and turn >= 2.0 and abs(fitted.scale - 1.0) < 0.01:
            a = fitted.a / fitted.scale
            about = complex(*at.mean(axis=0))
            b = complex(*fitted.apply([[about.real, about.imag]])[0]) - a * about
            half = (step - 1) / 2.0 * (1 + 1j)
            none[k] = Similarity(a, step * b + half - a * half)
    return none


def _consistent(
    n: int,
    pairs: list[tuple[int, int]],
    steps: npt.NDArray[np.float64],
    heights: npt.NDArray[np.float64],
    tolerance_px: float,
) -> npt.NDArray[np.float64]:
    """Places (n, 2) that most pairwise steps agree on; NaN for frames no agreeing pair reaches."""
    keep = np.ones(len(pairs), dtype=bool)
    place = np.full((n, 2), np.nan)
    place[0] = 0.0
    for _ in range(len(pairs) + 1):
        used = np.flatnonzero(keep)
        if len(used) == 0:
            break
        rows = np.zeros((len(used) + 1, n))
        for r, p in enumerate(used):
            i, j = pairs[p]
            rows[r, i], rows[r, j] = -1.0, 1.0
        rows[-1, 0] = 1.0
        weight = np.append(heights[used], 100.0)[:, None]
        target = np.vstack([steps[used], [0.0, 0.0]])
        place = np.linalg.lstsq(rows * weight, target * weight, rcond=None)[0]
        miss = np.hypot(*(rows[:-1] @ place - steps[used]).T)
        worst = int(np.argmax(miss))
        if miss[worst] <= tolerance_px:
            break
        keep[used[worst]] = False
    reached = {0}
    for _ in range(n):
        for p in np.flatnonzero(keep):
            if reached & set(pairs[p]):
                reached |= set(pairs[p])
    for k in range(n):
        if k not in reached:
            place[k] = np.nan
    return place


def _against_sum(
    spectra: list[npt.NDArray],
    place: npt.NDArray[np.float64],
    shape: tuple[int, int],
    reach: int,
    star_sigma_px: float,
) -> Drift:
    """Each frame against the sum of the others, shifted to agree; twice, as the sum improves."""
    from scipy.fft import fftfreq, rfftfreq

    n = len(spectra)
    fy, fx = fftfreq(shape[0])[:, None], rfftfreq(shape[1])[None, :]
    height = np.zeros(n)
    place = place.copy()
    for _ in range(2):
        known = np.isfinite(place[:, 0])
        if known.sum() < 2:
            break
        total = np.zeros_like(spectra[0])
        for k in [int(i) for i in np.flatnonzero(known)]:
            total += spectra[k] * np.exp(2j * np.pi * (fx * place[k, 0] + fy * place[k, 1]))
        for k in range(n):
            rest = total
            if known[k]:
                turn = np.exp(2j * np.pi * (fx * place[k, 0] + fy * place[k, 1]))
                rest = total - spectra[k] * turn
            corr = _correlation(spectra[k], rest, shape, reach)
            around = (place[k, 0], place[k, 1]) if known[k] else None
            # The others' own fixed pattern enters the sum at minus their places: those lags
            # are no more the sky than zero is, but lie far from where this frame is expected.
            dx, dy, height[k] = _peak(corr, around, 3 * star_sigma_px, 0.0)
            if height[k] >= SIGNIFICANT:
                place[k] = dx, dy
            elif not known[k]:
                place[k] = np.nan
    place[height < SIGNIFICANT] = np.nan
    origin = place[0] if np.isfinite(place[0, 0]) else np.zeros(2)
    return Drift(place[:, 0] - origin[0], place[:, 1] - origin[1], height)
