"""From files to the linear combined picture: calibrate, grade, register, combine, measure."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from slowglass.errors import NothingUseful, UnreadableFile
from slowglass.finish.align import Aligned, align
from slowglass.finish.badpixels import Index
from slowglass.finish.combined import Combined, FoundStars, Picture
from slowglass.finish.geometry import Box, shift_at, turn_deg
from slowglass.finish.lights import Light, Series, bad_pixels, reader, survey, take_in
from slowglass.finish.masters import build_masters
from slowglass.finish.measure import aperture_light, snr_ratio
from slowglass.finish.pattern import FEWEST_FRAMES, far_enough, fixed_pattern, spread_out
from slowglass.finish.place import subtract_skies
from slowglass.finish.recipe import Recipe
from slowglass.finish.sort import sort_folder
from slowglass.finish.stack import Stacked, choose_box, combine_lights, luminance, single_picture
from slowglass.finish.store import FrameStore
from slowglass.finish.where import solve_picture
from slowglass.frame.image import Frame, Kind
from slowglass.frame.stars import StarFlag
from slowglass.progress import Report

if TYPE_CHECKING:
    from slowglass.kit.model import Kit
    from slowglass.sky.place import Place
    from slowglass.sky.store import Sky
    from slowglass.sky.wcs import TanWcs


def combine_folder(
    root: Path,
    recipe: Recipe,
    store: FrameStore,
    *,
    sky: Sky | None = None,
    kit: Kit | None = None,
    near: Place | None = None,
    scale_arcsec_per_px: float | None = None,
    apart: Sequence[Path] = (),
    report: Report,
) -> Combined:
    """The linear picture of the lights below ``root``; working frames go to ``store``.

    Darks, flats and bias may also lie in folders ``apart``, whose lights are left out.
    Raises UnreadableFile for a folder without frames, NothingUseful when no light comes out.
    """
    files, notes = sort_folder(root, report)
    for folder in apart:
        more, told = sort_folder(folder, report, calibration=True)
        notes += told
        for kind, paths in more.items():
            if kind != "light":
                known = files.setdefault(kind, [])
                known += [path for path in paths if path not in known]
    return combine_files(
        root,
        files,
        notes,
        recipe,
        store,
        sky=sky,
        kit=kit,
        near=near,
        scale_arcsec_per_px=scale_arcsec_per_px,
        report=report,
    )


def combine_files(
    root: Path,
    files: dict[Kind, list[Path]],
    notes: list[str],
    recipe: Recipe,
    store: FrameStore,
    *,
    sky: Sky | None = None,
    kit: Kit | None = None,
    near: Place | None = None,
    scale_arcsec_per_px: float | None = None,
    report: Report,
) -> Combined:
    """The same of files already told apart; one light alone is a picture too."""
    cure = "put the exposures of the sky into a folder 'lights'"
    if not any(files.values()):
        raise UnreadableFile(root, "no frames at all in this folder", cure)
    if not files["light"]:
        counts = ", ".join(f"{len(v)} {k}" for k, v in files.items() if v)
        raise NothingUseful(f"{root}: no lights ({counts})", cure)
    lights, wanted = survey(files["light"], store, report)
    masters, found = build_masters(files, wanted, recipe.calibrate, store, report)
    notes += found
    series = take_in(lights, wanted, masters, recipe, store, notes, report)
    bad = bad_pixels(series)
    scale = scale_arcsec_per_px

    def solve(light: Light) -> TanWcs | None:
        whole = Box(0, 0, series.width_px, series.height_px)
        size = (series.width_px, series.height_px)
        assert sky is not None
        return solve_picture(light.stars, *size, whole, light.header, sky, kit, near, scale)[0]

    use_sky = sky is not None and (near is not None or kit is not None or scale is not None)
    aligned = align(series, bad, recipe, store, notes, report, solve=solve if use_sky else None)
    if masters.dark is None and recipe.calibrate.pattern_from_lights:
        series = _without_pattern(series, aligned, bad, store, notes, report)
    box = choose_box(series, aligned, recipe.combine)
    stacked = combine_lights(series, aligned, bad, box, recipe.combine, store, report)
    report("measuring", 0, 2)
    used = tuple(light for light in series.kept if light.name in aligned.placed)
    middle = _median_frame(used, aligned)

    def single() -> Picture:
        return single_picture(series, aligned, middle, bad, box, store)

    stars = _stars_of(stacked.picture, aligned.reference)
    gain = _snr_gain(stacked.picture, single(), middle, stars)
    report("measuring", 1, 2)
    wcs = _solve(stars, stacked.picture, box, aligned.reference, sky, kit, near, scale, notes)
    return Combined(
        picture=stacked.picture,
        coverage=stacked.coverage,
        rejected=stacked.rejected,
        noise=stacked.noise,
        box=box,
        reference=aligned.reference,
        lights=tuple(lights),
        used=used,
        placed_by=aligned.how,
        stars=stars,
        wcs=wcs,
        snr_gain=gain,
        rejected_share=stacked.rejected_share,
        record=_record(series, aligned, box, stacked)
        | ({"bad_pixels": dict(masters.bad_counts)} if masters.bad_counts else {}),
        notes=tuple(notes),
        single=single,
    )


def _start(light: Light) -> float:
    start = light.header.start_utc
    return start.timestamp() if start is not None else 0.0


def _without_pattern(
    series: Series,
    aligned: Aligned,
    bad: Index,
    store: FrameStore,
    notes: list[str],
    report: Report,
) -> Series:
    """The series with its fixed pattern known, where the drift of its sky shows one."""
    used = [light for light in series.kept if light.name in aligned.placed]
    used.sort(key=_start)
    if len(used) < FEWEST_FRAMES or len(used[0].skies) == 3:
        return series
    middle = (series.width_px / 2, series.height_px / 2)
    shifts = np.array([shift_at(aligned.placed[light.name].where, *middle) for light in used])
    widths = [light.look.fwhm_px for light in used if light.look is not None]
    if not np.isfinite(widths).any() or not far_enough(shifts, float(np.nanmedian(widths))):
        return series

    def sky_free(light: Light) -> Callable[[Box], Picture]:
        read = reader(series, store, light.name, bad)

        def at(box: Box) -> Picture:
            pixels = read(box)
            subtract_skies(pixels, box, light.skies, series.bayer is not None)
            return pixels

        return at

    noise = [light.look.noise_adu for light in used if light.look is not None]
    pattern, height_adu = fixed_pattern(
        [sky_free(used[k]) for k in spread_out(shifts)],
        width_px=series.width_px,
        height_px=series.height_px,
        bayer=series.bayer,
        noise_adu=float(np.median(noise)),
        report=report,
    )
    if pattern is None:
        return series
    notes.append(
        f"a fixed pattern of {height_adu:.1f} ADU under the drifting sky was taken out of the "
        "lights; darks would know it better"
    )
    return replace(series, pattern=pattern)


def _stars_of(picture: Picture, reference: Light) -> FoundStars:
    from slowglass.frame.detect import detect_stars

    assert reference.shell is not None
    level = luminance(picture)
    frame = Frame(level, header=reference.header, white_adu=reference.shell.white_adu)
    found = detect_stars(frame, max_stars=500)
    every = found.stars
    unfit = StarFlag.SATURATED | StarFlag.EDGE
    sound = every.take((every.flags & (unfit | StarFlag.UNMEASURED | StarFlag.BLENDED)) == 0)
    fwhm = float(np.median(sound.fwhm_px)) if len(sound) >= 3 else found.fwhm_px
    if len(sound) < 10:
        sound = every.take((every.flags & unfit) == 0)
    return FoundStars(every, sound, fwhm)


def _median_frame(used: tuple[Light, ...], aligned: Aligned) -> Light:
    order = sorted(used, key=lambda light: aligned.placed[light.name].weight)
    return order[(len(order) - 1) // 2]


def _snr_gain(picture: Picture, alone: Picture, middle: Light, stars: FoundStars) -> float:
    """Measured gain over the frame whose own signal to noise is the median of those used."""
    width = max(stars.fwhm_px, middle.look.fwhm_px if middle.look else 0.0)
    if not np.isfinite(width):
        width = stars.fwhm_px if np.isfinite(stars.fwhm_px) else 4.0
    # The aperture of best signal to noise for a Gaussian star has 0.67 FWHM radius.
    radius = float(np.clip(0.67 * width, 1.5, 20.0))
    edge = 3.0 * radius
    x, y = stars.sound.x_px, stars.sound.y_px
    height, wide = picture.shape[:2]
    inside = (x > edge) & (x < wide - edge) & (y > edge) & (y < height - edge)
    x, y = x[inside][:100], y[inside][:100]
    combined = aperture_light(luminance(picture), x, y, radius)
    single = aperture_light(luminance(alone), x, y, radius)
    return snr_ratio(combined, single)


def _solve(
    stars: FoundStars,
    picture: Picture,
    box: Box,
    reference: Light,
    sky: Sky | None,
    kit: Kit | None,
    near: Place | None,
    scale_arcsec_per_px: float | None,
    notes: list[str],
) -> TanWcs | None:
    if sky is None:
        return None
    height, width = picture.shape[:2]
    header = reference.header
    wcs, reason = solve_picture(
        stars.every, width, height, box, header, sky, kit, near, scale_arcsec_per_px
    )
    if wcs is None:
        notes.append(f"no sky coordinates in the FITS: {reason}")
    return wcs


def _record(series: Series, aligned: Aligned, box: Box, stacked: Stacked) -> dict[str, Any]:
    """What was done, for the recipe's history: frame by frame."""
    frames = []
    middle = (series.width_px / 2, series.height_px / 2)
    for light in series.lights:
        entry: dict[str, Any] = {"file": light.path.name, "used": not light.reason}
        if light.reason:
            entry["reason"] = light.reason
        placed = aligned.placed.get(light.name)
        if placed is not None:
            dx, dy = shift_at(placed.where, *middle)
            entry |= {
                "shift_x_px": round(dx, 3),
                "shift_y_px": round(dy, 3),
                "turn_deg": round(turn_deg(placed.where, *middle), 5),
                "light_factor": round(placed.factor, 5),
                "weight": float(f"{placed.weight:.5g}"),
            }
            if placed.fit is not None and light is not aligned.reference:
                entry |= {"map": placed.fit.model, "residual_px": round(placed.fit.rms_px, 4)}
        if light.look is not None and np.isfinite(light.look.fwhm_px):
            entry["fwhm_px"] = round(light.look.fwhm_px, 3)
            entry["stars"] = light.look.stars
        frames.append(entry)
    return {
        "reference": aligned.reference.path.name,
        "placed_by": aligned.how,
        "crop": [box.x0, box.y0, box.x1, box.y1],
        "clipped_share": round(stacked.rejected_share, 6),
        "drizzled": stacked.drizzle.pays,
        "drizzle_because": stacked.drizzle.text,
        "frames": frames,
    }
