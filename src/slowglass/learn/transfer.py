"""Gain, read noise, dark current and fixed pattern of a sensor from pairs of its own frames.

The photon-transfer method (Janesick 2007, *Photon Transfer*; the relations of EMVA 1288, sections
6 and 8): two frames of the same light differ by noise alone, whose variance grows with the light
as σ² = σ_read² + mean / gain, both in ADU. Everything is taken colour by colour on the raw
mosaic, tile by tile, so that neither vignetting nor dust nor the pattern of the pixels counts as
noise. Pure functions on arrays.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Pixels = npt.NDArray[np.float32]

TILES = 6
"""Tiles along each side of a colour plane."""
CLIP_SIGMA = 5.0
"""Differences beyond this are cosmic rays or unstable pixels, not noise."""
USABLE_SHARE = 0.7
"""Flats brighter than this share of clipping are left out: wells bend before they clip."""
ROUNDING_VARIANCE = 1.0 / 12.0
"""Variance that rounding to whole ADU adds, ADU²."""


@dataclass(frozen=True)
class Measured:
    """A value with its standard uncertainty, both in the unit its name says."""

    value: float
    sigma: float


@dataclass(frozen=True, eq=False)
class PairPoints:
    """What one pair of equal frames shows, a row a tile and colour; ADU and ADU²."""

    colour: npt.NDArray[np.int64]
    """0 to 3: place in the mosaic; 0 for a monochrome sensor."""
    mean_adu: Floats
    variance_adu2: Floats
    """Variance of one frame's noise."""
    pattern_adu2: Floats
    """Variance from pixel to pixel that both frames share."""
    pixels: Floats

    @property
    def level_adu(self) -> float:
        """Mean of the whole pair."""
        return float(np.average(self.mean_adu, weights=self.pixels))


@dataclass(frozen=True)
class Transfer:
    """The straight line of variance against mean."""

    gain_e_per_adu: Measured
    read_noise_e: Measured
    """Without the part that rounding adds."""
    gain_by_colour: tuple[Measured, ...]
    chi2_per_freedom: float


def pair_points(first: Pixels, second: Pixels, *, mosaic: bool) -> PairPoints:
    """Means and variances of two frames of the same light, in ADU above black."""
    if first.shape != second.shape or first.ndim != 2:
        raise ValueError(f"frames of {first.shape} and {second.shape} make no pair")
    step = 2 if mosaic else 1
    rows = []
    for colour in range(step * step):
        top, left = divmod(colour, step)
        a, b = first[top::step, left::step], second[top::step, left::step]
        for y, x in _tiles(a.shape):
            rows.append((colour, *_tile_figures(a[y, x], b[y, x])))
    table = np.array(rows, dtype=np.float64)
    return PairPoints(table[:, 0].astype(np.int64), *table[:, 1:].T)


def fit_transfer(
    flats: list[PairPoints], biases: list[PairPoints], *, white_adu: float
) -> Transfer | None:
    """Gain and read noise from flat pairs and bias pairs; None without usable light.

    The line is fitted to variance against mean above bias, weighted by the statistics of a
    variance (σ = σ²√(2/n)); uncertainties grow with what the points scatter beyond that.
    """
    dark = _joined(biases)
    light = _joined([pair for pair in flats if pair.level_adu < USABLE_SHARE * white_adu])
    if light is None or dark is None:
        return None
    bias_level = [float(np.mean(dark.mean_adu[dark.colour == c])) for c in range(4) if
                  np.any(dark.colour == c)]  # fmt: skip
    mean = light.mean_adu - np.array(bias_level)[light.colour]
    usable = (light.mean_adu < USABLE_SHARE * white_adu) & (light.variance_adu2 > 0)
    if np.count_nonzero(usable) < 3 or float(np.max(mean[usable])) <= 0:
        return None
    read_adu2 = float(np.average(dark.variance_adu2, weights=dark.pixels))
    if read_adu2 <= 0 or float(np.max(light.variance_adu2[usable])) < 1.2 * read_adu2:
        return None
    x = np.concatenate([mean[usable], np.zeros(dark.mean_adu.size)])
    y = np.concatenate([light.variance_adu2[usable], dark.variance_adu2])
    n = np.concatenate([light.pixels[usable], dark.pixels])
    slope, intercept, covariance, chi2 = _line(x, y, n)
    if slope <= 0:
        return None
    gain = 1.0 / slope
    swell = max(1.0, chi2)
    gain_sigma = gain**2 * math.sqrt(covariance[0, 0] * swell)
    by_colour = []
    for colour in np.unique(light.colour):
        mine = usable & (light.colour == colour)
        its_dark = dark.colour == colour
        if np.count_nonzero(mine) < 2:
            continue
        s, _, c, chi = _line(
            np.concatenate([mean[mine], np.zeros(int(np.sum(its_dark)))]),
            np.concatenate([light.variance_adu2[mine], dark.variance_adu2[its_dark]]),
            np.concatenate([light.pixels[mine], dark.pixels[its_dark]]),
        )
        if s > 0:
            by_colour.append(Measured(1.0 / s, math.sqrt(c[0, 0] * max(1.0, chi)) / s**2))
    analogue = max(0.0, intercept - ROUNDING_VARIANCE)
    read_e = gain * math.sqrt(analogue)
    noise_part = 0.5 * math.sqrt(covariance[1, 1] * swell) / max(analogue, 1e-6)
    read_sigma = read_e * math.hypot(noise_part, gain_sigma / gain)
    return Transfer(
        Measured(gain, gain_sigma), Measured(read_e, read_sigma), tuple(by_colour), chi2
    )


