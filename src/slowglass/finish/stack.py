"""All placed frames added up block by block, in memory that does not grow with their number.

Peak: the picture itself (4 bytes × pixels × channels, and 6 bytes a pixel for its maps) plus
``BLOCK_BYTES`` and the room for one frame's part of a block for each thread.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from slowglass.finish.align import Aligned
from slowglass.finish.combine import Rule, Sum, combine_values
from slowglass.finish.combined import NoiseModel, Picture
from slowglass.finish.drizzled import Source, Verdict, decide, drizzle_lights
from slowglass.finish.geometry import Box, common_box, scale_of
from slowglass.finish.lights import Light, reader
from slowglass.finish.measure import picture_noise
from slowglass.finish.pixels import lay
from slowglass.finish.place import BLOCK_BYTES, Pixels, blocks, place_block
from slowglass.finish.recipe import CombineStep
from slowglass.finish.store import FrameStore
from slowglass.finish.trails import drop_trails
from slowglass.finish.workers import each
from slowglass.progress import Report

FEWEST_COLOUR = 3
"""Colour frames from which a picture made mostly of plain ones takes their colours."""


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


def channels_of(lights: Sequence[Light]) -> int:
    """Channels of the picture that lights of a colour or a plain sensor, or both, make."""
    colour = sum(light.batch.channels == 3 for light in lights)
    return 3 if colour >= min(FEWEST_COLOUR, max(len(lights) - colour, 1)) else 1


def choose_box(aligned: Aligned, step: CombineStep) -> Box:
    """The part of the reference frame that the picture shows."""
    if not step.crop_to_common:
        return Box(0, 0, aligned.width_px, aligned.height_px)
    return common_box(
        [aligned.placed[light.name].where for light in aligned.lights],
        aligned.width_px,
        aligned.height_px,
        sizes=[_size(light) for light in aligned.lights],
    )


def choose_grid(aligned: Aligned, step: CombineStep) -> Verdict:
    """Whether to drizzle, on a grid how many times finer: by the data, or by the recipe."""
    lights, batch = aligned.lights, aligned.reference.batch
    widths = [light.look.fwhm_px for light in lights if light.look is not None]
    if any(light.own_batch is not batch for light in lights):
        verdict = Verdict(False, "frames of several cameras")
    else:
        verdict = decide(
            [aligned.placed[light.name] for light in lights],
            batch.bayer,
            float(np.nanmedian(widths)) if np.isfinite(widths).any() else float("nan"),
            width_px=batch.width_px,
            height_px=batch.height_px,
        )
    if step.drizzle == "no":
        verdict = Verdict(False, "asked for by the recipe")
    elif step.drizzle == "yes" and not verdict.pays:
        verdict = Verdict(True, "asked for by the recipe")
    if step.finer is not None:
        verdict = Verdict(verdict.pays, f"{verdict.text}; grid as asked for", step.finer)
    return verdict


def placer(
    aligned: Aligned, light: Light, store: FrameStore, channels: int
) -> Callable[[Box], Pixels]:
    """A function that gives any block of the reference frame as one light shows it.

    A colour light in a picture of one channel comes as its brightness.
    """
    read = reader(store, light)
    frame, batch = aligned.placed[light.name], light.batch

    def place(block: Box) -> Pixels:
        planes = place_block(
            read,
            frame,
            block,
            width_px=batch.width_px,
            height_px=batch.height_px,
            bayer=batch.bayer,
            channels=batch.channels,
        )
        if channels < len(planes):
            return luminance(np.moveaxis(planes, 0, 2))[None]
        return planes

    return place


@dataclass(frozen=True)
class _Team:
    """Lights that are added up together, value by value."""

    places: list[Callable[[Box], Pixels]]
    weights: npt.NDArray[np.float64]
    looser: npt.NDArray[np.float64]
    depth: int

    def sum_over(self, part: Box, rule: Rule, drop: bool) -> tuple[Sum, int]:
        """The sum over a block, and how many values went with trails."""
        shape = (len(self.places), self.depth, part.height_px, part.width_px)
        stack = np.empty(shape, dtype=np.float32)
        for k, place in enumerate(self.places):
            stack[k] = place(part)
        sums = combine_values(stack, rule, weights=self.weights, looser=self.looser)
        lost = 0
        if drop:
            before = int(np.count_nonzero(np.isnan(stack[:, 0])))
            changed = drop_trails(stack, sums, shape_tolerance=rule.shape_tolerance)
            if changed is not None:
                combine_values(
                    stack, rule, weights=self.weights, looser=self.looser, again=(sums, changed)
                )
                lost = int(np.count_nonzero(np.isnan(stack[:, 0]))) - before
        return sums, lost


def combine_lights(
    aligned: Aligned,
    box: Box,
    step: CombineStep,
    store: FrameStore,
    verdict: Verdict,
    report: Report,
) -> Stacked:
    """The weighted mean of all placed lights over ``box`` without what does not belong.

    Plain lights among colour ones add to the brightness only: the colours are the others'.
    """
    lights = aligned.lights
    placed = [aligned.placed[light.name] for light in lights]
    noise = np.array([p.noise_adu for p in placed])
    usual = float(np.median(noise))
    weights = np.array([p.weight for p in placed])
    weights = weights / weights.max()
    looser = noise / usual if usual > 0 else np.ones(len(noise))
    depth = channels_of(lights)
    slope = photon_slope(aligned)
    rule = Rule(
        step.reject,
        step.clip_low_sigma,
        step.clip_high_sigma,
        noise_adu=usual,
        per_adu=slope,
        shape_tolerance=max(step.shape_tolerance, _width_spread(aligned)),
    )
    plain = np.array([depth == 3 and light.batch.channels == 1 for light in lights])

    def team(chosen: npt.NDArray[np.bool_], channels: int) -> _Team:
        index = np.flatnonzero(chosen)
        places = [placer(aligned, lights[k], store, channels) for k in index]
        return _Team(places, weights[index], looser[index], channels)

    first, second = team(~plain, depth), team(plain, 1) if plain.any() else None
    shape = (box.height_px, box.width_px)
    out = np.empty((*shape, depth), dtype=np.float32)
    coverage, gone = np.empty(shape, dtype=np.float32), np.empty(shape, dtype=np.uint16)
    drop = step.drop_trails and step.reject != "none"

    def work(part: Box) -> int:
        sums, lost = first.sum_over(part, rule, drop)
        share, rejected = sums.share.min(axis=0), sums.rejected.max(axis=0)
        if second is not None:
            more, also = second.sum_over(part, rule, drop)
            share = _brighten(sums.mean, share, first, more, second)
            rejected, lost = rejected + more.rejected[0], lost + also
        at = np.s_[part.y0 - box.y0 : part.y1 - box.y0, part.x0 - box.x0 : part.x1 - box.x0]
        lay(sums.mean, out[at])
        coverage[at], gone[at] = share, rejected
        return int(rejected.sum()) + lost

    parts = list(blocks(box, len(lights), depth))
    dropped = sum(lost for _, lost in each(work, parts, "combining", report))
    picture = out[..., 0] if depth == 1 else out
    share = dropped / max(box.width_px * box.height_px * len(lights), 1)
    if verdict.pays:
        picture, coverage, share = drizzle_lights(
            [Source(reader(store, light), light.batch.bayer, *_size(light)) for light in lights],
            placed,
            picture,
            box,
            pixfrac=step.pixfrac,
            limit=_stray_limit(rule),
            report=report,
        )
    slope *= float((weights**2).sum() / weights.sum() ** 2)
    noise_of = picture_noise(picture, per_adu=slope)
    return Stacked(picture, coverage, gone, noise_of, share, verdict)


def _size(light: Light) -> tuple[int, int]:
    return light.batch.width_px, light.batch.height_px


def _width_spread(aligned: Aligned) -> float:
    """Share by which the heights of a star differ between cameras, whose stars are not as wide."""
    widths: dict[int, list[float]] = {}
    for light in aligned.lights:
        if light.look is not None and np.isfinite(light.look.fwhm_px):
            width = light.look.fwhm_px * scale_of(aligned.placed[light.name].where)
            widths.setdefault(id(light.batch), []).append(width)
    usual = [float(np.median(w)) for w in widths.values()]
    return min((max(usual) / min(usual)) ** 2 - 1.0, 1.0) if len(usual) > 1 else 0.0


def _brighten(mean: Pixels, share: Pixels, own: _Team, more: Sum, other: _Team) -> Pixels:
    """Bring the brightness of plain lights into colour planes, in place; the joint coverage.

    The same is added to all three planes, so the colours stay those of the colour lights.
    """
    have, add = own.weights.sum() * share, other.weights.sum() * more.share[0]
    there = np.isfinite(more.mean[0]) & (add > 0)
    step = np.where(there, more.mean[0] - luminance(np.moveaxis(mean, 0, 2)), 0.0)
    step *= add / np.maximum(have + add, 1e-12)
    mean += np.where(np.isfinite(step), step, 0.0).astype(np.float32)
    return np.asarray((have + add) / (own.weights.sum() + other.weights.sum()), np.float32)


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


def photon_slope(aligned: Aligned) -> float:
    """Variance per ADU of light, ADU: 1 / gain, or 1 where the gain is unknown.

    On a finer grid a pixel holds a part of a pixel's light and of the square of its noise.
    """
    gain = aligned.reference.header.gain_e_per_adu
    return (1.0 / gain if gain else 1.0) / aligned.finer**2


def single_picture(aligned: Aligned, light: Light, box: Box, store: FrameStore) -> Picture:
    """One light alone, placed exactly as in the sum, over ``box``; gaps hold the sky's 0 ADU."""
    depth = channels_of(aligned.lights)
    place = placer(aligned, light, store, depth)
    out = np.empty((box.height_px, box.width_px, depth), dtype=np.float32)
    for part in blocks(box, 1, depth, budget_bytes=BLOCK_BYTES / 8):
        at = np.s_[part.y0 - box.y0 : part.y1 - box.y0, part.x0 - box.x0 : part.x1 - box.x0]
        planes = place(part)
        lay(np.broadcast_to(planes, (depth, *planes.shape[1:])), out[at])
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
