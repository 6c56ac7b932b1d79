"""How the shapes of a frame's stars change over the field, as a few numbers with their errors.

Each star gives the second moments of its fitted profile, split into a round part T (half the
trace, px²) and an ellipticity (E₁, E₂), half the difference of the variances along x and y, and
their covariance. Both are fitted by low polynomials of the place in the field, in units of half
the frame's diagonal. Trails are uniform; a turning field, coma and astigmatism grow with the
square of the distance from a centre; a tilted sensor changes T along one direction.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from slowglass.frame.stars import StarList
from slowglass.judge.shape import FEWEST_STARS, usable_shapes
from slowglass.kit.optics import FWHM_PER_SIGMA

Floats = npt.NDArray[np.float64]

FULL_FIT_STARS = 14
"""Stars from which the full polynomials are fitted (7 unknowns for 2 numbers a star)."""
PLANE_FIT_STARS = 7
MOMENT_FLOOR = 0.03
"""Scatter of a star's moments beyond its noise, in units of T: undersampling, faint companions."""


@dataclass(frozen=True)
class Pattern:
    """Moments of the star images over a frame, px² (variances, not widths).

    ``size`` holds T's coefficients of 1, u, v, u², uv, v² with u, v the place from the frame's
    centre in units of ``reach_px``, half the diagonal. ``shape`` holds E₁ and E₂ at the centre,
    their slopes along u and v (E₁u, E₁v, E₂u, E₂v) and the strength of the part that points at
    the centre (+) or runs around it (−) and grows as the square of the distance. ``skew`` is the
    lopsidedness of the images: common along x, y, and away from the centre at the full reach.
    Coefficients that were not fitted are 0 with an error of NaN.
    """

    stars: int
    reach_px: float
    size: tuple[float, ...]
    size_error: tuple[float, ...]
    shape: tuple[float, ...]
    shape_error: tuple[float, ...]
    skew: tuple[float, ...] = (0.0, 0.0, 0.0)
    skew_error: tuple[float, ...] = (math.nan, math.nan, math.nan)

    @property
    def round_px2(self) -> float:
        """Variance of the image at the frame's centre, mean of both axes."""
        return self.size[0]

    @property
    def fits_field(self) -> bool:
        """True where enough stars were there to see changes over the field."""
        return math.isfinite(self.shape_error[6])

    @classmethod
    def from_json(cls, value: dict[str, Any]) -> Pattern:
        """The record a JSON object was made from."""

        def numbers(key: str) -> tuple[float, ...]:
            return tuple(math.nan if n is None else float(n) for n in value[key])

        return cls(
            int(value["stars"]),
            float(value["reach_px"]),
            *(numbers(key) for key in ("size", "size_error", "shape", "shape_error")),
            *(numbers(key) for key in ("skew", "skew_error")),
        )


def measure_pattern(
    stars: StarList,
    width_px: int,
    height_px: int,
    *,
    skews: Floats | None = None,
) -> Pattern | None:
    """The moments' pattern over a frame; None for fewer than three measured stars.

    ``skews`` (n, 2) are the stars' lopsidedness, NaN where unmeasured.
    """
    use = usable_shapes(stars) & np.isfinite(stars.elongation) & (stars.elongation >= 1.0)
    if np.count_nonzero(use) < FEWEST_STARS:
        return None
    variance = (stars.fwhm_px[use] / FWHM_PER_SIGMA) ** 2
    major, minor = variance * stars.elongation[use], variance / stars.elongation[use]
    angle = 2.0 * np.radians(stars.elongation_angle_deg[use])
    t, e = 0.5 * (major + minor), 0.5 * (major - minor)
    reach = 0.5 * math.hypot(width_px, height_px)
    u = (stars.x_px[use] - (width_px - 1) / 2.0) / reach
    v = (stars.y_px[use] - (height_px - 1) / 2.0) / reach
    noise = t * np.hypot(2.0 / np.maximum(stars.snr[use], 1.0), MOMENT_FLOOR)
    size, size_error = _fit_size(u, v, t, noise)
    shape, shape_error = _fit_shape(u, v, e * np.cos(angle), e * np.sin(angle), noise)
    skew: tuple[float, ...] = (0.0, 0.0, 0.0)
    skew_error: tuple[float, ...] = (math.nan,) * 3
    if skews is not None:
        skew, skew_error = _fit_skew(u, v, skews[use])
    return Pattern(
        int(np.count_nonzero(use)), reach, size, size_error, shape, shape_error, skew, skew_error
    )