def fixed_pattern_fraction(flats: list[PairPoints], biases: list[PairPoints]) -> Measured | None:
    """Spread of the pixels' sensitivities about their neighbours', as a fraction (PRNU).

    From the brightest pair: what is left of the spread between neighbours of one colour once
    the noise is taken off (EMVA 1288, section 8, for the highest spatial frequencies).
    """
    dark = _joined(biases)
    if dark is None or not flats:
        return None
    pair = max(flats, key=lambda p: p.level_adu)
    mean = pair.mean_adu - float(np.average(dark.mean_adu, weights=dark.pixels))
    offset = float(np.average(dark.pattern_adu2, weights=dark.pixels))
    each = (pair.pattern_adu2 - offset) / mean**2
    middle, sigma = _mean_and_error(each)
    if middle <= 0:
        return Measured(0.0, math.sqrt(max(sigma, 0.0)))
    return Measured(math.sqrt(middle), 0.5 * sigma / math.sqrt(middle))


def dark_current_e_s(
    darks: dict[float, list[PairPoints]],
    biases: list[PairPoints],
    *,
    gain_e_per_adu: float,
) -> tuple[Measured, bool] | None:
    """Dark current, e⁻/s of an ordinary pixel, and whether the camera holds its black level.

    From the rise of the level with exposure; and, where a camera pins its level down so that it
    cannot rise, from the growth of the noise, which nothing can hide (variance = charge).
    """
    base = _joined(biases)
    if base is None or not darks:
        return None
    exposures, levels, level_errors, spreads, spread_errors = [], [], [], [], []
    zero, zero_error = _mean_and_error(base.mean_adu)
    quiet, quiet_error = _weighted_variance(base)
    for exposure_s, pairs in darks.items():
        joined = _joined(pairs)
        if joined is None or exposure_s <= 0:
            continue
        level, error = _mean_and_error(joined.mean_adu)
        spread, spread_error = _weighted_variance(joined)
        exposures.append(exposure_s)
        levels.append((level - zero) * gain_e_per_adu)
        level_errors.append(math.hypot(error, zero_error) * gain_e_per_adu)
        spreads.append((spread - quiet) * gain_e_per_adu**2)
        spread_errors.append(math.hypot(spread_error, quiet_error) * gain_e_per_adu**2)
    if not exposures:
        return None
    by_level = _through_origin(exposures, levels, level_errors)
    by_noise = _through_origin(exposures, spreads, spread_errors)
    apart = abs(by_level.value - by_noise.value)
    held = apart > 5.0 * math.hypot(by_level.sigma, by_noise.sigma) and apart > 0.3 * abs(
        by_noise.value
    )
    chosen = by_noise if held or by_noise.sigma < by_level.sigma else by_level
    return Measured(max(0.0, chosen.value), chosen.sigma), held


def clipping_level_adu(pixels: Pixels, *, share: float = 1e-3) -> float | None:
    """The level at which pixels pile up, ADU above black; None where none do.

    A smooth tail thins out toward its end; a clipped one stands like a wall, which read noise
    may soften by some steps.
    """
    top = float(np.max(pixels))
    width = max(8.0, 0.002 * abs(top))
    piled = pixels[pixels >= top - width]
    below = np.count_nonzero((pixels < top - width) & (pixels >= top - 2.0 * width))
    if piled.size < share * pixels.size or piled.size < 2 * below:
        return None
    return float(np.median(piled))


def hot_pixel_fraction(
    first: Pixels, second: Pixels, *, mosaic: bool, sigmas: float = 6.0
) -> Measured:
    """Share of pixels that stand above the others in both of two long darks."""
    step = 2 if mosaic else 1
    hot, total = 0, 0
    for colour in range(step * step):
        top, left = divmod(colour, step)
        a, b = first[top::step, left::step], second[top::step, left::step]
        both = np.minimum(a - np.median(a), b - np.median(b))
        noise = 1.4826 * float(np.median(np.abs(a - b))) / math.sqrt(2.0)
        # The lesser of two noises rarely reaches far: the level is safe for millions of pixels.
        hot += int(np.count_nonzero(both > 0.7 * sigmas * max(noise, 0.5)))
        total += a.size
    return Measured(hot / total, math.sqrt(max(hot, 1)) / total)


