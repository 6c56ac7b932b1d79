"""What widens or stretches the stars of one frame most, from the pattern over its field."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from slowglass.judge.pattern import Pattern

Floats = npt.NDArray[np.float64]

ROUND_SHARE = 0.13
"""Extra variance, in shares of the round star's, up to which a frame counts as round: an
elongation of 1.14, or 6 % of width."""
MODEL_ERROR = 0.12
"""Every amount is uncertain by this share beyond its noise: the model is not the telescope."""
RMS_R2 = 0.39
RMS_U = 0.41
"""Root mean square over a 3:2 frame of r² and of one coordinate, in half diagonals."""
SEEN_R2 = 0.55
"""What counts of a pattern that grows with r²: the outer half of the frame shows it."""
LOPSIDED = 1.2
"""Variance, in shares of the round part, that a common skew of 1 stands for. A jump early or
late in an exposure leaves a faint second image, which a fit passes over and the skew does not."""
PATTERN_IN_TILT = 1.8
DRAWS = 400
KINDS = ("round", "focus", "tilt", "trail", "radial", "tangential")


@dataclass(frozen=True)
class Sharp:
    """A star in focus: its variance, px², and how sure that is (spread of its logarithm)."""

    variance_px2: float
    spread: float


@dataclass(frozen=True)
class FieldShares:
    """How likely each kind of pattern is the largest, and the trail with the pattern taken off.

    ``trail`` is (E₁, E₂) at the centre, px², ``radial_px2`` the strength of the r² part.
    """

    chance: dict[str, float]
    trail: tuple[float, float]
    trail_error: float
    radial_px2: float
    radial_error: float


def field_shares(pattern: Pattern, *, sharp: Sharp | None) -> FieldShares:
    """The chance of each kind of pattern to be what spoils the frame.

    ``sharp`` is a star in focus; None leaves bad focus out of the question.
    """
    e1, e2, u1, v1, u2, v2, strength = pattern.shape
    base = min(pattern.round_px2, sharp.variance_px2) if sharp else pattern.round_px2
    error = [0.0 if math.isnan(x) else x for x in pattern.shape_error]
    off = (0.0, 0.0)
    if pattern.fits_field and abs(strength) > 3.0 * error[6]:
        off = _centre_part(strength, (u1, v1, u2, v2))
    trail = _with_lopsided(pattern, (e1 - off[0], e2 - off[1]))
    draws = _draws()
    trail_error = math.hypot(error[0], error[1]) / math.sqrt(2.0)
    amount = {
        "trail": np.hypot(trail[0] + draws[0] * trail_error, trail[1] + draws[1] * trail_error),
    }
    field = strength + draws[2] * error[6]
    amount["radial"] = SEEN_R2 * np.clip(field, 0.0, None)
    amount["tangential"] = SEEN_R2 * np.clip(-field, 0.0, None)
    plane, quadratic = _tilt_parts(pattern, draws)
    tilt = np.hypot(RMS_U * plane, RMS_R2 * quadratic)
    # A pattern about a centre off the middle slopes as well; a tilt alone stretches nothing.
    amount["tilt"] = np.clip(
        tilt - PATTERN_IN_TILT * (amount["radial"] + amount["tangential"]), 0.0, None
    )
    if sharp is not None:
        size_error = 0.0 if math.isnan(pattern.size_error[0]) else pattern.size_error[0]
        # Somewhere a tilted field is sharp; what a bad focus leaves nowhere is.
        soft = _sharpest_place(pattern) + draws[7] * size_error
        soft = soft - sharp.variance_px2 * np.exp(sharp.spread * (draws[14] + 1.0))
        # What stretches stars widens them as much.
        stretched = np.maximum(amount["trail"], amount["radial"] + amount["tangential"])
        amount["focus"] = np.clip(soft - 1.2 * stretched, 0.0, None)
        amount["tilt"] = np.clip(amount["tilt"] - amount["focus"], 0.0, None)
    limit = ROUND_SHARE * base
    scores = []
    for place, kind in enumerate(KINDS):
        if kind == "round":
            scores.append(limit * np.exp(0.25 * draws[8]))
        elif kind not in amount:
            scores.append(np.zeros(DRAWS))
        else:
            scores.append(amount[kind] * np.exp(MODEL_ERROR * draws[9 + place % 6]))
    winner = np.argmax(np.stack(scores), axis=0)
    count = np.bincount(winner, minlength=len(KINDS)) / DRAWS
    return FieldShares(
        chance={kind: float(c) for kind, c in zip(KINDS, count, strict=True)},
        trail=trail,
        trail_error=trail_error,
        radial_px2=strength,
        radial_error=error[6],
    )


def _with_lopsided(pattern: Pattern, trail: tuple[float, float]) -> tuple[float, float]:
    """The common ellipticity, or what a strong common skew stands for where that is more."""
    x, y = pattern.skew[:2]
    size = LOPSIDED * pattern.round_px2 * math.hypot(x, y)
    if math.isnan(pattern.skew_error[0]) or size <= math.hypot(*trail):
        return trail
    double = 2.0 * math.atan2(y, x)
    return size * math.cos(double), size * math.sin(double)


def _centre_part(strength: float, slopes: tuple[float, ...]) -> tuple[float, float]:
    """(E₁, E₂) at the frame's centre of an r² pattern whose own centre lies elsewhere in it.

    About a centre (a, b) the pattern k·((u−a)² − (v−b)², 2(u−a)(v−b)) has slopes
    −2k(a, −b) and −2k(b, a). Farther out than the frame it is a trail and stays one.
    """
    u1, v1, u2, v2 = slopes
    a = -(u1 + v2) / (4.0 * strength)
    b = -(u2 - v1) / (4.0 * strength)
    if math.hypot(a, b) > 0.8:
        return 0.0, 0.0
    return strength * (a * a - b * b), 2.0 * strength * a * b


def _sharpest_place(pattern: Pattern) -> float:
    """The least round variance over a grid of the frame's places, px²."""
    u, v = (a.ravel() for a in np.meshgrid([-0.66, 0.0, 0.66], [-0.44, 0.0, 0.44]))
    terms = np.column_stack([np.ones_like(u), u, v, u * u, u * v, v * v])
    return max(0.0, float((terms @ np.array(pattern.size)).min()))


def _tilt_parts(pattern: Pattern, draws: Floats) -> tuple[Floats, Floats]:
    """Slope of the round variance, and its change along one direction only (px²)."""
    s = pattern.size
    errors = [0.0 if math.isnan(x) else x for x in pattern.size_error]
    plane = np.hypot(s[1] + draws[3] * errors[1], s[2] + draws[4] * errors[2])
    one_way = np.hypot(
        0.5 * (s[3] - s[5]) + draws[5] * 0.5 * math.hypot(errors[3], errors[5]),
        0.5 * s[4] + draws[6] * 0.5 * errors[4],
    )
    return plane, one_way


@lru_cache(maxsize=1)
def _draws() -> Floats:
    """Fixed standard normals: the same frame always gets the same answer."""
    return np.random.default_rng(0xCA5E).standard_normal((15, DRAWS))
