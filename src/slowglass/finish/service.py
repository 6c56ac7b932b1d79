"""A folder of frames, or one frame, in; one finished picture with its report and recipe out."""

from __future__ import annotations

import hashlib
import time
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from slowglass.finish import export
from slowglass.finish.annotate import annotate, labels_of
from slowglass.finish.colour import ColourFit
from slowglass.finish.combined import Combined
from slowglass.finish.develop import flatten, prepare, screen_of, settle_colour
from slowglass.finish.gradient import SkySurface
from slowglass.finish.kept import Facts, extensions_of
from slowglass.finish.known import find_glow, look_up
from slowglass.finish.levels import settle_levels
from slowglass.finish.linear import combine_files, combine_folder
from slowglass.finish.maps import write_maps
from slowglass.finish.memory import forget_peak, peak_memory_mb
from slowglass.finish.names import Names, choose_names
from slowglass.finish.pair import around, halves_of, one_square, side_by_side, square_of
from slowglass.finish.recipe import Recipe, load_recipe, recipe_text
from slowglass.finish.report import report_page
from slowglass.finish.specks import remove_specks
from slowglass.finish.store import FrameStore
from slowglass.finish.story import Story, tell
from slowglass.finish.types import FinishResult, Rejected
from slowglass.frame.fits_io import write_fits
from slowglass.frame.picture_io import write_jpeg
from slowglass.progress import Report, silent
from slowglass.sky.coords import epoch_year

if TYPE_CHECKING:
    from slowglass.kit.model import Kit
    from slowglass.sky.objects import SkyObject
    from slowglass.sky.place import Place
    from slowglass.sky.store import Sky

STAGES = 6


def finish_path(
    source: Path | str,
    out: Path | str,
    *,
    recipe: Recipe | Path | str | None = None,
    sky: Sky | None = None,
    kit: Kit | None = None,
    near: str | None = None,
    scale_arcsec_per_px: float | None = None,
    whole: bool = False,
    north_up: bool = False,
    calibration: Sequence[Path] = (),
    finer: float | None = None,
    keep: Path | None = None,
    report: Report = silent,
) -> FinishResult:
    """One picture out of a folder of lights with darks, flats and bias, or out of one frame.

    Sub-folders or mixed. ``out`` is a file name, whose suffix does not matter: ``m15`` or
    ``m15.fits`` writes m15.fits (linear, all of it), and for the eye m15.tiff, m15.png and
    m15.jpg, m15-labelled.jpg, m15-report.html and m15.recipe.toml, with several frames also
    m15-one-and-all.jpg and m15-maps.fits, replacing files of these names; an existing folder
    gets files named after ``source``, numbered rather than replaced. ``sky`` adds coordinates,
    names and catalogue colours, best with ``near`` or a header that says where, and with ``kit``
    or ``scale_arcsec_per_px``. ``whole`` shows the whole picture in place of a cut round its
    subject. ``calibration`` names folders of darks, flats and bias that lie apart from the lights.
    ``finer`` asks for pixels so many times smaller than the camera's, which else the data decide.
    Nothing is ever written into the folder of frames.

    Work that is stopped leaves its working frames, hidden, beside the output; the next run of the
    same folder takes them up. ``keep`` is a folder for masters and what was read off each light,
    which makes later runs quicker.

    Raises UsageError for an input or output that makes no sense, NothingUseful when no light
    comes out. Memory: about 60 bytes a pixel of the picture plus 600 MB, whatever the number of
    frames; disk while working: 4 bytes a pixel a frame beside the output.
    """
    began = time.monotonic()
    forget_peak()
    root = Path(source).resolve()
    names = choose_names(root, Path(out))
    chosen = recipe if isinstance(recipe, Recipe) else load_recipe(recipe) if recipe else Recipe()
    changes: dict[str, Any] = {"box": None} if whole or north_up else {}
    changes |= ({"around_subject": False} if whole else {}) | (
        {"north_up": True} if north_up else {}
    )
    chosen = chosen.model_copy(update={"cut": chosen.cut.model_copy(update=changes)})
    if finer is not None:
        combine = chosen.combine.model_copy(update={"finer": finer})
        chosen = chosen.model_copy(update={"combine": combine})
    place = None
    if near and sky is not None:
        from slowglass.sky.place import resolve_place

        place = resolve_place(near, sky)
    key = hashlib.blake2b(str(root).encode(), digest_size=6).hexdigest()
    with FrameStore(names.folder, key) as store:
        if root.is_dir():
            combined = combine_folder(
                root,
                chosen,
                store,
                sky=sky,
                kit=kit,
                near=place,
                scale_arcsec_per_px=scale_arcsec_per_px,
                apart=[folder.resolve() for folder in calibration],
                keep=keep,
                report=report,
            )
        else:
            combined = _one_frame(root, chosen, store, sky, kit, place, scale_arcsec_per_px, report)
        # one frame comes without calibration; to say so of a camera's picture helps nobody
        notes = [n for n in combined.notes if root.is_dir() or "finished without" not in n]
        subject = place.object if place is not None else _named_subject(combined, sky)
        final, outputs, story = _develop(names, combined, chosen, sky, subject, notes, report)
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
        subject=story.title or None,
        shown=final.cut.box,
        object_snr=_rounded(story.object_snr, 2),
        object_light_error=_rounded(story.object_light_error, 4),
        colour_rms_mag=_rounded(story.colour_rms_mag, 4),
        colour_stars=story.colour_stars,
        advice=tuple(one.text for one in story.advice),
    )


