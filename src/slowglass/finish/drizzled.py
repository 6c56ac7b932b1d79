"""Each sensor pixel's light dropped where it belongs, in its own colour: no demosaicing.

Variable-pixel linear reconstruction (Fruchter & Hook 2002, PASP 114, 144), by the Space
Telescope Science Institute's ``drizzle`` library. Every pixel, shrunk to ``pixfrac`` of its
size, falls on the reference grid; red pixels on the red plane only, and so on. That needs many
frames whose sub-pixel shifts fill the gaps between pixels of one colour, and pays where stars
are so narrow that guessing the missing colours shows. What does not belong is told by the
combined picture of the first pass, looked at from each frame (ibid., §5).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from slowglass.finish.geometry import Box, local_affine, shift_at
from slowglass.finish.place import Placed, Reader, subtract_skies
from slowglass.frame.bayer import colour_index
from slowglass.frame.image import Bayer
from slowglass.progress import Report

Picture = npt.NDArray[np.float32]
FEWEST_MOSAIC = 24
"""Frames of a colour mosaic, each of whose red and blue pixels is one in four."""
FEWEST_PLAIN = 8
CELLS = 4
"""Sub-pixel phases are counted on a grid of this many cells a side over the pattern's period."""
FILLED = 0.8
WIDEST_MOSAIC_PX = 3.0
"""Star width up to which leaving out the demosaicing sharpens: its filters span five pixels."""
WIDEST_PLAIN_PX = 1.8
"""Star width below which interpolation of a plain picture rings (two pixels are Nyquist's)."""
FINER = (2.0, 1.5)
WELL_SAMPLED_PX = 3.5
"""Star width on the finer grid beyond which it would only interpolate: two pixels are Nyquist's,
and the sensor's pixel and the drop widen what they sample (common practice, no source)."""
MOST_FINER_PX = 6.0e7
"""Pixels of a finer picture at most: 60 million need 1.1 GB to be made and 2.4 GB to be shown."""
STRIP_ROWS = 256


@dataclass(frozen=True)
class Verdict:
    """Whether drizzling pays, and why in words; on a grid how many times finer."""

    pays: bool
    text: str
    finer: float = 1.0


@dataclass(frozen=True)
class Source:
    """The sensor pixels of one frame."""

    read: Reader
    bayer: Bayer | None
    width_px: int
    height_px: int


def decide(
    placed: Sequence[Placed], bayer: Bayer | None, fwhm_px: float, *, width_px: int, height_px: int
) -> Verdict:
    """Whether sampling and shifts of a series justify drizzling, and a finer grid.

    A grid ``n`` times finer needs n² times the frames, and shifts that fill n² times the places.
    """
    need, widest = (FEWEST_MOSAIC, WIDEST_MOSAIC_PX) if bayer else (FEWEST_PLAIN, WIDEST_PLAIN_PX)
    if not np.isfinite(fwhm_px):
        return Verdict(False, "star width unknown")
    if fwhm_px > widest:
        return Verdict(False, f"stars {fwhm_px:.1f} px wide, {widest:g} px or less would gain")
    if len(placed) < need:
        return Verdict(False, f"{len(placed)} frames, {need} needed")
    period = 2 if bayer else 1
    size = {"width_px": width_px, "height_px": height_px}
    filled = phases_filled(placed, period, **size)
    if filled < FILLED:
        return Verdict(
            False,
            f"the frames' shifts fill {100 * filled:.0f} % of the sub-pixel places, "
            f"{100 * FILLED:.0f} % needed: move the pointing a little between exposures",
        )
    told = f"{len(placed)} frames, stars {fwhm_px:.1f} px wide, shifts well spread"
    for finer in FINER:
        why = _not_finer(placed, need, fwhm_px, period, finer, **size)
        if not why:
            return Verdict(True, f"{told}: pixels {finer:g} times finer", finer)
    return Verdict(True, f"{told}; no finer pixels: {why}")


def _not_finer(
    placed: Sequence[Placed],
    need: int,
    fwhm_px: float,
    period: int,
    finer: float,
    *,
    width_px: int,
    height_px: int,
) -> str:
    """What stands against a grid so many times finer, or ""."""
    if fwhm_px * finer > WELL_SAMPLED_PX:
        return f"stars {fwhm_px:.1f} px wide are sampled well enough"
    frames = round(need * finer**2)
    if len(placed) < frames:
        return f"{frames} frames needed for {finer:g} times"
    if width_px * height_px * finer**2 > MOST_FINER_PX:
        return f"{width_px * height_px * finer**2 / 1e6:.0f} megapixels would be too many"
    # Cells of half a pixel of the finer grid.
    cells = max(CELLS, round(2 * period * finer))
    filled = phases_filled(placed, period, cells=cells, width_px=width_px, height_px=height_px)
    if filled < FILLED:
        return (
            f"the shifts fill {100 * filled:.0f} % of the finer places, {100 * FILLED:.0f} % needed"
        )
    return ""


def phases_filled(
    placed: Sequence[Placed], period_px: int, *, width_px: int, height_px: int, cells: int = CELLS
) -> float:
    """Share of the cells of sub-pixel phase that hold a frame, the least of four places."""
    shares = []
    for x, y in ((0.25, 0.25), (0.75, 0.25), (0.25, 0.75), (0.75, 0.75)):
        shifts = np.array([shift_at(p.where, x * width_px, y * height_px) for p in placed])
        cell = np.floor(shifts % period_px * (cells / period_px)).astype(int) % cells
        shares.append(len(np.unique(cell[:, 0] * cells + cell[:, 1])) / cells**2)
    return min(shares)


