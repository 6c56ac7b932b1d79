"""From files to the linear combined picture: calibrate, grade, register, combine, measure."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from slowglass.errors import NothingUseful, UnreadableFile
from slowglass.finish.align import Aligned, align
from slowglass.finish.batches import take_in_all, told_of_cameras
from slowglass.finish.combined import Combined, FoundStars, Picture
from slowglass.finish.geometry import Box, scale_of, shift_at, turn_deg
from slowglass.finish.lights import Light, Series, find_bad_pixels
from slowglass.finish.measure import aperture_light, snr_ratio
from slowglass.finish.readings import Readings
from slowglass.finish.recipe import Recipe
from slowglass.finish.sort import sort_folder
from slowglass.finish.stack import (
    Stacked,
    choose_box,
    choose_grid,
    combine_lights,
    luminance,
    single_picture,
)
from slowglass.finish.steady import find_patterns, streak_note
from slowglass.finish.store import FrameStore
from slowglass.finish.survey import survey
from slowglass.finish.tints import tint_cameras
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
    keep: Path | None = None,
    report: Report,
) -> Combined:
    """The linear picture of the lights below ``root``; working frames go to ``store``.

    What was read off the lights is kept in the folder ``keep`` for later runs, else beside the
    working frames.

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
        keep=keep,
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
    keep: Path | None = None,
    report: Report,
) -> Combined:
    """The same of files already told apart; one light alone is a picture too."""
    cure = "put the exposures of the sky into a folder 'lights'"
    if not any(files.values()):
        raise UnreadableFile(root, "no frames at all in this folder", cure)
    if not files["light"]:
        counts = ", ".join(f"{len(v)} {k}" for k, v in files.items() if v)
        raise NothingUseful(f"{root}: no lights ({counts})", cure)
    lights, batches = survey(files["light"], store, report)
    readings = Readings(keep if keep is not None else store.folder)
    series, bad_counts = take_in_all(lights, batches, files, recipe, store, readings, notes, report)
    if not series.kept:
        raise NothingUseful(f"{root}: none of the {len(lights)} lights can be used", cure)
    find_bad_pixels(series)
    scale = scale_arcsec_per_px

    def solve(light: Light) -> TanWcs | None:
        size = (light.batch.width_px, light.batch.height_px)
        assert sky is not None
        whole = Box(0, 0, *size)
        return solve_picture(light.stars, *size, whole, light.header, sky, kit, near, scale)[0]

    use_sky = sky is not None and (near is not None or kit is not None or scale is not None)
    aligned = align(series, recipe, store, notes, report, solve=solve if use_sky else None)
    notes += told_of_cameras(aligned)
    aligned = tint_cameras(aligned, store)
    if recipe.calibrate.pattern_from_lights:
        find_patterns(aligned, store, notes, report)
    verdict = choose_grid(aligned, recipe.combine)
    if verdict.finer > 1.0:
        aligned = aligned.on_finer_grid(verdict.finer)
    if verdict.pays or verdict.finer > 1.0:
        how = "drizzled" if verdict.pays else "not drizzled, only interpolated"
        notes.append(f"{how}: {verdict.text}")
    box = choose_box(aligned, recipe.combine)
    stacked = combine_lights(aligned, box, recipe.combine, store, verdict, report)
    report("measuring", 0, 2)
    middle = _median_frame(aligned)

    def single() -> Picture:
        return single_picture(aligned, middle, box, store)

    walked = streak_note(stacked.picture, aligned)
    notes += [walked] if walked else []
    stars = _stars_of(stacked.picture, aligned)
    gain = _snr_gain(stacked.picture, single(), middle, stars)
    readings.tidy()
    report("measuring", 1, 2)
    wcs = _solve(stars, stacked.picture, box, aligned, sky, kit, near, scale, notes)
    return Combined(
        picture=stacked.picture,
        coverage=stacked.coverage,
        rejected=stacked.rejected,
        noise=stacked.noise,
        box=box,
        reference=aligned.reference,
        lights=tuple(lights),
        used=aligned.lights,
        placed_by=aligned.how,
        stars=stars,
        wcs=wcs,
        snr_gain=gain,
        rejected_share=stacked.rejected_share,
        record=_record(series, aligned, box, stacked)
        | ({"bad_pixels": dict(bad_counts)} if bad_counts else {}),
        notes=tuple(notes),
        single=single,
    )


def _stars_of(picture: Picture, aligned: Aligned) -> FoundStars:
    from slowglass.frame.detect import detect_stars

    reference = aligned.reference
    assert reference.shell is not None
    white_adu = reference.shell.white_adu / aligned.finer**2
    frame = Frame(luminance(picture), header=reference.header, white_adu=white_adu)
    found = detect_stars(frame, max_stars=500)
    every = found.stars
    unfit = StarFlag.SATURATED | StarFlag.EDGE
    sound = every.take((every.flags & (unfit | StarFlag.UNMEASURED | StarFlag.BLENDED)) == 0)
    fwhm = float(np.median(sound.fwhm_px)) if len(sound) >= 3 else found.fwhm_px
    if len(sound) < 10:
        sound = every.take((every.flags & unfit) == 0)
    return FoundStars(every, sound, fwhm)


def _median_frame(aligned: Aligned) -> Light:
    """The frame of median weight, of the reference's camera where the picture is in colour."""
    usual = aligned.reference.own_batch
    own = [light for light in aligned.lights if light.own_batch is usual] or aligned.lights
    order = sorted(own, key=lambda light: aligned.placed[light.name].weight)
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
    aligned: Aligned,
    sky: Sky | None,
    kit: Kit | None,
    near: Place | None,
    scale_arcsec_per_px: float | None,
    notes: list[str],
) -> TanWcs | None:
    if sky is None:
        return None
    height, width = picture.shape[:2]
    header = aligned.reference.header
    wcs, reason = solve_picture(
        stars.every,
        width,
        height,
        box,
        header,
        sky,
        kit,
        near,
        scale_arcsec_per_px,
        finer=aligned.finer,
    )
    if wcs is None:
        notes.append(f"no sky coordinates in the FITS: {reason}")
    return wcs


def _record(series: Series, aligned: Aligned, box: Box, stacked: Stacked) -> dict[str, Any]:
    """What was done, for the recipe's history: frame by frame."""
    frames = []
    for light in series.lights:
        entry: dict[str, Any] = {"file": light.path.name, "used": not light.reason}
        if light.reason:
            entry["reason"] = light.reason
        placed = aligned.placed.get(light.name)
        if placed is not None:
            middle = (light.batch.width_px / 2, light.batch.height_px / 2)
            dx, dy = shift_at(placed.where, *middle)
            entry |= {
                "shift_x_px": round(dx, 3),
                "shift_y_px": round(dy, 3),
                "turn_deg": round(turn_deg(placed.where, *middle), 5),
                "light_factor": round(placed.factor, 5),
                "weight": float(f"{placed.weight:.5g}"),
            }
            if len(series.batches) > 1:
                entry["camera"] = light.batch.told()
                entry["scale"] = round(scale_of(placed.where) / aligned.finer, 5)
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
        "finer": aligned.finer,
        "frames": frames,
    }
