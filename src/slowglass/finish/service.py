"""A folder of frames in, one finished picture and its recipe out."""

from __future__ import annotations

import time
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from slowglass.errors import NothingUseful, UnreadableFile
from slowglass.finish import export
from slowglass.finish.align import Aligned, align
from slowglass.finish.colour import star_gains
from slowglass.finish.lights import Light, Series, bad_pixels, survey, take_in
from slowglass.finish.masters import build_masters
from slowglass.finish.measure import aperture_light, snr_ratio
from slowglass.finish.memory import forget_peak, peak_memory_mb
from slowglass.finish.names import Names, choose_names
from slowglass.finish.recipe import Recipe, load_recipe, recipe_text
from slowglass.finish.skyflat import block_levels, fit_surface, subtract_surface
from slowglass.finish.sort import sort_folder
from slowglass.finish.stack import (
    Stacked,
    choose_box,
    combine_lights,
    luminance,
    single_luminance,
)
from slowglass.finish.store import FrameStore
from slowglass.finish.stretch import Stretch, auto_stretch
from slowglass.finish.types import FinishResult, Rejected
from slowglass.frame.image import Frame
from slowglass.frame.picture_io import write_jpeg, write_png, write_tiff16
from slowglass.frame.stars import StarFlag, StarList
from slowglass.progress import Report, silent

if TYPE_CHECKING:
    from slowglass.kit.model import Kit
    from slowglass.sky.place import Place
    from slowglass.sky.store import Sky

JPEG_QUALITY = 93


def finish_folder(
    folder: Path | str,
    out: Path | str,
    *,
    recipe: Recipe | Path | str | None = None,
    sky: Sky | None = None,
    kit: Kit | None = None,
    near: str | None = None,
    report: Report = silent,
) -> FinishResult:
    """Calibrate, register and combine the lights of ``folder`` and write the picture to ``out``.

    Lights, darks, flats and bias may lie in sub-folders or mixed. ``out`` is a file name, whose
    suffix does not matter: ``m15`` or ``m15.fits`` writes m15.fits (linear), m15.tiff, m15.png,
    m15.jpg and m15.recipe.toml, replacing files of these names; an existing folder gets files
    named after ``folder``, numbered rather than replaced. ``sky`` (with ``near`` or ``kit``, or
    a header that says where) adds a WCS. Nothing is ever written inside ``folder``.

    Raises UsageError for a folder or output that makes no sense, NothingUseful when no light
    comes out. Memory: about 25 bytes a pixel of the picture plus 600 MB, whatever the number of
    frames; disk while working: 4 bytes a pixel a frame beside the output.
    """
    began = time.monotonic()
    forget_peak()
    root = Path(folder).resolve()
    names = choose_names(root, Path(out))
    chosen = recipe if isinstance(recipe, Recipe) else load_recipe(recipe) if recipe else Recipe()
    place = None
    if near and sky is not None:
        from slowglass.sky.place import resolve_place

        place = resolve_place(near, sky)
    files, notes = sort_folder(root, report)
    cure = "put the exposures of the sky into a folder 'lights'"
    if not any(files.values()):
        raise UnreadableFile(root, "no frames at all in this folder", cure)
    if not files["light"]:
        counts = ", ".join(f"{len(v)} {k}" for k, v in files.items() if v)
        raise NothingUseful(f"{root}: no lights ({counts})", cure)
    with FrameStore(names.folder) as store:
        lights, wanted = survey(files["light"], store, report)
        masters, found = build_masters(files, wanted, chosen.calibrate, store, report)
        notes += found
        series = take_in(lights, wanted, masters, chosen, store, notes, report)
        bad = bad_pixels(series, masters, chosen)
        aligned = align(series, bad, chosen, store, notes, report)
        box = choose_box(series, aligned, chosen.combine)
        stacked = combine_lights(series, aligned, bad, box, chosen.combine, store, report)
        report("measuring", 0, 3)
        _flatten_sky(stacked, chosen)
        stars = _stars_of(stacked, aligned.reference)
        gain = _snr_gain(series, aligned, stacked, stars, bad, store)
    report("measuring", 1, 3)
    wcs_cards = _solve(stars, stacked, aligned.reference, sky, kit, place, notes)
    report("measuring", 2, 3)
    final = _settle(chosen, stacked, stars.sound, notes)
    record = _record(series, aligned, stacked, box)
    outputs = _write(names, stacked, aligned, series, final, record, wcs_cards, notes, report)
    rejected = [light for light in lights if light.reason]
    used = [light for light in series.kept if light.name in aligned.placed]
    return FinishResult(
        frames_in=len(lights),
        frames_used=len(used),
        rejected=tuple(Rejected(str(light.path), light.reason) for light in rejected),
        snr_gain=_finite(gain, 3),
        fwhm_px=_finite(stars.fwhm_px, 3),
        outputs=tuple(str(p) for p in outputs),
        recipe=str(names.recipe),
        seconds=round(time.monotonic() - began, 2),
        peak_memory_mb=_finite(peak_memory_mb() or float("nan"), 1),
        placed_by=aligned.how,
        solved=bool(wcs_cards),
        notes=tuple(notes),
    )


