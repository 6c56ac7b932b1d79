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

    @property
    def is_identity(self) -> bool:
        """True where every pixel stays put."""
        return abs(self.a - 1.0) < 1e-12 and abs(self.b) < 1e-9


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

    def grid(self, count: int) -> Floats:
        """``count`` × ``count`` evenly spaced pixel positions (n, 2), corners included."""
        x = np.linspace(self.x0, self.x1 - 1, count)
        y = np.linspace(self.y0, self.y1 - 1, count)
        return np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)


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


@dataclass(frozen=True)
class Projective:
    """A plane seen at another angle: (x, y, 1) times a 3 × 3 matrix, divided by the third."""

    matrix: tuple[tuple[float, ...], ...]

    def apply(self, xy_px: npt.ArrayLike) -> Floats:
        """Reference positions (…, 2) of frame positions (…, 2)."""
        xy = np.asarray(xy_px, dtype=np.float64)
        m = np.asarray(self.matrix)
        top = xy @ m[:2, :2].T + m[:2, 2]
        return np.asarray(top / (xy @ m[2, :2] + m[2, 2])[..., None])

    def inverse(self) -> Projective:
        """The way back, from the reference to the frame."""
        return Projective(_rows(np.linalg.inv(np.asarray(self.matrix))))

    @property
    def is_identity(self) -> bool:
        """Never taken to be: a similarity says so better."""
        return False


@dataclass(frozen=True)
class Polynomial:
    """Low-order polynomials in x and y, each scaled to about −1…1, both ways."""

    centre_px: tuple[float, float]
    half_px: float
    there: tuple[tuple[float, ...], ...]
    """Coefficients (2, terms) from the frame to the reference, in half-widths."""
    back: tuple[tuple[float, ...], ...]

    @property
    def order(self) -> int:
        """Highest power."""
        return int((np.sqrt(8 * len(self.there[0]) + 1) - 3) / 2)

    def apply(self, xy_px: npt.ArrayLike) -> Floats:
        """Reference positions (…, 2) of frame positions (…, 2)."""
        unit = (np.asarray(xy_px, dtype=np.float64) - self.centre_px) / self.half_px
        terms = _powers(unit, self.order)
        return np.asarray(terms @ np.asarray(self.there).T * self.half_px + self.centre_px)

    def inverse(self) -> Polynomial:
        """The way back, fitted as such: good to a few thousandths of a pixel over the frame."""
        return Polynomial(self.centre_px, self.half_px, self.back, self.there)

    @property
    def is_identity(self) -> bool:
        """Never taken to be: a similarity says so better."""
        return False


Place = Similarity | Projective | Polynomial
"""How frame pixels land on reference pixels."""


def _rows(matrix: Floats) -> tuple[tuple[float, ...], ...]:
    return tuple(tuple(float(v) for v in row) for row in matrix)


def _powers(unit: Floats, order: int) -> Floats:
    x, y = unit[..., 0], unit[..., 1]
    return np.stack([x**i * y ** (n - i) for n in range(order + 1) for i in range(n + 1)], axis=-1)


def fit_projective(from_xy: Floats, to_xy: Floats, weights: Floats | None = None) -> Projective:
    """The projective map of n ≥ 4 pairs by the direct linear transform on centred positions.

    Hartley & Zisserman 2004, Multiple View Geometry, algorithm 4.2.
    """
    k = np.ones(len(from_xy)) if weights is None else np.sqrt(weights)

    def centred(xy: Floats) -> tuple[Floats, Floats]:
        middle = xy.mean(axis=0)
        size = max(float(np.hypot(*(xy - middle).T).mean()), 1e-9) / 2**0.5
        return (xy - middle) / size, np.array(
            [[1 / size, 0, -middle[0] / size], [0, 1 / size, -middle[1] / size], [0, 0, 1]]
        )

    (p, from_unit), (q, to_unit) = centred(from_xy), centred(to_xy)
    one, zero = np.ones(len(p)), np.zeros((len(p), 3))
    own = np.column_stack([p, one])
    upper = np.hstack([own, zero, -q[:, :1] * own]) * k[:, None]
    lower = np.hstack([zero, own, -q[:, 1:] * own]) * k[:, None]
    h = np.linalg.svd(np.vstack([upper, lower]), full_matrices=False)[2][-1].reshape(3, 3)
    m = np.linalg.inv(to_unit) @ h @ from_unit
    return Projective(_rows(m / m[2, 2]))


def fit_polynomial(
    from_xy: Floats,
    to_xy: Floats,
    order: int,
    *,
    width_px: int,
    height_px: int,
    weights: Floats | None = None,
    way_back: bool = True,
) -> Polynomial:
    """The least-squares polynomial of an order through pairs, and the one of the way back.

    Without ``way_back`` it can only be applied, which is quicker where fits are compared.
    """
    centre = np.array([(width_px - 1) / 2, (height_px - 1) / 2])
    half = max(width_px, height_px) / 2.0
    k = np.ones(len(from_xy)) if weights is None else np.sqrt(weights)

    def solved(a: Floats, b: Floats, w: Floats, powers: int) -> Floats:
        terms = _powers((a - centre) / half, powers)
        target = (b - centre) / half
        return np.asarray(np.linalg.lstsq(terms * w[:, None], target * w[:, None], rcond=None)[0].T)

    there = solved(from_xy, to_xy, k, order)
    # The way back from the way there on a dense grid, so that both tell the same; the inverse
    # of a polynomial is none, two more orders bring it to a thousandth of a pixel.
    grid = Box(0, 0, width_px, height_px).grid(24)
    forward = Polynomial((float(centre[0]), float(centre[1])), half, _rows(there), ())
    if not way_back:
        return forward
    back = solved(forward.apply(grid), grid, np.ones(len(grid)), order + 2)
    return Polynomial((float(centre[0]), float(centre[1])), half, _rows(there), _rows(back))


