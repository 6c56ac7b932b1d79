"""Surfaces of a shape that somebody chose: polynomials, vignetting, edge glow, splines.

Also the statistics of cells of sky that have a bright tail, as objects only ever add light.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from slowglass.finish.combine import MAD_TO_SIGMA
from slowglass.finish.skyflat import Blocks
from slowglass.finish.smoothsky import glow_terms

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

FIXED_SHAPES = (
    "constant", "plane", "curved", "vignette", "cubic", "edge glow", "stiff spline", "spline",
)  # fmt: skip
"""Stiffest first."""
SMOOTHING = {"stiff spline": 0.1, "spline": 0.001}
FEWEST_PER_TERM = 3


@dataclass(frozen=True)
class Sheet:
    """Size of the picture, and places on it in units of half its longer side."""

    width_px: int
    height_px: int

    @property
    def edges(self) -> tuple[float, float]:
        """Half the width and half the height in those units."""
        longer = max(self.width_px, self.height_px)
        return self.width_px / longer, self.height_px / longer

    def unit(self, x_px: npt.ArrayLike, y_px: npt.ArrayLike) -> tuple[Floats, Floats]:
        """Places in pixels, in that unit from the middle."""
        half = max(self.width_px, self.height_px) / 2.0
        x = (np.asarray(x_px, dtype=np.float64) - (self.width_px - 1) / 2.0) / half
        y = (np.asarray(y_px, dtype=np.float64) - (self.height_px - 1) / 2.0) / half
        return x, y


def mode_of(values: Floats) -> float:
    """Where values of a distribution with a bright tail crowd: 2.5 median − 1.5 mean, clipped."""
    if len(values) == 0:
        return 0.0
    for _ in range(3):
        middle = float(np.median(values))
        spread = spread_of(values)
        near = values[np.abs(values - middle) <= 2.5 * spread]
        if spread == 0.0 or len(near) in (0, len(values)):
            break
        values = near
    return 2.5 * float(np.median(values)) - 1.5 * float(np.mean(values))


def spread_of(values: Floats) -> float:
    """Robust σ of the values; 0 of none."""
    if len(values) == 0:
        return 0.0
    return MAD_TO_SIGMA * float(np.median(np.abs(values - np.median(values))))


def spread_below(values: Floats, middle: float) -> float:
    """Robust σ by the values below ``middle`` alone."""
    under = middle - values[values < middle]
    return MAD_TO_SIGMA * float(np.median(under)) if len(under) else 0.0


Model = Callable[[Floats, Floats], Floats]


def fit_shape(shape: str, cells: Blocks, use: Bools, sheet: Sheet) -> Model:
    """The shape fitted to the cells in use, as a function of pixel places."""
    x, y = sheet.unit(cells.x_px[use], cells.y_px[use])
    level = cells.level_adu[use]
    if shape in SMOOTHING and len(level) >= 20:
        return _spline(x, y, level, float(np.median(cells.error_adu[use])), shape, sheet)
    order = FIXED_SHAPES.index(shape)
    design = _terms(shape, x, y, sheet.edges)
    while order > 0 and len(level) < FEWEST_PER_TERM * design.shape[1]:
        order -= 1
        shape = FIXED_SHAPES[order]
        design = _terms(shape, x, y, sheet.edges)
    terms = _robust_solve(design, level)

    def model(x_px: Floats, y_px: Floats) -> Floats:
        return np.asarray(
            _terms(shape, *sheet.unit(x_px, y_px), sheet.edges) @ terms, dtype=np.float64
        )

    return model


def _robust_solve(design: Floats, level: Floats) -> Floats:
    """Least squares with Huber's weights (k = 1.345 σ)."""
    weight: Floats = np.ones(len(level))
    # a trace of stiffness keeps glow terms that the cells hardly see from running away
    ridge = 1e-6 * len(level) * np.eye(design.shape[1])
    terms: Floats = np.zeros(design.shape[1])
    for _ in range(6):
        normal = design.T @ (design * weight[:, None]) + ridge
        terms = np.asarray(np.linalg.solve(normal, design.T @ (weight * level)), dtype=np.float64)
        rest = level - design @ terms
        sigma = spread_of(rest)
        if sigma == 0.0:
            break
        weight = np.asarray(1.0 / np.maximum(1.0, np.abs(rest) / (1.345 * sigma)), dtype=np.float64)
    return np.asarray(terms, dtype=np.float64)


def _terms(shape: str, x: Floats, y: Floats, edges: tuple[float, float]) -> Floats:
    order = {"constant": 0, "plane": 1, "curved": 2, "vignette": 2, "edge glow": 2}.get(shape, 3)
    columns = [x**i * y**j for i in range(order + 1) for j in range(order + 1 - i)]
    if shape == "vignette":
        columns.append((x * x + y * y) ** 2)
    if shape == "edge glow":
        columns += glow_terms(x, y, edges)
    return np.column_stack([np.broadcast_to(c, x.shape) for c in columns])


def _spline(x: Floats, y: Floats, level: Floats, error: float, shape: str, sheet: Sheet) -> Model:
    """A thin-plate spline that bends only as the cells' errors demand."""
    from scipy.interpolate import RBFInterpolator

    scale = max(error, 1e-9)
    places = np.column_stack([x, y])
    fit = RBFInterpolator(places, level / scale, smoothing=SMOOTHING[shape], degree=1)

    def model(x_px: Floats, y_px: Floats) -> Floats:
        where = np.column_stack(sheet.unit(x_px, y_px))
        return np.asarray(scale * fit(where), dtype=np.float64)

    return model