def _finite(value: float, digits: int) -> float | None:
    return round(float(value), digits) if np.isfinite(value) else None


@dataclass(frozen=True)
class _Found:
    """Stars of the combined picture: all, and those fit for measuring."""

    every: StarList
    sound: StarList
    fwhm_px: float


def _flatten_sky(stacked: Stacked, recipe: Recipe) -> None:
    """Take the sky that is left off each channel, in place."""
    if not recipe.sky.flatten:
        return
    picture = stacked.picture
    planes = [picture] if picture.ndim == 2 else [picture[..., c] for c in range(3)]
    for plane in planes:
        height, width = plane.shape
        surface = fit_surface(block_levels(plane), width, height, order=recipe.sky.order)
        subtract_surface(plane, surface)


def _stars_of(stacked: Stacked, reference: Light) -> _Found:
    from slowglass.frame.detect import detect_stars

    assert reference.shell is not None
    level = luminance(stacked.picture)
    frame = Frame(level, header=reference.header, white_adu=reference.shell.white_adu)
    found = detect_stars(frame, max_stars=500)
    every = found.stars
    unfit = StarFlag.SATURATED | StarFlag.EDGE
    sound = every.take((every.flags & (unfit | StarFlag.UNMEASURED | StarFlag.BLENDED)) == 0)
    fwhm = float(np.median(sound.fwhm_px)) if len(sound) >= 3 else found.fwhm_px
    if len(sound) < 10:
        sound = every.take((every.flags & unfit) == 0)
    return _Found(every, sound, fwhm)