def enlarged(place: Place, times: float) -> Place:
    """The same place on a reference grid whose pixels are ``times`` smaller, corners in line."""
    shift = (times - 1.0) / 2.0
    if isinstance(place, Similarity):
        return Similarity(times * place.a, times * place.b + shift * (1 + 1j))
    if isinstance(place, Projective):
        bigger = np.array([[times, 0.0, shift], [0.0, times, shift], [0.0, 0.0, 1.0]])
        return Projective(_rows(bigger @ np.asarray(place.matrix)))
    # Polynomials stay polynomials of the same order: fitted anew through exact pairs.
    width, height = (round(2 * c + 1) for c in place.centre_px)
    grid = Box(0, 0, width, height).grid(24)
    at = times * place.apply(grid) + shift
    return fit_polynomial(grid, at, place.order, width_px=width, height_px=height)


def turn_deg(place: Place, x_px: float, y_px: float) -> float:
    """Turn from the +x axis toward +y, in (−180, 180], where (x, y) lands."""
    at = place.apply([[x_px - 50, y_px], [x_px + 50, y_px]])
    return float(np.degrees(np.arctan2(*(at[1] - at[0])[::-1])))


def shift_at(place: Place, x_px: float, y_px: float) -> tuple[float, float]:
    """Displacement (dx, dy) in pixels of the point (x, y)."""
    at = place.apply([[x_px, y_px]])[0]
    return float(at[0] - x_px), float(at[1] - y_px)


def local_affine(place: Place, box: Box) -> Floats:
    """The (2, 3) matrix on (x, y, 1) that stands for ``place`` in a box, least squares."""
    if isinstance(place, Similarity):
        a, b = complex(place.a), complex(place.b)
        return np.array([[a.real, -a.imag, b.real], [a.imag, a.real, b.imag]])
    at = box.grid(5)
    design = np.column_stack([at - at.mean(axis=0), np.ones(len(at))])
    m = np.linalg.lstsq(design, place.apply(at), rcond=None)[0].T
    m[:, 2] -= m[:, :2] @ at.mean(axis=0)
    return np.asarray(m)


def scale_of(place: Place) -> float:
    """Reference pixels that a pixel of a frame is wide, near its first corner."""
    return abs(float(np.linalg.det(local_affine(place, _PATCH)[:, :2]))) ** 0.5


_PATCH = Box(0, 0, 500, 500)
BENT_PX = 0.01
"""Largest departure of a place from the affine map that stands for it in a tile."""


def straight_tiles(place: Place, block: Box) -> list[Box]:
    """The block cut until each piece is moved as by an affine map, to within ``BENT_PX``."""
    if isinstance(place, Similarity):
        return [block]
    tiles, todo = [], [block]
    while todo:
        box = todo.pop()
        at = box.grid(5)
        m = local_affine(place, box)
        miss = np.abs(at @ m[:, :2].T + m[:, 2] - place.apply(at)).max()
        long_side = max(box.width_px, box.height_px)
        if miss <= BENT_PX or long_side <= 32:
            tiles.append(box)
        elif box.width_px >= box.height_px:
            x = (box.x0 + box.x1) // 2
            todo += [Box(box.x0, box.y0, x, box.y1), Box(x, box.y0, box.x1, box.y1)]
        else:
            y = (box.y0 + box.y1) // 2
            todo += [Box(box.x0, box.y0, box.x1, y), Box(box.x0, y, box.x1, box.y1)]
    return tiles


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
    placements: Sequence[Place],
    width_px: int,
    height_px: int,
    *,
    share: float = 1.0,
    sizes: Sequence[tuple[int, int]] | None = None,
) -> Box:
    """The largest rectangle on the reference frame that ``share`` of all frames cover.

    Two pixels are kept back at every frame's edge, where interpolation runs out of neighbours.
    Where all frames share less than half of the picture, the area that most of them cover counts.
    ``sizes`` are the frames' own (columns, rows) where they differ from the reference's.
    """
    step = max(1, min(width_px, height_px) // 250)
    xs = np.arange(0, width_px, step) + (step - 1) / 2
    ys = np.arange(0, height_px, step) + (step - 1) / 2
    grid = np.stack(np.meshgrid(xs, ys), axis=-1)
    count = np.zeros(grid.shape[:2], dtype=np.int32)
    margin = 2 + (step - 1) / 2
    every = sizes if sizes is not None else [(width_px, height_px)] * len(placements)
    for placement, (columns, rows) in zip(placements, every, strict=True):
        at = placement.inverse().apply(grid)
        count += (
            (at[..., 0] >= margin)
            & (at[..., 0] <= columns - 1 - margin)
            & (at[..., 1] >= margin)
            & (at[..., 1] <= rows - 1 - margin)
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
