"""What brings the colours of another camera, or of a developed picture, to the reference's.

Filters differ from sensor to sensor, and a developed picture comes with its white balance. The
same stars are measured in each colour by both, in circles on the mosaic itself, and the median
ratios are the factors.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from slowglass.finish.align import Aligned
from slowglass.finish.geometry import Box
from slowglass.finish.lights import Light, reader
from slowglass.finish.place import Pixels
from slowglass.finish.store import FrameStore
from slowglass.frame.bayer import colour_index
from slowglass.frame.image import Bayer
from slowglass.frame.stars import StarFlag

Floats = npt.NDArray[np.float64]
MOST_STARS = 60
FEWEST_STARS = 5
CIRCLE = 1.5
"""Radius over FWHM: wide enough for all but a hundredth of a star's light."""


def tint_cameras(aligned: Aligned, store: FrameStore) -> Aligned:
    """The frames with the colours of every other batch brought to the first colour batch's."""
    colour = [light for light in aligned.lights if light.batch.channels == 3]
    batches = list({id(light.batch): light.batch for light in colour}.values())
    if len(batches) < 2:
        return aligned
    weight = {name: one.weight for name, one in aligned.placed.items()}
    usual = aligned.reference.own_batch if aligned.reference in colour else batches[0]

    def best(batch: object) -> Light:
        own = [light for light in colour if light.own_batch is batch]
        return max(own, key=lambda light: weight[light.name])

    anchor = best(usual)
    placed = dict(aligned.placed)
    for batch in batches:
        if batch is usual:
            continue
        tint = _ratios(anchor, best(batch), aligned, store)
        for light in colour:
            if light.own_batch is batch:
                placed[light.name] = replace(placed[light.name], tint=tint)
    return replace(aligned, placed=placed)


def _ratios(anchor: Light, other: Light, aligned: Aligned, store: FrameStore) -> tuple[float, ...]:
    """Factors on red, green and blue of ``other``; none where too few stars tell them.

    They keep the brightness (R + 2 G + B) of an average star, which the light factor already
    brings in line.
    """
    apart = 1.5 * max(_width(anchor), _width(other))
    there = aligned.placed[other.name].where.inverse()
    stars = anchor.stars.take((anchor.stars.flags & _UNFIT) == 0)
    xy = np.column_stack([stars.x_px, stars.y_px])
    on_grid = aligned.placed[anchor.name].where.apply(xy)
    expected = there.apply(on_grid)
    known = other.stars.take((other.stars.flags & _UNFIT) == 0)
    if len(known) == 0 or len(stars) == 0:
        return ()
    distance = np.hypot(
        expected[:, None, 0] - known.x_px[None], expected[:, None, 1] - known.y_px[None]
    )
    good = np.flatnonzero(distance.min(axis=1) < apart)[:MOST_STARS]
    own = star_colours(reader(store, anchor), anchor, xy[good])
    seen = star_colours(reader(store, other), other, expected[good])
    both = np.isfinite(own).all(axis=1) & np.isfinite(seen).all(axis=1)
    both &= (own > 0).all(axis=1) & (seen > 0).all(axis=1)
    if both.sum() < FEWEST_STARS:
        return ()
    bright = np.array([0.25, 0.5, 0.25])
    own, seen = own[both], seen[both]
    ratio = np.median((own / (own @ bright)[:, None]) / (seen / (seen @ bright)[:, None]), axis=0)
    return tuple(float(r) for r in ratio)


_UNFIT = int(StarFlag.SATURATED | StarFlag.BLENDED | StarFlag.EDGE)


def _width(light: Light) -> float:
    width = light.look.fwhm_px if light.look is not None else np.nan
    return float(width) if np.isfinite(width) else 4.0


def star_colours(read: Callable[[Box], Pixels], light: Light, xy_px: Floats) -> Floats:
    """Light of stars in red, green and blue, ADU a pixel summed over a circle; NaN at edges."""
    radius = CIRCLE * _width(light)
    half = int(np.ceil(2.0 * radius)) + 1
    batch = light.batch
    out = np.full((len(xy_px), 3), np.nan)
    for k, (x, y) in enumerate(xy_px):
        column, row = round(float(x)), round(float(y))
        box = Box(column - half, row - half, column + half + 1, row + half + 1)
        if box.x0 < 0 or box.y0 < 0 or box.x1 > batch.width_px or box.y1 > batch.height_px:
            continue
        out[k] = _circle(read(box), box, batch.bayer, x, y, radius)
    return out


def _circle(
    pixels: Pixels, box: Box, bayer: Bayer | None, x_px: float, y_px: float, radius_px: float
) -> Floats:
    rows, cols = np.mgrid[box.y0 : box.y1, box.x0 : box.x1]
    distance = np.hypot(cols - x_px, rows - y_px)
    inner, ring = distance <= radius_px, (distance > 1.4 * radius_px) & (distance <= 2 * radius_px)
    light = np.empty(3)
    for c in range(3):
        if bayer is None:
            plane, own = pixels[..., c], np.ones_like(inner)
        else:
            plane, own = pixels, colour_index(bayer)[rows % 2, cols % 2] == c
        level = np.median(plane[ring & own])
        here = inner & own
        # The mean over the colour's own pixels stands for all pixels of the circle.
        light[c] = float((plane[here] - level).mean()) * inner.sum()
    return light
