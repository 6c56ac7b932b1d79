"""The glow of the sky behind the stars, told apart from the object's own faint outskirts.

Three things keep the object whole. Its catalogued outline, widened, is never looked at. Cells
that stand above the surface, and their neighbours, are left out as well, since objects only add
light. And the surface is chosen by *holes of the object's own size*: cut elsewhere into the
sky, each candidate is fitted around them and must foretell what lies inside. Whichever does so
best, the stiffest within one standard error, is what may cross the object.

Candidates go from a constant over polynomials, a remnant of vignetting and glowing sensor edges
to smoothing splines. The choice is made once, on the mean of the colours, so that all colours
share it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from slowglass.finish.combine import MAD_TO_SIGMA
from slowglass.finish.skyflat import Blocks, block_levels

Picture = npt.NDArray[np.float32]
Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

SHAPES = (
    "constant", "plane", "curved", "vignette", "cubic", "edge glow", "stiff spline", "spline",
)  # fmt: skip
"""Candidates, stiffest first."""
SMOOTHING = {"stiff spline": 0.1, "spline": 0.001}
FEWEST_PER_TERM = 3
NODE_PX = 16
CELLS_ACROSS, SAMPLES = 36, 3000
HOLES = 12
GLOW_FALL = 9.0
"""A sensor's glow falls to 1/e in a ninth of half its longer side."""
WIDEN = 1.6
"""Catalogued outlines end near 25 mag/arcsec²; discs and halos go on to half as far again."""
MOST_HIDDEN = 0.7


@dataclass(frozen=True)
class Outline:
    """An object's ellipse on a picture: centre, half axes, turn of the long one from +x to +y."""

    x_px: float
    y_px: float
    long_px: float
    short_px: float
    angle_deg: float = 0.0
    name: str = ""

    def depth(self, x_px: npt.ArrayLike, y_px: npt.ArrayLike) -> Floats:
        """0 at the centre, 1 on the outline, more outside."""
        dx, dy = np.asarray(x_px) - self.x_px, np.asarray(y_px) - self.y_px
        turn = np.radians(self.angle_deg)
        along = dx * np.cos(turn) + dy * np.sin(turn)
        across = dy * np.cos(turn) - dx * np.sin(turn)
        return np.asarray(np.hypot(along / self.long_px, across / self.short_px), dtype=np.float64)


@dataclass(frozen=True)
class SkySurface:
    """The sky of each colour at nodes ``NODE_PX`` apart, and how it was found."""

    nodes_adu: tuple[Picture, ...]
    shape: str
    scatter_adu: float
    """Robust scatter of the kept cells about the surface, mean of the colours."""
    span_adu: float
    """Highest less lowest sky, mean of the colours."""
    hidden_share: float
    """Share of the cells that objects hide."""
    scores: dict[str, float] = field(default_factory=dict)
    """Root mean square miss inside the holes of each candidate tried, ADU."""


def fit_sky(
    picture: Picture, objects: Sequence[Outline] = (), *, shape: str | None = None
) -> SkySurface:
    """The sky surface of a picture, (rows, columns) or (rows, columns, 3).

    ``objects`` are the outlines to leave alone; ``shape`` fixes the candidate (see ``SHAPES``).
    """
    planes = [picture] if picture.ndim == 2 else [picture[..., c] for c in range(3)]
    high, wide = planes[0].shape
    cells = [
        block_levels(np.ascontiguousarray(plane), across=CELLS_ACROSS, samples=SAMPLES)
        for plane in planes
    ]
    base = cells[0]
    nodes = _node_places(high, wide)
    if len(base.x_px) < 6:
        flat = [float(np.median(c.level_adu)) if len(c.level_adu) else 0.0 for c in cells]
        grid = tuple(np.full(nodes[0].shape, level, np.float32) for level in flat)
        return SkySurface(grid, "constant", 0.0, 0.0, 0.0)
    mean = Blocks(
        base.x_px,
        base.y_px,
        np.mean([c.level_adu for c in cells], axis=0),
        np.sqrt(np.mean([c.error_adu**2 for c in cells], axis=0)) / np.sqrt(len(cells)),
    )
    frame = _Frame(wide, high)
    open_sky, biggest = _not_hidden(mean, objects, frame)
    kept = _without_bright(mean, open_sky, frame)
    scores: dict[str, float] = {}
    if shape is None:
        shape, scores = _choose(mean, kept, biggest, frame)
    grids, spans, scatters = [], [], []
    for c in cells:
        model = _fitted(shape, c, kept, frame)
        values = model(nodes[0].ravel(), nodes[1].ravel()).reshape(nodes[0].shape)
        rest = c.level_adu[kept] - model(c.x_px[kept], c.y_px[kept])
        # Objects only add: what the clipping left of them would lift the surface a little.
        grids.append((values + _mode(rest)).astype(np.float32))
        spans.append(float(np.ptp(values)))
        scatters.append(_robust(rest))
    return SkySurface(
        tuple(grids),
        shape,
        float(np.mean(scatters)),
        float(np.mean(spans)),
        float(1.0 - kept.mean()),
        scores,
    )


