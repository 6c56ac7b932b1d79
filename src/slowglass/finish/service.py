"""A folder of frames in, one finished picture and its recipe out."""

from __future__ import annotations

import time
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from slowglass.finish import export
from slowglass.finish.colour import star_gains
from slowglass.finish.combined import Combined
from slowglass.finish.linear import combine_folder
from slowglass.finish.measure import aperture_light
from slowglass.finish.memory import forget_peak, peak_memory_mb
from slowglass.finish.names import Names, choose_names
from slowglass.finish.recipe import Recipe, load_recipe, recipe_text
from slowglass.finish.skyflat import block_levels, fit_surface, subtract_surface
from slowglass.finish.store import FrameStore
from slowglass.finish.stretch import Stretch, auto_stretch
from slowglass.finish.types import FinishResult, Rejected
from slowglass.frame.picture_io import write_jpeg, write_png, write_tiff16
from slowglass.frame.stars import StarList
from slowglass.progress import Report, silent

if TYPE_CHECKING:
    from slowglass.kit.model import Kit
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
    with FrameStore(names.folder) as store:
        combined = combine_folder(root, chosen, store, sky=sky, kit=kit, near=place, report=report)
        notes = list(combined.notes)
        _flatten_sky(combined, chosen)
        final = _settle(chosen, combined, notes)
        outputs = _write(names, combined, final, notes, report)
    rejected = [light for light in combined.lights if light.reason]
    return FinishResult(
        frames_in=len(combined.lights),
        frames_used=len(combined.used),
        rejected=tuple(Rejected(str(light.path), light.reason) for light in rejected),
        snr_gain=_finite(combined.snr_gain, 3),
        fwhm_px=_finite(combined.stars.fwhm_px, 3),
        outputs=tuple(str(p) for p in outputs),
        recipe=str(names.recipe),
        seconds=round(time.monotonic() - began, 2),
        peak_memory_mb=_finite(peak_memory_mb() or float("nan"), 1),
        placed_by=combined.placed_by,
        solved=combined.wcs is not None,
        notes=tuple(notes),
    )


def _finite(value: float, digits: int) -> float | None:
    return round(float(value), digits) if np.isfinite(value) else None


def _flatten_sky(combined: Combined, recipe: Recipe) -> None:
    """Take the sky that is left off each channel, in place."""
    if not recipe.sky.flatten:
        return
    picture = combined.picture
    planes = [picture] if picture.ndim == 2 else [picture[..., c] for c in range(3)]
    for plane in planes:
        height, width = plane.shape
        surface = fit_surface(block_levels(plane), width, height, order=recipe.sky.order)
        subtract_surface(plane, surface)


def _settle(recipe: Recipe, combined: Combined, notes: list[str]) -> Recipe:
    """The recipe with every value that was left open filled in from the picture."""
    picture = combined.picture
    gains = recipe.colour.gains
    if gains is None:
        gains = (1.0, 1.0, 1.0)
        if picture.ndim == 3:
            gains, used = _white_balance(picture, combined.stars.sound)
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


def _cards(combined: Combined, recipe: Recipe) -> dict[str, Any]:
    header = combined.reference.header
    exposures = [light.header.exposure_s or 0.0 for light in combined.used]
    starts = [light.header.start_utc for light in combined.used if light.header.start_utc]
    gains = recipe.colour.gains or (1.0, 1.0, 1.0)
    cards: dict[str, Any] = {
        "IMAGETYP": "LIGHT",
        "BUNIT": "adu",
        "NCOMBINE": len(combined.used),
        "EXPTIME": header.exposure_s,
        "TOTALEXP": float(sum(exposures)),
        "OBJECT": header.object_name,
        "FILTER": header.filter_name,
        "REJSHARE": combined.rejected_share,
        "CROPX0": combined.box.x0,
        "CROPY0": combined.box.y0,
    }
    if starts:
        cards["DATE-OBS"] = min(starts).strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3]
    if combined.picture.ndim == 3:
        cards |= {"WBRED": gains[0], "WBGREEN": gains[1], "WBBLUE": gains[2]}
    if combined.wcs is not None:
        cards |= dict(combined.wcs.to_header())
    return {key: value for key, value in cards.items() if value is not None}


def _write(
    names: Names, combined: Combined, recipe: Recipe, notes: list[str], report: Report
) -> list[Path]:
    picture = combined.picture
    history = [f"placed by {combined.placed_by}, reference {combined.reference.path.name}"]
    history += [f"used {light.path.name}" for light in combined.used]
    history += [f"note: {note}" for note in notes]
    history.append("linear, sky taken off, not white-balanced; values in ADU of the reference")
    report("writing", 0, 5)
    cards = _cards(combined, recipe)
    outputs = [export.write_linear(names.fits, picture, cards=cards, history=history)]
    levels = recipe.stretch.model_dump(exclude={"sky_shade"})
    stretch = Stretch(**levels)
    screen = export.screen_picture(picture, stretch, recipe.colour.gains or (1.0, 1.0, 1.0))
    report("writing", 1, 5)
    outputs.append(write_tiff16(names.tiff, screen))
    report("writing", 2, 5)
    eight = export.eight_bit(screen)
    outputs.append(write_png(names.png, eight))
    report("writing", 3, 5)
    outputs.append(write_jpeg(names.jpeg, eight, quality=JPEG_QUALITY))
    report("writing", 4, 5)
    outputs.append(export.write_text(names.recipe, recipe_text(recipe, combined.record)))
    return outputs
