"""The glow of the sky behind the stars, told apart from the object's own faint outskirts.

Three things keep the object whole. Its catalogued outline is never looked at, and outside it
its light is fitted along, never taken off (`smoothsky`). Cells that stand above the surface,
and their neighbours, are left out, since objects only add light. And the surface goes only as
far as the open sky makes likely: what no cell tells it stays even.

Where an object leaves too little sky to see, its light cannot be told from the sky's. Then only
an even level is taken off, that of the darkest part, and the surface says that it cannot know.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from slowglass.finish.skyflat import Blocks, block_levels
from slowglass.finish.skyshapes import (
    Sheet,
    fit_shape,
    mode_of,
    spread_below,
    spread_of,
)
from slowglass.finish.smoothsky import MISFORM, SmoothSky, fit_smooth

Picture = npt.NDArray[np.float32]
Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

SMOOTH = "smooth"
"""The shape that is chosen by the sky itself; ``skyshapes.FIXED_SHAPES`` are chosen by people."""
NODE_PX = 16
CELLS_ACROSS, SAMPLES = 36, 3000
FEWEST_CELLS = 24
WIDEN = (1.6, 1.3, 1.1)
"""Catalogued outlines end near 25 mag/arcsec²; discs and halos go on to half as far again."""
BESIDE = 1.1
"""From here outward a regular object's light is fitted along."""
ENOUGH_OPEN, LEAST_OPEN = 0.3, 0.1
DARKEST = 0.1
ROUNDS = 3
CROWD = 0.15
"""Stars too faint to stand out lift all cells by about this share of the cells' scatter, on
invented fields of 40 to 250 stars a megapixel."""


@dataclass(frozen=True)
class Outline:
    """An object's ellipse on a picture: centre, half axes, turn of the long one from +x to +y."""

    x_px: float
    y_px: float
    long_px: float
    short_px: float
    angle_deg: float = 0.0
    name: str = ""
    regular: bool = True
    """Whether its light falls with its own ellipses outward, as that of galaxies and globulars."""

    def depth(self, x_px: npt.ArrayLike, y_px: npt.ArrayLike) -> Floats:
        """0 at the centre, 1 on the outline, more outside."""
        dx, dy = np.asarray(x_px) - self.x_px, np.asarray(y_px) - self.y_px
        turn = np.radians(self.angle_deg)
        along = dx * np.cos(turn) + dy * np.sin(turn)
        across = dy * np.cos(turn) - dx * np.sin(turn)
        return np.asarray(np.hypot(along / self.long_px, across / self.short_px), dtype=np.float64)


@dataclass(frozen=True)
class Hidden:
    """What is known of the sky beneath an object."""

    name: str
    sky_error_adu: float
    """1 σ of the mean sky inside the outline, mean of the colours."""
    light_adu: float
    """Mean of the object's own smooth light there."""

    @property
    def share(self) -> float | None:
        """Share by which the object's total light is uncertain; None where that is lost in it."""
        if self.light_adu <= self.sky_error_adu:
            return None
        return self.sky_error_adu / self.light_adu


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
    told: bool = True
    """False where objects leave too little sky to tell theirs from it."""
    hidden: tuple[Hidden, ...] = ()

    def over(self, first: SkySurface) -> SkySurface:
        """Both surfaces as one; this one was fitted to what ``first`` had left."""
        nodes = tuple(a + b for a, b in zip(self.nodes_adu, first.nodes_adu, strict=True))
        return replace(self, nodes_adu=nodes, span_adu=_span(nodes))


def _span(nodes: Sequence[Picture]) -> float:
    return float(np.mean([np.ptp(grid) for grid in nodes]))


