"""Where a frame lies on the reference frame, and the part of the sky that all frames share."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Similarity:
    """Turn, scale and shift: frame pixel z = x + iy lands on reference pixel a·z + b."""

    a: complex = 1.0 + 0.0j
    b: complex = 0.0 + 0.0j

    @property
    def scale(self) -> float:
        """Reference pixels per frame pixel."""
        return abs(self.a)

    @property
    def rotation_deg(self) -> float:
        """Turn from the +x (column) axis toward +y (row), in (−180, 180]."""
        return float(np.degrees(np.angle(self.a)))

    def apply(self, xy_px: npt.ArrayLike) -> Floats:
        """Reference positions (n, 2) of frame positions (n, 2)."""
        xy = np.asarray(xy_px, dtype=np.float64)
        z = self.a * (xy[..., 0] + 1j * xy[..., 1]) + self.b
        return np.stack([z.real, z.imag], axis=-1)

    def inverse(self) -> Similarity:
        """The way back, from the reference to the frame."""
        return Similarity(1.0 / self.a, -self.b / self.a)

    def after(self, first: Similarity) -> Similarity:
        """This step taken after ``first``."""
        return Similarity(self.a * first.a, self.a * first.b + self.b)

    def shift_at(self, x_px: float, y_px: float) -> tuple[float, float]:
        """Displacement (dx, dy) in pixels of the point (x, y)."""
        moved = self.a * complex(x_px, y_px) + self.b - complex(x_px, y_px)
        return moved.real, moved.imag

    def matrix(self) -> Floats:
        """The (2, 3) affine matrix on (x, y, 1)."""
        a, b = complex(self.a), complex(self.b)
        return np.array([[a.real, -a.imag, b.real], [a.imag, a.real, b.imag]])


@dataclass(frozen=True)
class Box:
    """A rectangle of pixels: columns x0…x1−1, rows y0…y1−1."""

    x0: int
    y0: int
    x1: int
    y1: int

    @property
    def width_px(self) -> int:
        """Columns."""
        return self.x1 - self.x0

    @property
    def height_px(self) -> int:
        """Rows."""
        return self.y1 - self.y0


def fit_similarity(from_xy: Floats, to_xy: Floats, weights: Floats | None = None) -> Similarity:
    """The least-squares similarity that carries ``from_xy`` (n, 2) onto ``to_xy``; n ≥ 2.

    Closed form of Umeyama 1991 (IEEE TPAMI 13, 376), written with complex numbers.
    """
    z = from_xy[:, 0] + 1j * from_xy[:, 1]
    w = to_xy[:, 0] + 1j * to_xy[:, 1]
    k = np.ones(len(z)) if weights is None else np.asarray(weights, dtype=np.float64)
    k = k / k.sum()
    zm, wm = (k * z).sum(), (k * w).sum()
    a = (k * (w - wm) * np.conj(z - zm)).sum() / (k * np.abs(z - zm) ** 2).sum()
    return Similarity(complex(a), complex(wm - a * zm))


def largest_box(covered: npt.NDArray[np.bool_]) -> Box | None:
    """The largest all-true rectangle of a boolean picture, or None where nothing is true."""
    rows, cols = covered.shape
    heights = np.zeros(cols + 1, dtype=np.int64)
    best, area = None, 0
    for y in range(rows):
        heights[:cols] = np.where(covered[y], heights[:cols] + 1, 0)
        stack: list[int] = []
        for x in range(cols + 1):
            while stack and heights[stack[-1]] >= heights[x]:
                h = int(heights[stack.pop()])
                left = stack[-1] + 1 if stack else 0
                if h * (x - left) > area:
                    area = h * (x - left)
                    best = Box(left, y - h + 1, x, y + 1)
            stack.append(x)
    return best


def common_box(
    placements: Sequence[Similarity], width_px: int, height_px: int, *, share: float = 1.0
) -> Box:
    """The largest rectangle on the reference frame that ``share`` of all frames cover.

    Two pixels are kept back at every frame's edge, where interpolation runs out of neighbours.
    Where all frames share less than half of the picture, the area that most of them cover counts.
    """
    step = max(1, min(width_px, height_px) // 250)
    xs = np.arange(0, width_px, step) + (step - 1) / 2
    ys = np.arange(0, height_px, step) + (step - 1) / 2
    grid = np.stack(np.meshgrid(xs, ys), axis=-1)
    count = np.zeros(grid.shape[:2], dtype=np.int32)
    margin = 2 + (step - 1) / 2
    for placement in placements:
        at = placement.inverse().apply(grid)
        count += (
            (at[..., 0] >= margin)
            & (at[..., 0] <= width_px - 1 - margin)
            & (at[..., 1] >= margin)
            & (at[..., 1] <= height_px - 1 - margin)
        )
    whole = Box(0, 0, width_px, height_px)
    if len(placements) == 1:
        return whole
    for wanted in (share, 0.5, 0.25):
        box = largest_box(count >= max(1, int(np.ceil(wanted * len(placements) - 1e-9))))
        if box and box.width_px * box.height_px * step**2 >= 0.5 * width_px * height_px:
            break
    if box is None:
        return whole
    return Box(
        box.x0 * step,
        box.y0 * step,
        min(box.x1 * step, width_px),
        min(box.y1 * step, height_px),
    )
