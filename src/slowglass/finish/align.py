"""Places, light factors and weights of a series: stars where they show, the sum where not."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from slowglass.finish.badpixels import Index
from slowglass.finish.bend import Fit, Pairs, choose_place
from slowglass.finish.faint import SIGNIFICANT, find_drift, find_turns
from slowglass.finish.geometry import Box, Place, Similarity, local_affine
from slowglass.finish.grade import (
    SHARPEST_STAR_PX,
    Share,
    choose_keepers,
    frame_weight,
    light_factor,
    rank,
    refuse_empty,
)
from slowglass.finish.lights import Light, Series, reader
from slowglass.finish.place import Placed, subtract_skies
from slowglass.finish.recipe import Recipe
from slowglass.finish.register import Sources, register_sources
from slowglass.finish.store import FrameStore
from slowglass.finish.where import between
from slowglass.frame.bayer import binned
from slowglass.frame.stars import StarFlag
from slowglass.progress import Report
from slowglass.sky.wcs import TanWcs

LARGEST_PLANE_PX = 1_600_000
SERIES_PX = 40_000_000
"""Faint series are correlated at no more pixels than these, a frame and all together; larger
frames are binned first. 16 bytes a pixel: 640 MB at most."""


MOST_UNSOLVED = 3
"""Lights without a solution after which no more are tried: each takes its time."""
PATCH = Box(0, 0, 500, 500)
Solve = Callable[[Light], TanWcs | None]


@dataclass(frozen=True)
class Aligned:
    """The reference light, and how every light that stays enters the sum."""

    reference: Light
    placed: dict[str, Placed]
    how: str
    """"stars", "drift" (pattern-free correlation) or "single"."""


def _sources(light: Light) -> Sources:
    stars = light.stars
    keep = np.isfinite(stars.x_px) & np.isfinite(stars.y_px)
    sharp = np.isfinite(stars.fwhm_px) & (stars.fwhm_px < SHARPEST_STAR_PX)
    return Sources(np.column_stack([stars.x_px, stars.y_px])[keep], sharp[keep])


def align(
    series: Series,
    bad: Index,
    recipe: Recipe,
    store: FrameStore,
    notes: list[str],
    report: Report,
    *,
    solve: Solve | None = None,
) -> Aligned:
    """Give every usable light its place; the others get their reason.

    ``solve`` finds a light's sky coordinates: two frames that share too few stars to be matched
    directly meet through the catalogue.
    """
    lights = series.kept
    looks = [light.look for light in lights if light.look is not None]
    for light, reason in zip(lights, refuse_empty(looks, recipe.grade), strict=True):
        light.reason = reason
    lights = series.kept
    if len(lights) == 1:
        only = lights[0]
        return Aligned(only, {only.name: _placed(only, Similarity(), 1.0)}, "single")
    report("registering", 0, len(lights))
    reference = max(lights, key=lambda light: rank(light.look) if light.look else 0.0)
    matches = register_sources(
        [_sources(light) for light in lights],
        lights.index(reference),
        scale_tolerance=recipe.register_frames.scale_tolerance,
        report=report,
    )
    starts: list[Place | None] = [m.transform for m in matches]
    if solve is not None:
        _through_the_sky(series, lights, starts, reference, solve, report)
    found = sum(start is not None for start in starts)
    if found - 1 < (len(lights) - 1) / 2 and len(lights) >= 3:
        drifted = _by_drift(series, lights, bad, recipe, store, report)
        if drifted is not None and len(drifted.placed) > found:
            notes.append("too few stars in single frames: placed by their common drift")
            return drifted
    for light, start, match in zip(lights, starts, matches, strict=True):
        if start is None:
            light.reason = f"no place found: {match.reason}"
    return _by_stars(series, lights, reference, starts, recipe)


def _through_the_sky(
    series: Series,
    lights: list[Light],
    starts: list[Place | None],
    reference: Light,
    solve: Solve,
    report: Report,
) -> None:
    """Places of unmatched lights by the catalogue, written into ``starts``; given up early."""
    lost = [k for k, start in enumerate(starts) if start is None and len(lights[k].stars) >= 3]
    if not lost:
        return
    report("solving", 0, len(lost))
    target = solve(reference)
    failures = 0
    for number, k in enumerate(lost):
        if target is None or failures >= MOST_UNSOLVED:
            return
        report("solving", number, len(lost))
        own = solve(lights[k])
        if own is None:
            failures += 1
            continue
        starts[k] = between(own, target, series.width_px, series.height_px)


def _by_stars(
    series: Series,
    lights: list[Light],
    reference: Light,
    starts: list[Place | None],
    recipe: Recipe,
) -> Aligned:
    target = _sources(reference).xy_px
    trusted = _unsaturated(reference)
    staying: list[tuple[Light, Fit]] = []
    shares: list[Share] = []
    for light, start in zip(lights, starts, strict=True):
        if start is None or light.look is None:
            continue
        fit = Fit(Similarity(), "similarity", _same(len(target)), 0.0, 0.0)
        factor = 1.0
        longer = _exposure_ratio(light, reference)
        if light is not reference:
            fit = choose_place(
                _sources(light).xy_px,
                target,
                start,
                width_px=series.width_px,
                height_px=series.height_px,
                freest=recipe.register_frames.freest,
            )
            own, ref = fit.pairs[:, 0], fit.pairs[:, 1]
            good = _unsaturated(light)[own] & trusted[ref]
            factor, used = light_factor(
                light.stars.flux_adu[own][good], reference.stars.flux_adu[ref][good]
            )
            if used < 3:
                factor = longer
        staying.append((light, fit))
        shares.append(Share(light.look, factor, factor / longer))
    for (light, _), reason in zip(staying, choose_keepers(shares, recipe.grade), strict=True):
        light.reason = reason
    placed = {
        light.name: _placed(light, fit.place, share.factor, fit)
        for (light, fit), share in zip(staying, shares, strict=True)
        if not light.reason
    }
    # A reference that turns out clouded is left out of the sum; it still fixes the geometry.
    return Aligned(reference, placed, "stars")


def _same(count: int) -> Pairs:
    return np.column_stack([np.arange(count)] * 2)


def _unsaturated(light: Light) -> np.ndarray:
    return np.asarray((light.stars.flags & StarFlag.SATURATED) == 0)


def _exposure_ratio(light: Light, reference: Light) -> float:
    own, ref = light.header.exposure_s, reference.header.exposure_s
    return own / ref if own and ref else 1.0


def _placed(light: Light, where: Place, factor: float, fit: Fit | None = None) -> Placed:
    look = light.look
    assert look is not None
    weight = frame_weight(factor=factor, noise_adu=look.noise_adu, blur_px=look.blur_px)
    # Interpolation keeps brightness a pixel; on another scale a star then covers more of them.
    factor *= abs(float(np.linalg.det(local_affine(where, PATCH)[:, :2])))
    return Placed(where, light.skies, factor, weight, look.noise_adu / factor, fit)


def _by_drift(
    series: Series,
    lights: list[Light],
    bad: Index,
    recipe: Recipe,
    store: FrameStore,
    report: Report,
) -> Aligned | None:
    """Places from the common drift of the sky under the fixed pattern; None when there is none."""
    whole = Box(0, 0, series.width_px, series.height_px)
    step = 1 if series.bayer is None else 2
    most = min(LARGEST_PLANE_PX, SERIES_PX // len(lights))
    while series.width_px * series.height_px / step**2 > most:
        step += 1 if series.bayer is None else 2
    planes = []
    for k, light in enumerate(lights):
        report("looking for the common drift", k, len(lights))
        pixels = reader(series, store, light.name, bad)(whole)
        subtract_skies(pixels, whole, light.skies, series.bayer is not None)
        if pixels.ndim == 3:
            pixels = pixels.mean(axis=2)
        planes.append(binned(pixels, step))
    sigma = max(1.0, recipe.register_frames.faint_star_sigma_px / step)
    drift = find_drift(planes, star_sigma_px=sigma)
    known = np.isfinite(drift.dx_px)
    if known.sum() < 2:
        return None
    anchor = int(np.flatnonzero(known)[0])
    turned = find_turns(planes, anchor, star_sigma_px=sigma, step=step)
    placed = {}
    for k, light in enumerate(lights):
        if not known[k]:
            light.reason = (
                f"no place found: its sky stands out {drift.significance[k]:.1f} σ from the "
                f"noise of the correlation, {SIGNIFICANT:g} needed"
            )
            continue
        shift = complex(drift.dx_px[anchor] - drift.dx_px[k], drift.dy_px[anchor] - drift.dy_px[k])
        where = turned[k] or Similarity(1.0 + 0j, shift * step)
        longer = _exposure_ratio(light, lights[anchor])
        entry = _placed(light, where, longer)
        placed[light.name] = replace(entry, weight=longer**2 / max(entry.noise_adu, 1e-9) ** 2)
    return Aligned(lights[anchor], placed, "drift")