def corner_loss(flats: list[PairPoints], biases: list[PairPoints]) -> Measured | None:
    """Share of the light lost in the corners, from the means of the flats' tiles.

    The loss grows with the square of the distance from the middle (vignetting to first order);
    the tiles' scatter about that gives the uncertainty.
    """
    dark = _joined(biases)
    if dark is None or not flats:
        return None
    level = float(np.average(dark.mean_adu, weights=dark.pixels))
    found = []
    for pair in flats:
        for colour in np.unique(pair.colour):
            light = pair.mean_adu[pair.colour == colour] - level
            if light.size != TILES * TILES or np.min(light) <= 0:
                continue
            # A tile's mean lies at the mean square of its distances, the corner at one.
            middle = (np.arange(TILES) + 0.5) / TILES * 2.0 - 1.0
            square = middle**2 + 1.0 / (3.0 * TILES**2)
            distance2 = (square[:, None] + square[None, :]).ravel() / 2.0
            design = np.stack([np.ones_like(distance2), -distance2], axis=1)
            (centre, fall), *_ = np.linalg.lstsq(design, light, rcond=None)
            found.append(fall / centre)
    if not found:
        return None
    values = np.array(found)
    error = float(np.std(values) / math.sqrt(values.size)) if values.size > 1 else 0.02
    return Measured(float(np.median(values)), max(error, 0.002))


def _tiles(shape: tuple[int, ...]) -> list[tuple[slice, slice]]:
    edges = [np.linspace(0, size, TILES + 1).astype(int) for size in shape]
    return [
        (slice(y0, y1), slice(x0, x1))
        for y0, y1 in zip(edges[0][:-1], edges[0][1:], strict=True)
        for x0, x1 in zip(edges[1][:-1], edges[1][1:], strict=True)
        if y1 - y0 >= 8 and x1 - x0 >= 8
    ]


def _tile_figures(a: Pixels, b: Pixels) -> tuple[float, float, float, float]:
    difference = a.astype(np.float64) - b
    difference -= np.median(difference)
    sigma = 1.4826 * float(np.median(np.abs(difference)))
    if sigma == 0.0:
        sigma = float(np.std(difference))
    fair = np.abs(difference) <= CLIP_SIGMA * max(sigma, 1e-9)
    variance = float(np.var(difference[fair])) / 2.0
    both = (a.astype(np.float64) + b) / 2.0
    steps = np.diff(both, axis=1)
    steps -= np.median(steps)
    spread = 1.4826 * float(np.median(np.abs(steps)))
    steps = steps[np.abs(steps) <= CLIP_SIGMA * max(spread, 1e-9)]
    pattern = float(np.var(steps)) / 2.0 - variance / 2.0
    # A hot pixel glows in both frames: it is fair, but no part of the level.
    ordinary = fair & (np.abs(both - np.median(both)) <= 20.0 * sigma + 1.0)
    if np.count_nonzero(ordinary) < 0.9 * ordinary.size:
        ordinary = fair
    middle = float(np.mean(both[ordinary]))
    return middle, variance, pattern, float(np.count_nonzero(fair))


def _joined(pairs: list[PairPoints]) -> PairPoints | None:
    if not pairs:
        return None
    return PairPoints(
        *(
            np.concatenate([getattr(pair, name) for pair in pairs])
            for name in ("colour", "mean_adu", "variance_adu2", "pattern_adu2", "pixels")
        )
    )


def _line(x: Floats, y: Floats, pixels: Floats) -> tuple[float, float, npt.NDArray[Any], float]:
    """Slope, intercept, covariance and χ² a freedom of variances against means.

    The weight of a point follows the line, not the point: a variance that came out low must not
    count more for it. Three rounds settle.
    """
    model = y.copy()
    design = np.stack([x, np.ones_like(x)], axis=1)
    for _ in range(4):
        weight = pixels / (2.0 * np.maximum(model, 1e-6) ** 2)
        normal = design.T @ (weight[:, None] * design)
        covariance = np.linalg.inv(normal)
        solution = covariance @ (design.T @ (weight * y))
        model = design @ solution
    chi2 = float(np.sum(weight * (y - model) ** 2) / max(1, x.size - 2))
    return float(solution[0]), float(solution[1]), covariance, chi2


def _mean_and_error(values: Floats) -> tuple[float, float]:
    return float(np.mean(values)), float(np.std(values) / math.sqrt(max(1, values.size - 1)))


def _weighted_variance(points: PairPoints) -> tuple[float, float]:
    value = float(np.average(points.variance_adu2, weights=points.pixels))
    return value, value * math.sqrt(2.0 / float(np.sum(points.pixels)))


def _through_origin(x: list[float], y: list[float], error: list[float]) -> Measured:
    """Slope of a line through the origin; its error includes the scatter about the line."""
    xs, ys = np.array(x), np.array(y)
    weight = 1.0 / np.maximum(np.array(error), 1e-9) ** 2
    total = float(np.sum(weight * xs**2))
    slope = float(np.sum(weight * xs * ys)) / total
    chi2 = float(np.sum(weight * (ys - slope * xs) ** 2)) / max(1, xs.size - 1)
    return Measured(slope, math.sqrt(max(1.0, chi2) / total))