def _finite(value: float, digits: int) -> float | None:
    return round(float(value), digits) if np.isfinite(value) else None


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else _finite(value, digits)


def _one_frame(
    path: Path,
    recipe: Recipe,
    store: FrameStore,
    sky: Sky | None,
    kit: Kit | None,
    near: Place | None,
    scale_arcsec_per_px: float | None,
    report: Report,
) -> Combined:
    """One exposure as the linear picture: the same path with nothing to combine."""
    from slowglass.frame.io import read_frame

    read_frame(path)  # words what is wrong with it
    return combine_files(
        path,
        {"light": [path], "dark": [], "flat": [], "bias": []},
        [],
        recipe,
        store,
        sky=sky,
        kit=kit,
        near=near,
        scale_arcsec_per_px=scale_arcsec_per_px,
        report=report,
    )


def _named_subject(combined: Combined, sky: Sky | None) -> SkyObject | None:
    """The object that the header names, if the catalogue has it."""
    name = (combined.reference.header.object_name or "").strip()
    return sky.objects.find(name) if sky is not None and name else None


def _develop(
    names: Names,
    combined: Combined,
    recipe: Recipe,
    sky: Sky | None,
    subject: SkyObject | None,
    notes: list[str],
    report: Report,
) -> tuple[Recipe, list[Path], Story]:
    """Everything after the linear picture, and all files."""
    height, width = combined.picture.shape[:2]
    start = combined.reference.header.start_utc
    report("finishing", 0, STAGES)
    scene = look_up(
        combined.stars,
        combined.noise,
        width,
        height,
        wcs=combined.wcs,
        sky=sky,
        epoch_year=epoch_year(start) if start else 2016.0,
        subject=subject,
    )
    surface, recipe = flatten(combined.picture, scene, recipe)
    if surface is not None and not surface.told:
        notes.append(
            f"{scene.subject_name or 'the object'} fills the picture, so that its light cannot be "
            "told from the sky's: only an even level was taken off, that of the darkest part; "
            'shape = "plane" under [sky] in the recipe takes a slope off as well'
        )
    if len(combined.used) == 1 and recipe.calibrate.mend_specks:
        specks = remove_specks(combined.picture, combined.stars.fwhm_px, combined.noise.sky_adu)
        if specks:
            notes.append(f"{specks} hot pixels told by their shape alone and mended")
    if scene.subject is None:
        glow = find_glow(combined.picture)
        scene = scene if glow is None else scene.about(glow)
    colour, recipe = settle_colour(combined.picture, scene, recipe, notes)
    report("finishing", 1, STAGES)
    square = one = None
    if len(combined.used) > 1:
        square = square_of(combined.picture.shape, scene)
        one = one_square(combined.single(), scene, recipe)
    prepared, recipe = prepare(combined.picture, scene, recipe, notes)
    recipe = settle_levels(prepared, recipe)
    report("finishing", 2, STAGES)
    screen = screen_of(prepared, recipe)
    title = subject.title if subject is not None and not scene.subject_name else ""
    story = tell(combined, scene, screen.shape[:2], surface, colour, title=title)
    shown = prepared.scene
    del prepared
    report("writing", 3, STAGES)
    fits = write_fits(
        names.fits,
        combined.picture,
        cards=_cards(combined, recipe),
        history=_history(combined, surface, colour, notes),
        extensions=extensions_of(
            Facts((height, width), scene, story, recipe, combined.record, tuple(notes), square),
            one,
        ),
    )
    written, eight = export.write_screen(names, screen, story.caption())
    del screen
    report("writing", 4, STAGES)
    outputs = [fits, *written]
    labels = labels_of(shown.objects, eight.shape[1], eight.shape[0])
    drawn = annotate(eight, shown.wcs, labels, title=story.title, facts=story.facts())
    outputs.append(write_jpeg(names.labelled, drawn, quality=90, caption=story.caption()))
    pair = None
    if square is not None and one is not None:
        part = around(square, combined.picture.shape)
        every = combined.picture[part.y0 : part.y1, part.x0 : part.x1]
        pair = side_by_side(halves_of(one, every, part, square, scene, recipe))
        outputs.append(write_jpeg(names.pair, pair, quality=92, caption=story.caption()))
        outputs.append(write_maps(names.maps, combined))
    report("writing", 5, STAGES)
    left_out = [(one.path.name, one.reason) for one in combined.lights if one.reason]
    page = report_page(
        story,
        eight,
        pair=pair,
        rejected=left_out,
        notes=notes,
        recipe=names.recipe,
        files=outputs,
    )
    outputs.append(export.write_text(names.report, page))
    outputs.append(export.write_text(names.recipe, recipe_text(recipe, combined.record)))
    return recipe, outputs, story


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


def _history(
    combined: Combined, surface: SkySurface | None, colour: ColourFit, notes: Sequence[str]
) -> list[str]:
    lines = [f"placed by {combined.placed_by}, reference {combined.reference.path.name}"]
    lines += [f"used {light.path.name}" for light in combined.used]
    if surface is not None:
        lines.append(f"sky taken off: {surface.shape}, span {surface.span_adu:.4g} ADU")
    if colour.how == "catalogue":
        lines.append(
            f"WBRED, WBBLUE: white for a Sun-like star by {colour.stars} catalogue stars, "
            f"{colour.rms_mag:.3f} mag rms in B-V"
        )
    lines += [f"note: {note}" for note in notes]
    lines.append("linear, not white-balanced; values in ADU of the reference")
    return lines