def _snr_gain(
    series: Series,
    aligned: Aligned,
    stacked: Stacked,
    stars: _Found,
    bad: Any,
    store: FrameStore,
) -> float:
    """Measured gain over the frame whose own signal to noise is the median of those used."""
    used = [light for light in series.kept if light.name in aligned.placed]
    order = sorted(used, key=lambda light: aligned.placed[light.name].weight)
    middle = order[(len(order) - 1) // 2]
    width = max(stars.fwhm_px, middle.look.fwhm_px if middle.look else 0.0)
    if not np.isfinite(width):
        width = stars.fwhm_px if np.isfinite(stars.fwhm_px) else 4.0
    # The aperture of best signal to noise for a Gaussian star has 0.67 FWHM radius.
    radius = float(np.clip(0.67 * width, 1.5, 20.0))
    edge = 3.0 * radius
    x, y = stars.sound.x_px, stars.sound.y_px
    height, wide = stacked.picture.shape[:2]
    inside = (x > edge) & (x < wide - edge) & (y > edge) & (y < height - edge)
    x, y = x[inside][:100], y[inside][:100]
    combined = aperture_light(luminance(stacked.picture), x, y, radius)
    alone = single_luminance(series, aligned, middle, bad, stacked.box, store)
    single = aperture_light(alone, x, y, radius)
    return snr_ratio(combined, single)


def _settle(recipe: Recipe, stacked: Stacked, stars: StarList, notes: list[str]) -> Recipe:
    """The recipe with every value that was left open filled in from the picture."""
    picture = stacked.picture
    gains = recipe.colour.gains
    if gains is None:
        gains = (1.0, 1.0, 1.0)
        if picture.ndim == 3:
            gains, used = _white_balance(picture, stars)
            if not used:
                notes.append("too few bright stars for a white balance: colours as the sensor saw")
    stretch = recipe.stretch
    if None in (stretch.black_adu, stretch.white_adu, stretch.softening_adu, stretch.toe):
        mean = picture
        if picture.ndim == 3:
            mean = picture @ (np.asarray(gains, dtype=np.float32) / np.float32(3.0))
        auto = auto_stretch(mean, sky_shade=stretch.sky_shade)
        stretch = stretch.model_copy(update=asdict(auto) | stretch.model_dump(exclude_none=True))
    colour = recipe.colour.model_copy(update={"gains": gains})
    return recipe.model_copy(update={"colour": colour, "stretch": stretch})


def _white_balance(picture: Any, stars: StarList) -> tuple[tuple[float, float, float], int]:
    some = stars.take(np.arange(min(300, len(stars))))
    if len(some) == 0:
        return (1.0, 1.0, 1.0), 0
    radius = float(np.clip(1.2 * np.nanmedian(some.fwhm_px), 2.0, 20.0))
    light = [
        aperture_light(np.ascontiguousarray(picture[..., c]), some.x_px, some.y_px, radius)
        for c in range(3)
    ]
    fluxes = np.column_stack([k.flux_adu for k in light])
    errors = np.broadcast_to([k.noise_adu for k in light], fluxes.shape)
    return star_gains(fluxes, errors)


def _solve(
    stars: _Found,
    stacked: Stacked,
    reference: Light,
    sky: Sky | None,
    kit: Kit | None,
    near: Place | None,
    notes: list[str],
) -> dict[str, Any]:
    """WCS cards of the picture, or none."""
    if sky is None:
        return {}
    from slowglass.finish.where import solve_picture

    height, width = stacked.picture.shape[:2]
    wcs, reason = solve_picture(
        stars.every, width, height, stacked.box, reference.header, sky, kit, near
    )
    if wcs is None:
        notes.append(f"no sky coordinates in the FITS: {reason}")
        return {}
    return dict(wcs.to_header())


def _record(series: Series, aligned: Aligned, stacked: Stacked, box: Any) -> dict[str, Any]:
    """What was done, for the recipe's history: frame by frame."""
    frames = []
    middle = (series.width_px / 2, series.height_px / 2)
    for light in series.lights:
        entry: dict[str, Any] = {"file": light.path.name, "used": not light.reason}
        if light.reason:
            entry["reason"] = light.reason
        placed = aligned.placed.get(light.name)
        if placed is not None:
            dx, dy = placed.where.shift_at(*middle)
            entry |= {
                "shift_x_px": round(dx, 3),
                "shift_y_px": round(dy, 3),
                "turn_deg": round(placed.where.rotation_deg, 5),
                "light_factor": round(placed.factor, 5),
                "weight": float(f"{placed.weight:.5g}"),
            }
        if light.look is not None and np.isfinite(light.look.fwhm_px):
            entry["fwhm_px"] = round(light.look.fwhm_px, 3)
            entry["stars"] = light.look.stars
        frames.append(entry)
    return {
        "reference": aligned.reference.path.name,
        "placed_by": aligned.how,
        "crop": [box.x0, box.y0, box.x1, box.y1],
        "clipped_share": round(stacked.rejected_share, 6),
        "frames": frames,
    }


def _cards(stacked: Stacked, aligned: Aligned, used: list[Light], recipe: Recipe) -> dict[str, Any]:
    header = aligned.reference.header
    exposures = [light.header.exposure_s or 0.0 for light in used]
    starts = [light.header.start_utc for light in used if light.header.start_utc]
    gains = recipe.colour.gains or (1.0, 1.0, 1.0)
    cards: dict[str, Any] = {
        "IMAGETYP": "LIGHT",
        "BUNIT": "adu",
        "NCOMBINE": len(used),
        "EXPTIME": header.exposure_s,
        "TOTALEXP": float(sum(exposures)),
        "OBJECT": header.object_name,
        "FILTER": header.filter_name,
        "REJSHARE": stacked.rejected_share,
        "CROPX0": stacked.box.x0,
        "CROPY0": stacked.box.y0,
    }
    if starts:
        cards["DATE-OBS"] = min(starts).strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3]
    if stacked.picture.ndim == 3:
        cards |= {"WBRED": gains[0], "WBGREEN": gains[1], "WBBLUE": gains[2]}
    return {key: value for key, value in cards.items() if value is not None}


def _write(
    names: Names,
    stacked: Stacked,
    aligned: Aligned,
    series: Series,
    recipe: Recipe,
    record: dict[str, Any],
    wcs_cards: dict[str, Any],
    notes: list[str],
    report: Report,
) -> list[Path]:
    used = [light for light in series.kept if light.name in aligned.placed]
    history = [f"placed by {aligned.how}, reference {aligned.reference.path.name}"]
    history += [f"used {light.path.name}" for light in used]
    history += [f"note: {note}" for note in notes]
    history.append("linear, sky taken off, not white-balanced; values in ADU of the reference")
    report("writing", 0, 5)
    cards = _cards(stacked, aligned, used, recipe) | wcs_cards
    outputs = [export.write_linear(names.fits, stacked.picture, cards=cards, history=history)]
    levels = recipe.stretch.model_dump(exclude={"sky_shade"})
    stretch = Stretch(**levels)
    screen = export.screen_picture(stacked.picture, stretch, recipe.colour.gains or (1.0, 1.0, 1.0))
    report("writing", 1, 5)
    outputs.append(write_tiff16(names.tiff, screen))
    report("writing", 2, 5)
    eight = export.eight_bit(screen)
    outputs.append(write_png(names.png, eight))
    report("writing", 3, 5)
    outputs.append(write_jpeg(names.jpeg, eight, quality=JPEG_QUALITY))
    report("writing", 4, 5)
    outputs.append(export.write_text(names.recipe, recipe_text(recipe, record)))
    return outputs