def subtract_sky(picture: Picture, sky: SkySurface) -> None:
    """Take the surface off the picture, in place; one plane of extra memory."""
    import cv2

    high, wide = picture.shape[:2]
    for c, nodes in enumerate(sky.nodes_adu):
        full = sky_plane(nodes, high, wide)
        if picture.ndim == 2:
            cv2.subtract(picture, full, dst=picture)
        else:
            picture[..., c] -= full


def sky_plane(nodes: Picture, height_px: int, width_px: int) -> Picture:
    """The surface of one colour in every pixel."""
    import cv2

    size = (nodes.shape[1] * NODE_PX, nodes.shape[0] * NODE_PX)
    full = cv2.resize(nodes, size, interpolation=cv2.INTER_LINEAR)
    return np.asarray(full[:height_px, :width_px], dtype=np.float32)


def _node_places(high: int, wide: int) -> tuple[Floats, Floats]:
    y = (np.arange(-(-high // NODE_PX)) + 0.5) * NODE_PX - 0.5
    x = (np.arange(-(-wide // NODE_PX)) + 0.5) * NODE_PX - 0.5
    across, down = np.meshgrid(x, y)
    return across, down


@dataclass(frozen=True)
class _Frame:
    """Size of the picture, and places on it in units of half its longer side."""

    width_px: int
    height_px: int

    @property
    def edges(self) -> tuple[float, float]:
        """Half the width and half the height in those units."""
        longer = max(self.width_px, self.height_px)
        return self.width_px / longer, self.height_px / longer

    def unit(self, x_px: npt.ArrayLike, y_px: npt.ArrayLike) -> tuple[Floats, Floats]:
        half = max(self.width_px, self.height_px) / 2.0
        x = (np.asarray(x_px, dtype=np.float64) - (self.width_px - 1) / 2.0) / half
        y = (np.asarray(y_px, dtype=np.float64) - (self.height_px - 1) / 2.0) / half
        return x, y


def _not_hidden(cells: Blocks, objects: Sequence[Outline], frame: _Frame) -> tuple[Bools, float]:
    """Cells outside all outlines, and the radius of the biggest hole, units of half a side.

    Outlines are widened as far as enough sky stays; one that fills the frame hides nothing, as
    nothing could be fitted.
    """
    count = len(cells.x_px)
    seen = np.ones(count, dtype=bool)
    biggest = 0.0
    half = max(frame.width_px, frame.height_px) / 2.0
    for one in objects:
        depth = one.depth(cells.x_px, cells.y_px)
        for widen in (WIDEN, 1.2, 1.0):
            trial = seen & (depth > widen)
            if trial.mean() >= 1.0 - MOST_HIDDEN:
                if not trial.all():
                    biggest = max(biggest, widen * float(np.sqrt(one.long_px * one.short_px)))
                seen = trial
                break
    return seen, biggest / half


def _without_bright(cells: Blocks, seen: Bools, frame: _Frame) -> Bools:
    """The seen cells less those that stand above a gentle surface, and their neighbours."""
    keep = seen.copy()
    needed = max(12, int(0.2 * seen.sum()))
    pitch = 1.5 * max(_pitch(cells), 1.0)
    for _ in range(8):
        model = _fitted("edge glow" if keep.sum() > 60 else "plane", cells, keep, frame)
        rest = cells.level_adu - model(cells.x_px, cells.y_px)
        middle = _mode(rest[keep])
        sigma = max(_below(rest[keep], middle), float(np.median(cells.error_adu)))
        high = seen & (rest - middle > 3.0 * sigma)
        low = rest - middle < -6.0 * sigma
        beside = np.zeros(len(keep), dtype=bool)
        for x, y in zip(cells.x_px[high], cells.y_px[high], strict=True):
            beside |= (np.abs(cells.x_px - x) < pitch) & (np.abs(cells.y_px - y) < pitch)
        beside &= rest - middle > 1.0 * sigma
        again = seen & ~high & ~low & ~beside
        if again.sum() < needed or (again == keep).all():
            break
        keep = again
    return keep


def _pitch(cells: Blocks) -> float:
    steps = np.diff(np.unique(cells.x_px))
    return float(np.median(steps)) if steps.size else 0.0


def _mode(values: Floats) -> float:
    """Where values of a distribution with a bright tail crowd: 2.5 median − 1.5 mean, clipped."""
    if len(values) == 0:
        return 0.0
    for _ in range(3):
        middle = float(np.median(values))
        spread = _robust(values)
        near = values[np.abs(values - middle) <= 2.5 * spread]
        if spread == 0.0 or len(near) in (0, len(values)):
            break
        values = near
    return 2.5 * float(np.median(values)) - 1.5 * float(np.mean(values))


def _robust(values: Floats) -> float:
    if len(values) == 0:
        return 0.0
    return MAD_TO_SIGMA * float(np.median(np.abs(values - np.median(values))))


def _below(values: Floats, middle: float) -> float:
    under = middle - values[values < middle]
    return MAD_TO_SIGMA * float(np.median(under)) if len(under) else 0.0


Model = Callable[[Floats, Floats], Floats]


def _fitted(shape: str, cells: Blocks, use: Bools, frame: _Frame) -> Model:
    """The candidate fitted to the cells in use, as a function of pixel places."""
    x, y = frame.unit(cells.x_px[use], cells.y_px[use])
    level = cells.level_adu[use]
    if shape in SMOOTHING and len(level) >= 20:
        return _spline(x, y, level, float(np.median(cells.error_adu[use])), shape, frame)
    order = SHAPES.index(shape)
    design = _terms(shape, x, y, frame.edges)
    while order > 0 and len(level) < FEWEST_PER_TERM * design.shape[1]:
        order -= 1
        shape = SHAPES[order]
        design = _terms(shape, x, y, frame.edges)
    terms = _robust_solve(design, level)

    def model(x_px: Floats, y_px: Floats) -> Floats:
        return np.asarray(
            _terms(shape, *frame.unit(x_px, y_px), frame.edges) @ terms, dtype=np.float64
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
        sigma = _robust(rest)
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
        # amplifiers warm the sensor from an edge or a corner inward
        wide, high = (float(v) for v in edges)
        for side in (-1.0, 1.0):
            columns += [np.exp(-GLOW_FALL * np.abs(side * wide - x)) * y**k for k in (0, 1, 2)]
            columns += [np.exp(-GLOW_FALL * np.abs(side * high - y)) * x**k for k in (0, 1, 2)]
    return np.column_stack([np.broadcast_to(c, x.shape) for c in columns])


def _spline(x: Floats, y: Floats, level: Floats, error: float, shape: str, frame: _Frame) -> Model:
    """A thin-plate spline that bends only as the cells' errors demand."""
    from scipy.interpolate import RBFInterpolator

    scale = max(error, 1e-9)
    places = np.column_stack([x, y])
    fit = RBFInterpolator(places, level / scale, smoothing=SMOOTHING[shape], degree=1)

    def model(x_px: Floats, y_px: Floats) -> Floats:
        where = np.column_stack(frame.unit(x_px, y_px))
        return np.asarray(scale * fit(where), dtype=np.float64)

    return model


def _choose(
    cells: Blocks, kept: Bools, biggest: float, frame: _Frame
) -> tuple[str, dict[str, float]]:
    """The stiffest candidate whose miss inside the holes is within one error of the least."""
    holes = _holes(cells, kept, max(biggest, 0.16), frame)
    if len(holes) < 4:
        return "plane", {}
    x, y = cells.x_px, cells.y_px
    misses: dict[str, Floats] = {}
    for shape in SHAPES:
        found = []
        for hole in holes:
            model = _fitted(shape, cells, kept & ~hole, frame)
            inside = kept & hole
            rest = cells.level_adu[inside] - model(x[inside], y[inside])
            found.append(float(np.median(np.abs(rest))) ** 2 + _mode(rest) ** 2)
        misses[shape] = np.array(found)
    scores = {shape: float(np.sqrt(np.mean(miss))) for shape, miss in misses.items()}
    best = min(scores, key=lambda shape: scores[shape])
    for shape in SHAPES:
        worse = misses[shape] - misses[best]
        error = float(np.std(worse)) / np.sqrt(len(worse))
        if float(np.mean(worse)) <= error or shape == best:
            return shape, scores
    return best, scores


def _holes(cells: Blocks, kept: Bools, radius: float, frame: _Frame) -> list[Bools]:
    """Round patches of kept cells, spread over the picture, that leave the rest determined."""
    x, y = frame.unit(cells.x_px, cells.y_px)
    radius = min(radius, 0.45)
    across = np.linspace(x.min(), x.max(), 6)
    down = np.linspace(y.min(), y.max(), 5)
    found = []
    for cy in down:
        for cx in across:
            inside = np.hypot(x - cx, y - cy) < radius
            if (inside & kept).sum() >= 4 and (kept & ~inside).sum() >= 0.5 * kept.sum():
                found.append(inside)
    step = max(1, len(found) // HOLES)
    return found[::step]
