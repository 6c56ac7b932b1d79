"""All placed frames added up block by block, in memory that does not grow with their number.

Peak: the picture itself (4 bytes × pixels × channels, and 6 bytes a pixel for its maps) plus
``BLOCK_BYTES`` and the room for one frame's part of a block for each thread.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from slowglass.finish.align import Aligned
from slowglass.finish.badpixels import Index
from slowglass.finish.combine import Rule, combine_values
from slowglass.finish.combined import NoiseModel, Picture
from slowglass.finish.drizzled import Verdict, decide, drizzle_lights
from slowglass.finish.geometry import Box, common_box
from slowglass.finish.lights import Light, Series, reader
from slowglass.finish.measure import picture_noise
from slowglass.finish.place import BLOCK_BYTES, Pixels, blocks, place_block
from slowglass.finish.recipe import CombineStep
from slowglass.finish.store import FrameStore
from slowglass.finish.trails import drop_trails
from slowglass.finish.workers import each
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
    drizzle: Verdict


@dataclass(frozen=True)
class _Part:
    mean: Pixels
    rejected: npt.NDArray[np.uint16]
    share: Pixels
    lost: int


def choose_box(series: Series, aligned: Aligned, step: CombineStep) -> Box:
    """The part of the reference frame that the picture shows."""
    places = [p.where for p in aligned.placed.values()]
    if not step.crop_to_common:
        return Box(0, 0, series.width_px, series.height_px)
    return common_box(places, series.width_px, series.height_px)


def placer(
    series: Series, aligned: Aligned, light: Light, bad: Index, store: FrameStore
) -> Callable[[Box], Pixels]:
    """A function that gives any block of the reference frame as one light shows it."""
    read = reader(series, store, light.name, bad)
    frame = aligned.placed[light.name]

    def place(block: Box) -> Pixels:
        return place_block(
            read,
            frame,
            block,
            width_px=series.width_px,
            height_px=series.height_px,
            bayer=series.bayer,
            channels=series.channels,
        )

    return place


def combine_lights(
    series: Series,
    aligned: Aligned,
    bad: Index,
    box: Box,
    step: CombineStep,
    store: FrameStore,
    report: Report,
) -> Stacked:
    """The weighted mean of all placed lights over ``box`` without what does not belong."""
    lights = [light for light in series.kept if light.name in aligned.placed]
    placed = [aligned.placed[light.name] for light in lights]
    places = [placer(series, aligned, light, bad, store) for light in lights]
    noise = np.array([p.noise_adu for p in placed])
    usual = float(np.median(noise))
    weights = np.array([p.weight for p in placed])
    weights = weights / weights.max()
    looser = noise / usual if usual > 0 else np.ones(len(noise))
    depth = series.channels
    rule = Rule(
        step.reject,
        step.clip_low_sigma,
        step.clip_high_sigma,
        noise_adu=usual,
        per_adu=photon_slope(aligned.reference),
        shape_tolerance=step.shape_tolerance,
    )

    def work(part: Box) -> _Part:
        stack = np.empty((len(lights), depth, part.height_px, part.width_px), dtype=np.float32)
        for k, place in enumerate(places):
            stack[k] = place(part)
        sums = combine_values(stack, rule, weights=weights, looser=looser)
        lost = 0
        if step.drop_trails and step.reject != "none":
            before = int(np.count_nonzero(np.isnan(stack[:, 0])))
            changed = drop_trails(stack, sums, shape_tolerance=step.shape_tolerance)
            if changed is not None:
                combine_values(stack, rule, weights=weights, looser=looser, again=(sums, changed))
                lost = int(np.count_nonzero(np.isnan(stack[:, 0]))) - before
        return _Part(sums.mean, sums.rejected.max(axis=0), sums.share.min(axis=0), lost)

    shape = (box.height_px, box.width_px)
    out = np.empty((*shape, depth), dtype=np.float32)
    coverage, gone = np.empty(shape, dtype=np.float32), np.empty(shape, dtype=np.uint16)
    dropped = 0
    parts = list(blocks(box, len(lights), depth))
    for part, found in each(work, parts, "combining", report):
        at = np.s_[part.y0 - box.y0 : part.y1 - box.y0, part.x0 - box.x0 : part.x1 - box.x0]
        for c in range(depth):
            np.nan_to_num(found.mean[c], copy=False)
            out[at][..., c] = found.mean[c]
        coverage[at], gone[at] = found.share, found.rejected
        dropped += int(found.rejected.sum()) + found.lost
    picture = out[..., 0] if depth == 1 else out
    share = dropped / max(box.width_px * box.height_px * len(lights), 1)
    widths = [light.look.fwhm_px for light in lights if light.look is not None]
    verdict = decide(
        placed,
        series.bayer,
        float(np.nanmedian(widths)) if np.isfinite(widths).any() else float("nan"),
        width_px=series.width_px,
        height_px=series.height_px,
    )
    if step.drizzle == "yes" or (step.drizzle == "auto" and verdict.pays):
        picture, coverage, share = drizzle_lights(
            [reader(series, store, light.name, bad) for light in lights],
            placed,
            picture,
            box,
            bayer=series.bayer,
            width_px=series.width_px,
            height_px=series.height_px,
            pixfrac=step.pixfrac,
            limit=_stray_limit(rule),
            report=report,
        )
        verdict = Verdict(True, verdict.text if verdict.pays else "asked for by the recipe")
    elif step.drizzle == "no":
        verdict = Verdict(False, "asked for by the recipe")
    slope = photon_slope(aligned.reference) * float((weights**2).sum() / weights.sum() ** 2)
    noise_of = picture_noise(picture, per_adu=slope)
    return Stacked(picture, coverage, gone, noise_of, share, verdict)


def _stray_limit(rule: Rule) -> Callable[[Picture], Picture]:
    """How far a pixel may lie off the light expected there: noise, breathing and a slope's share.

    A pixel of a mosaic sees a point, the first pass a mean around it: a tenth of the light is
    forgiven on top (common practice, no source).
    """

    def limit(expected: Picture) -> Picture:
        light = np.maximum(expected, 0.0)
        noise2 = rule.noise_adu**2 + rule.per_adu * light
        kappa = max(rule.kappa_low, rule.kappa_high) + 1.0
        tolerance = rule.shape_tolerance + 0.1
        return np.asarray(kappa * np.sqrt(noise2 + (tolerance * light) ** 2), dtype=np.float32)

    return limit


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
    place = placer(series, aligned, light, bad, store)
    depth = series.channels
    out = np.empty((box.height_px, box.width_px, depth), dtype=np.float32)
    for part in blocks(box, 1, depth, budget_bytes=BLOCK_BYTES / 8):
        at = np.s_[part.y0 - box.y0 : part.y1 - box.y0, part.x0 - box.x0 : part.x1 - box.x0]
        out[at] = np.nan_to_num(np.moveaxis(place(part), 0, 2), copy=False)
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