def fit_sky(
    picture: Picture, objects: Sequence[Outline] = (), *, shape: str | None = None
) -> SkySurface:
    """The sky surface of a picture, (rows, columns) or (rows, columns, 3).

    ``objects`` are the outlines to leave alone; ``shape`` is "smooth" or one of
    ``FIXED_SHAPES``, None chooses.
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
    sheet = Sheet(wide, high)
    far, beside, told = _open_sky(mean, objects)
    kept = _without_bright(mean, far, sheet) if told else far
    if shape is None:
        shape = SMOOTH if told else "constant"
    if shape == SMOOTH and kept.sum() < FEWEST_CELLS:
        shape = "plane"
    hidden: tuple[Hidden, ...] = ()
    depths: list[Floats] = []
    smooth = None
    if shape == SMOOTH:
        depths = [one.depth(mean.x_px, mean.y_px) for one in objects if one.regular and told]
        smooth, kept = _settle(mean, kept | beside, far | beside, depths, sheet)
        hidden = _doubts(smooth, mean, objects, sheet)
    grids, scatters = [], []
    for c in cells:
        light: Floats | float = 0.0
        if smooth is None:
            model = fit_shape(shape, c, kept, sheet)
        else:
            own = _fit_cells(c, kept, depths, sheet, smooth)
            light = own.light([depth[kept] for depth in depths])

            def model(x: Floats, y: Floats, fit: SmoothSky = own) -> Floats:
                return fit.at(*sheet.unit(x, y))

        values = model(nodes[0].ravel(), nodes[1].ravel()).reshape(nodes[0].shape)
        rest = c.level_adu[kept] - model(c.x_px[kept], c.y_px[kept]) - light
        # Objects only add: what the clipping left of them would lift the surface a little.
        grids.append((values + mode_of(rest)).astype(np.float32))
        scatters.append(spread_of(rest))
    hidden_share = float(1.0 - kept.mean())
    scatter = float(np.mean(scatters))
    return SkySurface(tuple(grids), shape, scatter, _span(grids), hidden_share, told, hidden)


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
    first = NODE_PX // 2
    return np.asarray(full[first : first + height_px, first : first + width_px], dtype=np.float32)


def _node_places(high: int, wide: int) -> tuple[Floats, Floats]:
    """Places of the nodes, the outermost on the picture's very edges."""
    y = np.arange(-(-high // NODE_PX) + 1) * NODE_PX - 0.5
    x = np.arange(-(-wide // NODE_PX) + 1) * NODE_PX - 0.5
    across, down = np.meshgrid(x, y)
    return across, down


def _open_sky(cells: Blocks, objects: Sequence[Outline]) -> tuple[Bools, Bools, bool]:
    """Cells far from all objects, those just outside regular ones, and whether they suffice.

    The outlines are widened as far as enough sky stays open.
    """
    count = len(cells.x_px)
    far, inside = np.ones(count, dtype=bool), np.zeros(count, dtype=bool)
    if not objects:
        return far, inside, True
    depths = [one.depth(cells.x_px, cells.y_px) for one in objects]
    for widen in WIDEN:
        far = np.all([depth > widen for depth in depths], axis=0)
        if far.mean() >= ENOUGH_OPEN:
            break
    near = [BESIDE if one.regular else widen for one in objects]
    beside = np.all([depth > least for depth, least in zip(depths, near, strict=True)], axis=0)
    if far.mean() >= LEAST_OPEN:
        return far, beside & ~far, True
    darkest = cells.level_adu <= np.quantile(cells.level_adu, DARKEST)
    return darkest, inside, False


def _without_bright(cells: Blocks, seen: Bools, sheet: Sheet) -> Bools:
    """The seen cells less those that stand above a gentle surface, and their neighbours."""
    keep = seen.copy()
    needed = max(12, int(0.2 * seen.sum()))
    for _ in range(8):
        model = fit_shape("edge glow" if keep.sum() > 90 else "plane", cells, keep, sheet)
        rest = cells.level_adu - model(cells.x_px, cells.y_px)
        rest -= mode_of(rest[keep])
        sigma = max(spread_below(rest[keep], 0.0), float(np.median(cells.error_adu)))
        again = seen & ~_standing_out(cells, rest, seen, sigma)
        if again.sum() < needed or (again == keep).all():
            break
        keep = again
    return keep


def _standing_out(cells: Blocks, rest: Floats, seen: Bools, sigma: float | Floats) -> Bools:
    """Cells 3 σ above the surface, what beside them is 1 σ above, and cells far below."""
    pitch = 1.5 * max(_pitch(cells), 1.0)
    high = seen & (rest > 3.0 * sigma)
    beside = np.zeros(len(rest), dtype=bool)
    for x, y in zip(cells.x_px[high], cells.y_px[high], strict=True):
        beside |= (np.abs(cells.x_px - x) < pitch) & (np.abs(cells.y_px - y) < pitch)
    return high | (rest < -6.0 * sigma) | (beside & (rest > sigma))


def _pitch(cells: Blocks) -> float:
    steps = np.diff(np.unique(cells.x_px))
    return float(np.median(steps)) if steps.size else 0.0


def _settle(
    cells: Blocks, far: Bools, open_sky: Bools, depths: Sequence[Floats], sheet: Sheet
) -> tuple[SmoothSky, Bools]:
    """The smooth sky and the cells it rests on.

    It starts from those of the ``open_sky`` that are not known to be bright by a gentle surface,
    and takes back what that one could not follow.
    """
    kept = open_sky & far
    for _ in range(ROUNDS):
        smooth = _fit_cells(cells, kept, depths, sheet)
        light = smooth.light(depths)
        rest = cells.level_adu - light - smooth.at(*sheet.unit(cells.x_px, cells.y_px))
        rest -= mode_of(rest[kept])
        sigma = np.hypot(smooth.scatter_adu, MISFORM * light)
        again = open_sky & ~_standing_out(cells, rest, open_sky, sigma)
        if (again == kept).all() or again.sum() < FEWEST_CELLS:
            break
        kept = again
    return smooth, kept


def _fit_cells(
    cells: Blocks,
    kept: Bools,
    depths: Sequence[Floats],
    sheet: Sheet,
    like: SmoothSky | None = None,
) -> SmoothSky:
    return fit_smooth(
        *sheet.unit(cells.x_px[kept], cells.y_px[kept]),
        cells.level_adu[kept],
        cells.error_adu[kept],
        sheet.edges,
        depths=[depth[kept] for depth in depths],
        like=like,
    )


def _doubts(
    smooth: SmoothSky, cells: Blocks, objects: Sequence[Outline], sheet: Sheet
) -> tuple[Hidden, ...]:
    """How well the sky beneath each object is known."""
    found = []
    for one in objects:
        inside = one.depth(cells.x_px, cells.y_px) <= 1.0
        if inside.sum() < 2:
            continue
        x, y = sheet.unit(cells.x_px[inside], cells.y_px[inside])
        error = np.hypot(smooth.error_of_mean(x, y), CROWD * smooth.scatter_adu)
        light = float(np.mean(cells.level_adu[inside] - smooth.at(x, y)))
        found.append(Hidden(one.name, float(error), light))
    return tuple(found)