def _fit_size(u: Floats, v: Floats, t: Floats, noise: Floats) -> tuple[tuple[float, ...], ...]:
    one = np.ones_like(u)
    columns = [one, u, v, u * u, u * v, v * v]
    terms = 6 if u.size >= FULL_FIT_STARS else 3 if u.size >= PLANE_FIT_STARS else 1
    return _padded(*robust_fit(np.column_stack(columns[:terms]), t, noise), 6)


def _fit_shape(
    u: Floats, v: Floats, e1: Floats, e2: Floats, noise: Floats
) -> tuple[tuple[float, ...], ...]:
    one, zero = np.ones_like(u), np.zeros_like(u)
    first = [one, zero, u, v, zero, zero, u * u - v * v]
    second = [zero, one, zero, zero, u, v, 2.0 * u * v]
    # With few stars the centred pattern matters more than where its centre lies.
    terms = (
        [0, 1, 2, 3, 4, 5, 6]
        if u.size >= FULL_FIT_STARS
        else [0, 1, 6]
        if u.size >= PLANE_FIT_STARS
        else [0, 1]
    )
    design = np.concatenate([np.column_stack(first), np.column_stack(second)])[:, terms]
    found, error = robust_fit(design, np.concatenate([e1, e2]), np.concatenate([noise, noise]))
    values, errors = np.zeros(7), np.full(7, math.nan)
    values[terms], errors[terms] = found, error
    return tuple(map(float, values)), tuple(map(float, errors))


def _fit_skew(u: Floats, v: Floats, skews: Floats) -> tuple[tuple[float, ...], ...]:
    """Common skew along x and y and its growth away from the centre."""
    good = np.isfinite(skews).all(axis=1)
    u, v, s = u[good], v[good], skews[good]
    if u.size < FEWEST_STARS:
        return (0.0, 0.0, 0.0), (math.nan,) * 3
    one, zero = np.ones_like(u), np.zeros_like(u)
    design = np.concatenate([np.column_stack([one, zero, u]), np.column_stack([zero, one, v])])
    if u.size < PLANE_FIT_STARS:
        design = design[:, :2]
    value = np.concatenate([s[:, 0], s[:, 1]])
    return _padded(*robust_fit(design, value, np.full(value.size, 0.02)), 3)


def robust_fit(design: Floats, value: Floats, noise: Floats) -> tuple[Floats, Floats]:
    """Coefficients and their errors of a linear model, strays weighed down (Huber 1964).

    The errors are widened where the scatter is larger than ``noise`` says.
    """
    weight = 1.0 / noise
    inside = np.ones_like(value)
    coefficients: Floats = np.zeros(design.shape[1])
    spread = 1.0
    for _ in range(8):
        w = weight * np.sqrt(inside)
        coefficients = np.asarray(np.linalg.lstsq(design * w[:, None], value * w, rcond=None)[0])
        away = np.abs(value - design @ coefficients) * weight
        freedom = max(1, value.size - design.shape[1])
        spread = max(1.0, 1.4826 * float(np.median(away)) * math.sqrt(value.size / freedom))
        inside = np.minimum(1.0, 1.5 * spread / np.maximum(away, 1e-12))
    w = weight * np.sqrt(inside)
    normal = (design * w[:, None]).T @ (design * w[:, None])
    covariance = np.linalg.pinv(normal) * spread**2
    return coefficients, np.sqrt(np.clip(np.diag(covariance), 0.0, None))


def _padded(values: Floats, errors: Floats, length: int) -> tuple[tuple[float, ...], ...]:
    missing = length - values.size
    return (
        (*map(float, values), *([0.0] * missing)),
        (*map(float, errors), *([math.nan] * missing)),
    )
