"""The glow of the sky as a smooth surface, and the picture without it.

Stars, nebulae and galaxies are kept out twice: bright pixels by clipping inside each block,
whole blocks by a one-sided clip of their medians against the fitted surface, as objects only
ever add light. The surface is a polynomial of low order, so it cannot follow an object.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from slowglass.finish.combine import MAD_TO_SIGMA, settled_level

Plane = npt.NDArray[np.float32]


@dataclass(frozen=True)
class Surface:
    """A polynomial in x and y over a picture, each scaled to −1…1; ADU."""

    width_px: int
    height_px: int
    powers: tuple[tuple[int, int], ...]
    terms_adu: tuple[float, ...]

    def rows(self, first: int, last: int) -> Plane:
        """Values for rows ``first`` … ``last`` − 1."""
        x = _unit(np.arange(self.width_px), self.width_px)[None, :]
        y = _unit(np.arange(first, last), self.height_px)[:, None]
        out = np.zeros((last - first, self.width_px))
        for (i, j), term in zip(self.powers, self.terms_adu, strict=True):
            out += term * x**i * y**j
        return out.astype(np.float32)

    def at(self, x_px: npt.ArrayLike, y_px: npt.ArrayLike) -> npt.NDArray[np.float64]:
        """Values at positions."""
        x = _unit(np.asarray(x_px, dtype=np.float64), self.width_px)
        y = _unit(np.asarray(y_px, dtype=np.float64), self.height_px)
        out = np.zeros(np.broadcast(x, y).shape)
        for (i, j), term in zip(self.powers, self.terms_adu, strict=True):
            out += term * x**i * y**j
        return out


def _unit(value: npt.NDArray, size: int) -> npt.NDArray[np.float64]:
    half = max((size - 1) / 2.0, 0.5)
    return np.asarray(value / half - 1.0, dtype=np.float64)


@dataclass(frozen=True)
class Blocks:
    """Robust sky level of each block of a picture: centre position, level, uncertainty."""

    x_px: npt.NDArray[np.float64]
    y_px: npt.NDArray[np.float64]
    level_adu: npt.NDArray[np.float64]
    error_adu: npt.NDArray[np.float64]


def block_levels(plane: Plane, *, across: int = 32, samples: int = 900) -> Blocks:
    """Sky level by block, stars clipped away; NaN pixels are skipped, empty blocks left out."""
    high, wide = plane.shape
    size = max(8, max(high, wide) // across)
    xs, ys, levels, errors = [], [], [], []
    for y0 in range(0, max(high - size // 2, 1), size):
        for x0 in range(0, max(wide - size // 2, 1), size):
            block = plane[y0 : y0 + size, x0 : x0 + size]
            step = max(1, int(np.sqrt(block.size / samples)))
            values = block[::step, ::step].ravel()
            values = values[np.isfinite(values)]
            if len(values) < 16:
                continue
            middle, sigma, left = settled_level(values.astype(np.float64))
            xs.append(x0 + (block.shape[1] - 1) / 2)
            ys.append(y0 + (block.shape[0] - 1) / 2)
            levels.append(middle)
            errors.append(float(1.2533 * max(sigma, 1e-12) / np.sqrt(left)))
    return Blocks(np.array(xs), np.array(ys), np.array(levels), np.array(errors))


def fit_surface(
    blocks: Blocks, width_px: int, height_px: int, *, order: int | None = None
) -> Surface:
    """The surface through block levels; ``order`` None chooses 1 or 2 by the residuals.

    Blocks more than 2 σ above the surface or 3 σ below are dropped until nothing changes. The
    second order is taken only where it lowers the scatter by a fifth: an object alone is no
    reason.
    """
    if order is not None:
        return _fit(blocks, width_px, height_px, order)[0]
    flat, scatter1 = _fit(blocks, width_px, height_px, 1)
    curved, scatter2 = _fit(blocks, width_px, height_px, 2)
    return curved if scatter2 < 0.8 * scatter1 else flat


def _fit(blocks: Blocks, width_px: int, height_px: int, order: int) -> tuple[Surface, float]:
    powers = tuple((i, j) for i in range(order + 1) for j in range(order + 1 - i))
    n = len(blocks.x_px)
    if n < 3 * len(powers):
        powers = ((0, 0),)
    if n == 0:
        return Surface(width_px, height_px, powers, (0.0,)), 0.0
    x, y = _unit(blocks.x_px, width_px), _unit(blocks.y_px, height_px)
    design = np.column_stack([x**i * y**j for i, j in powers])
    keep = np.ones(n, dtype=bool)
    terms: npt.NDArray = np.zeros(len(powers))
    sigma = 0.0
    for _ in range(20):
        terms = np.linalg.lstsq(design[keep], blocks.level_adu[keep], rcond=None)[0]
        rest = blocks.level_adu - design @ terms
        middle = np.median(rest[keep])
        sigma = MAD_TO_SIGMA * float(np.median(np.abs(rest[keep] - middle)))
        sigma = max(sigma, float(np.median(blocks.error_adu)))
        again = (rest - middle < 2.0 * sigma) & (rest - middle > -3.0 * sigma)
        if again.sum() < max(2 * len(powers), n // 4) or (again == keep).all():
            break
        keep = again
    return Surface(width_px, height_px, powers, tuple(float(t) for t in terms)), sigma


def subtract_surface(plane: Plane, surface: Surface, *, rows: int = 512) -> None:
    """Take the surface off ``plane``, in place."""
    for y in range(0, plane.shape[0], rows):
        plane[y : y + rows] -= surface.rows(y, min(y + rows, plane.shape[0]))