def drizzle_lights(
    sources: Sequence[Source],
    placed: Sequence[Placed],
    first: Picture,
    box: Box,
    *,
    pixfrac: float,
    limit: Callable[[Picture], Picture],
    report: Report,
) -> tuple[Picture, Picture, float]:
    """The drizzled picture, its coverage (share of all weight), and the share of values left out.

    ``first`` is the picture of the first pass over ``box``; ``limit`` gives, from the light
    expected at pixels, how far a value may lie off. Gaps keep the first pass's value.
    """
    from drizzle.resample import Drizzle

    channels = 1 if first.ndim == 2 else first.shape[2]
    out = first.copy().reshape(box.height_px, box.width_px, channels)
    weight_sum = np.zeros((box.height_px, box.width_px), dtype=np.float32)
    scale = float(max(p.weight for p in placed))
    left_out = values = 0
    tops = range(box.y0, box.y1, STRIP_ROWS)
    for number, y0 in enumerate(tops):
        report("drizzling", number, len(tops))
        strip = Box(box.x0, y0, box.x1, min(y0 + STRIP_ROWS, box.y1))
        shape = (strip.height_px, strip.width_px)
        drops = [
            Drizzle(kernel="square", out_shape=shape, fillval="0", disable_ctx=True)
            for _ in range(channels)
        ]
        for source, frame in zip(sources, placed, strict=True):
            gone, seen = _drop(
                source, frame, first, box, strip, drops, pixfrac=pixfrac, limit=limit, scale=scale,
            )  # fmt: skip
            left_out, values = left_out + gone, values + seen
        at = slice(strip.y0 - box.y0, strip.y1 - box.y0)
        for c in range(channels):
            there = drops[c].out_wht > 0
            out[at, :, c][there] = drops[c].out_img[there]
        weight_sum[at] = np.min([drop.out_wht for drop in drops], axis=0)
    full = float(np.quantile(weight_sum[::7, ::7], 0.9))
    coverage = np.minimum(weight_sum / max(full, 1e-9), 1.0)
    picture = out[..., 0] if first.ndim == 2 else out
    return picture, np.maximum(coverage, 1e-3), left_out / max(values, 1)


def _drop(
    sensor: Source,
    frame: Placed,
    first: Picture,
    box: Box,
    strip: Box,
    drops: Sequence[Any],
    *,
    pixfrac: float,
    limit: Callable[[Picture], Picture],
    scale: float,
) -> tuple[int, int]:
    """One frame's part of a strip added; how many values were left out, of how many."""
    import cv2

    bayer = sensor.bayer
    source = _source(frame, strip, sensor.width_px, sensor.height_px)
    if source is None:
        return 0, 0
    pixels = sensor.read(source)
    subtract_skies(pixels, source, frame.skies, bayer is not None)
    pixels *= np.float32(1.0 / frame.factor)
    x = np.arange(source.x0, source.x1, dtype=np.float64)
    y = np.arange(source.y0, source.y1, dtype=np.float64)
    where = frame.where.apply(np.stack(np.meshgrid(x, y), axis=-1))
    local = (where - [strip.x0, strip.y0]).astype(np.float64)
    seen = (where - [box.x0, box.y0]).astype(np.float32)
    gone = total = 0
    for c, drop in enumerate(drops):
        plane = pixels if pixels.ndim == 2 else np.ascontiguousarray(pixels[..., c])
        whole = first if first.ndim == 2 else first[..., c]
        rows = slice(max(0, strip.y0 - box.y0 - 8), strip.y1 - box.y0 + 8)
        part = np.ascontiguousarray(whole[rows])
        expected = cv2.remap(
            part,
            np.ascontiguousarray(seen[..., 0]),
            np.ascontiguousarray(seen[..., 1] - rows.start),
            cv2.INTER_CUBIC,
            borderMode=cv2.BORDER_REPLICATE,
        )
        here = np.full(plane.shape, frame.weight / scale, dtype=np.float32)
        if bayer is not None:
            own = np.zeros((2, 2), dtype=np.float32)
            own[colour_index(bayer) == c] = 1.0
            own = np.roll(own, (-(source.y0 % 2), -(source.x0 % 2)), (0, 1))
            high, wide = plane.shape
            here *= np.tile(own, (high // 2 + 1, wide // 2 + 1))[:high, :wide]
        odd = np.abs(plane - expected) > limit(np.asarray(expected))
        total += int(np.count_nonzero(here))
        gone += int(np.count_nonzero(odd & (here > 0)))
        here[odd] = 0.0
        area = abs(np.linalg.det(local_affine(frame.where, strip)[:, :2]))
        drop.add_image(
            plane, 1.0, local, weight_map=here, pixfrac=pixfrac, in_units="cps",
            iscale=1.0, pixel_scale_ratio=float(area**-0.5),
        )  # fmt: skip
    return gone, total


def _source(frame: Placed, strip: Box, width_px: int, height_px: int) -> Box | None:
    at = frame.where.inverse().apply(strip.grid(3))
    x0, y0 = np.floor(at.min(axis=0)).astype(int) - 2
    x1, y1 = np.ceil(at.max(axis=0)).astype(int) + 3
    x0, y0, x1, y1 = max(0, x0), max(0, y0), min(width_px, x1), min(height_px, y1)
    return Box(int(x0), int(y0), int(x1), int(y1)) if x1 - x0 > 4 and y1 - y0 > 4 else None
