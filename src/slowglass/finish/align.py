"""Places, light factors and weights of a series: stars where they show, the sum where not."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from slowglass.finish.bend import Fit, Pairs, choose_place
from slowglass.finish.faint import SIGNIFICANT, find_drift, find_turns
from slowglass.finish.geometry import Box, Place, Similarity, enlarged, scale_of
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
Solve = Callable[[Light], TanWcs | None]


@dataclass(frozen=True)
class Aligned:
    """The reference light, and how every light that stays enters the sum."""

    reference: Light
    placed: dict[str, Placed]
    lights: tuple[Light, ...]
    """Those placed, in the order of the series."""
    how: str
    """"stars", "drift" (pattern-free correlation) or "single"."""
    finer: float = 1.0
    """Pixels of the grid the picture is made on, along a pixel of the reference."""

    @property
    def width_px(self) -> int:
        """Columns of the whole grid."""
        return round(self.reference.batch.width_px * self.finer)

    @property
    def height_px(self) -> int:
        """Rows of the whole grid."""
        return round(self.reference.batch.height_px * self.finer)

    def on_finer_grid(self, times: float) -> Aligned:
        """The same frames on a grid of smaller pixels; stars keep their light."""
        placed = {
            name: replace(
                one,
                where=enlarged(one.where, times),
                factor=one.factor * times**2,
                noise_adu=one.noise_adu / times**2,
            )
            for name, one in self.placed.items()
        }
        return replace(self, placed=placed, finer=self.finer * times)


def _sources(light: Light) -> Sources:
    stars = light.stars
    keep = np.isfinite(stars.x_px) & np.isfinite(stars.y_px)
    sharp = np.isfinite(stars.fwhm_px) & (stars.fwhm_px < SHARPEST_STAR_PX)
    return Sources(np.column_stack([stars.x_px, stars.y_px])[keep], sharp[keep])


def align(
    series: Series,
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
    for batch in series.batches:
        own = series.of(batch)
        looks = [light.look for light in own if light.look is not None]
        for light, reason in zip(own, refuse_empty(looks, recipe.grade), strict=True):
            light.reason = reason
    lights = series.kept
    if len(lights) == 1:
        only = lights[0]
        return Aligned(only, {only.name: _placed(only, Similarity(), 1.0)}, (only,), "single")
    report("registering", 0, len(lights))
    main = series.of(series.main)
    reference = max(main, key=lambda light: rank(light.look) if light.look else 0.0)
    matches = register_sources(
        [_sources(light) for light in lights],
        lights.index(reference),
        cameras=[series.batches.index(light.batch) for light in lights],
        scale_tolerance=recipe.register_frames.scale_tolerance,
        report=report,
    )
    starts: list[Place | None] = [m.transform for m in matches]
    if solve is not None:
        _through_the_sky(lights, starts, reference, solve, report)
    found = sum(start is not None for start in starts)
    if len(main) == len(lights) and found - 1 < (len(lights) - 1) / 2 and len(lights) >= 3:
        drifted = _by_drift(series, lights, recipe, store, report)
        if drifted is not None and len(drifted.placed) > found:
            notes.append("too few stars in single frames: placed by their common drift")
            return drifted
    for light, start, match in zip(lights, starts, matches, strict=True):
        if start is None:
            light.reason = f"no place found: {match.reason}"
            if light.own_batch is not series.main:
                sizes = f"{light.batch.told()}, the series {series.main.told()}"
                light.reason += f" (of another camera: {sizes})"
    return _by_stars(lights, reference, starts, recipe)


def _through_the_sky(
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
        starts[k] = between(own, target, lights[k].batch.width_px, lights[k].batch.height_px)


def _by_stars(
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
                width_px=light.batch.width_px,
                height_px=light.batch.height_px,
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
        shares.append(Share(light.look, factor, factor / longer, scale_of(fit.place)))
    shares = _clear_by_camera(staying, shares)
    for (light, _), reason in zip(staying, choose_keepers(shares, recipe.grade), strict=True):
        light.reason = reason
    placed = {
        light.name: _placed(light, fit.place, share.factor, fit)
        for (light, fit), share in zip(staying, shares, strict=True)
        if not light.reason
    }
    # A reference that turns out clouded is left out of the sum; it still fixes the geometry.
    return Aligned(reference, placed, _in(lights, placed), "stars")


def _clear_by_camera(staying: list[tuple[Light, Fit]], shares: list[Share]) -> list[Share]:
    """Shares whose clarity is told against frames of the same camera.

    Another sensor and lens gather other light; how clear the air was shows within a batch only.
    """
    out = list(shares)
    for batch in {id(light.batch): light.batch for light, _ in staying}.values():
        own = [k for k, (light, _) in enumerate(staying) if light.own_batch is batch]
        best = float(np.quantile([shares[k].clarity for k in own], 0.8))
        for k in own:
            out[k] = replace(shares[k], clarity=shares[k].clarity / max(best, 1e-9))
    return out


def _in(lights: list[Light], placed: dict[str, Placed]) -> tuple[Light, ...]:
    return tuple(light for light in lights if light.name in placed)


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
    # Interpolation keeps brightness a pixel; on another scale a star then covers more of them,
    # or, where pixels are averaged into larger ones, their noise goes down.
    scale = scale_of(where)
    factor *= scale**2
    noise = look.noise_adu / factor * min(1.0, scale)
    return Placed(where, light.skies, factor, weight, noise, fit)


def _by_drift(
    series: Series,
    lights: list[Light],
    recipe: Recipe,
    store: FrameStore,
    report: Report,
) -> Aligned | None:
    """Places from the common drift of the sky under the fixed pattern; None when there is none."""
    mosaic, size = series.main.bayer is not None, (series.main.width_px, series.main.height_px)
    whole = Box(0, 0, *size)
    step = 2 if mosaic else 1
    most = min(LARGEST_PLANE_PX, SERIES_PX // len(lights))
    while size[0] * size[1] / step**2 > most:
        step += 2 if mosaic else 1
    planes = []
    for k, light in enumerate(lights):
        report("looking for the common drift", k, len(lights))
        pixels = reader(store, light)(whole)
        subtract_skies(pixels, whole, light.skies, mosaic)
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
    return Aligned(lights[anchor], placed, _in(lights, placed), "drift")
