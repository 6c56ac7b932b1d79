"""All placed frames added up block by block, in memory that does not grow with their number.

Peak: the picture itself (4 bytes × pixels × channels) plus about 300 MB for the blocks of all
frames at one place.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from slowglass.finish.align import Aligned
from slowglass.finish.badpixels import Index
from slowglass.finish.combine import clipped_mean
from slowglass.finish.combined import NoiseModel, Picture
from slowglass.finish.geometry import Box, common_box
from slowglass.finish.lights import Light, Series, reader
from slowglass.finish.measure import picture_noise
from slowglass.finish.place import blocks, place_block
from slowglass.finish.recipe import CombineStep
from slowglass.finish.store import FrameStore
from slowglass.finish.trails import drop_trails
from slowglass.progress import Report


@dataclass(frozen=True)
class Stacked:
    """The sum over a box of the reference frame, and how sure it is; see ``Combined``."""

    picture: Picture
    coverage: Picture
    rejected: npt.NDArray[np.uint16]
    noise: NoiseModel
    rejected_share: float
    """Share of all values that the clipping left out."""


def choose_box(series: Series, aligned: Aligned, step: CombineStep) -> Box:
    """The part of the reference frame that the picture shows."""
    places = [p.where for p in aligned.placed.values()]
    if not step.crop_to_common:
        return Box(0, 0, series.width_px, series.height_px)
    return common_box(places, series.width_px, series.height_px)


def combine_lights(
    series: Series,
    aligned: Aligned,
    bad: Index,
    box: Box,
    step: CombineStep,
    store: FrameStore,
    report: Report,
) -> Stacked:
    """The clipped weighted mean of all placed lights over ``box``."""
    lights = [light for light in series.kept if light.name in aligned.placed]
    placed = [aligned.placed[light.name] for light in lights]
    readers = [reader(series, store, light.name, bad) for light in lights]
    noise = np.array([p.noise_adu for p in placed])
    weights = np.array([p.weight for p in placed])
    depth = 3 if series.channels == 3 else 1
    shape = (box.height_px, box.width_px)
    out = np.empty((*shape, depth), dtype=np.float32)
    coverage, gone = np.empty(shape, dtype=np.float32), np.empty(shape, dtype=np.uint16)
    dropped, parts = 0, list(blocks(box, len(lights), depth))
    for number, part in enumerate(parts):
        report("combining", number, len(parts))
        stack = np.empty((len(lights), part.height_px, part.width_px, depth), dtype=np.float32)
        for k, frame in enumerate(placed):
            stack[k] = place_block(
                readers[k],
                frame,
                part,
                width_px=series.width_px,
                height_px=series.height_px,
                bayer=series.bayer,
                channels=depth,
            )
        lost = drop_trails(stack, shape_tolerance=step.shape_tolerance) if step.drop_trails else 0
        mean, rejected, share = clipped_mean(
            stack,
            weights=weights / weights.max(),
            noise=noise,
            per_adu=photon_slope(aligned.reference),
            shape_tolerance=step.shape_tolerance,
            kappa_low=step.clip_low_sigma,
            kappa_high=step.clip_high_sigma,
        )
        at = np.s_[part.y0 - box.y0 : part.y1 - box.y0, part.x0 - box.x0 : part.x1 - box.x0]
        out[at] = np.nan_to_num(mean, copy=False)
        coverage[at], gone[at] = share.min(axis=2), rejected.max(axis=2)
        dropped += int(rejected.sum()) + lost * depth
    picture = out[..., 0] if depth == 1 else out
    slope = photon_slope(aligned.reference) * float((weights**2).sum() / weights.sum() ** 2)
    noise_of = picture_noise(picture, per_adu=slope)
    return Stacked(picture, coverage, gone, noise_of, dropped / max(out.size * len(lights), 1))


def photon_slope(light: Light) -> float:
    """Variance per ADU of light, ADU: 1 / gain, or 1 where the gain is unknown."""
    gain = light.header.gain_e_per_adu
    return 1.0 / gain if gain else 1.0


def single_picture(
    series: Series,
    aligned: Aligned,
    light: Light,
    bad: Index,
    box: Box,
    store: FrameStore,
) -> Picture:
    """One light alone, placed exactly as in the sum, over ``box``; gaps hold the sky's 0 ADU."""
    frame = aligned.placed[light.name]
    read = reader(series, store, light.name, bad)
    depth = 3 if series.channels == 3 else 1
    out = np.empty((box.height_px, box.width_px, depth), dtype=np.float32)
    for part in blocks(box, 4, depth):
        values = place_block(
            read,
            frame,
            part,
            width_px=series.width_px,
            height_px=series.height_px,
            bayer=series.bayer,
            channels=depth,
        )
        at = np.s_[part.y0 - box.y0 : part.y1 - box.y0, part.x0 - box.x0 : part.x1 - box.x0]
        out[at] = np.nan_to_num(values, copy=False)
    return out[..., 0] if depth == 1 else out


def luminance(picture: Picture) -> Picture:
    """(R + 2 G + B) / 4, the weights a colour mosaic has by itself; a single plane unchanged."""
    if picture.ndim == 2:
        return picture
    if picture.shape[2] == 1:
        return picture[..., 0]
    out = picture[..., 1] * np.float32(0.5)
    out += picture[..., 0] * np.float32(0.25)
    out += picture[..., 2] * np.float32(0.25)
    return np.asarray(out, dtype=np.float32)
