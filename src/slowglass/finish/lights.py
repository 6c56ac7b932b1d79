"""Lights in: read, calibrated, looked at and kept on disk."""

from __future__ import annotations

import threading
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from slowglass.errors import NothingUseful, SlowglassError
from slowglass.finish.badpixels import (
    Index,
    drop_below_sky,
    lone_pixels,
    recurring,
    repair,
)
from slowglass.finish.calibrate import (
    Masters,
    Plane,
    calibrate,
    dark_factor,
    measure_dark,
    trim_overscan,
)
from slowglass.finish.combine import MAD_TO_SIGMA
from slowglass.finish.geometry import Box
from slowglass.finish.glance import Guide, glance, guide_from
from slowglass.finish.grade import SHARPEST_STAR_PX, Look, rank
from slowglass.finish.masters import SAME_GAIN, Wanted, middle
from slowglass.finish.recipe import Recipe
from slowglass.finish.skyflat import Blocks, Surface, block_levels, fit_surface
from slowglass.finish.store import FrameStore
from slowglass.finish.vignette import fall_of_light
from slowglass.finish.workers import each
from slowglass.frame.image import Bayer, Frame, FrameHeader
from slowglass.frame.io import read_frame
from slowglass.frame.stars import StarFlag, StarList
from slowglass.progress import Report

MOST_STARS = 400
FULL_LOOKS = 2
"""Lights searched in full for stars; the better of them guides the looks at all others."""
READ_BYTES = 5e8
"""Memory that reading one file takes, its size not yet known: 24 megapixels take 300 MB."""
LOOK_BYTES = 16.0
"""Memory a pixel that calibrating and looking at a light takes."""


@dataclass
class Light:
    """One light through the work; ``reason`` says why it was left out, "" while it is in."""

    path: Path
    name: str
    header: FrameHeader = field(default_factory=FrameHeader)
    shell: Frame | None = None
    """The frame as read, without its pixels."""
    stars: StarList = field(default_factory=StarList.empty)
    look: Look | None = None
    skies: tuple[Surface, ...] = ()
    lone: Index = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    reason: str = ""


@dataclass(frozen=True)
class Series:
    """The lights that can be combined, and what they have in common."""

    lights: list[Light]
    width_px: int
    height_px: int
    bayer: Bayer | None
    channels: int
    """1 for a monochrome series, 3 for a colour one."""
    pattern: Plane | None = None
    """What stays on its pixels in all lights, ADU; taken off when a light is read."""

    @property
    def kept(self) -> list[Light]:
        """Lights still in."""
        return [light for light in self.lights if not light.reason]


def survey(paths: Sequence[Path], store: FrameStore, report: Report) -> tuple[list[Light], Wanted]:
    """Every light's header, and the size, mosaic and exposure that most of them share.

    Raw pixels go to the store, so that each file is read once. Unreadable and odd-sized lights
    come back with their reason. Raises NothingUseful when no light can be read at all.
    """
    shapes: list[tuple[tuple[int, ...], Bayer | None]] = []
    asked = threading.Event()

    def work(light: Light) -> tuple[tuple[int, ...], Bayer | None] | None:
        path = light.path
        try:
            frame = trim_overscan(read_frame(path))[0]
        except SlowglassError as error:
            light.reason = f"unreadable: {error.what.removeprefix(str(path)).lstrip(': ')}"
            return None
        if not asked.is_set():
            asked.set()
            store.room_for(len(paths), frame.pixels.size)
        store.put(light.name, frame.pixels)
        light.header = frame.header
        light.shell = replace(frame, pixels=np.empty((0, 0), dtype=np.float32))
        return frame.pixels.shape, frame.bayer

    lights = [Light(path, f"light{k}") for k, path in enumerate(paths)]
    for _, shape in each(work, lights, "reading", report, bytes_each=READ_BYTES):
        if shape is not None:
            shapes.append(shape)
    if not shapes:
        first = lights[0].reason if lights else "none"
        raise NothingUseful(f"none of the {len(lights)} lights can be read ({first})")
    (shape, bayer), _ = Counter(shapes).most_common(1)[0]
    readable = iter(shapes)
    for light in lights:
        if light.reason:
            continue
        own_shape, own_bayer = next(readable)
        if own_shape != shape:
            size = " × ".join(str(n) for n in own_shape[1::-1])
            light.reason = f"{size} px where the series has {shape[1]} × {shape[0]} px"
        elif own_bayer != bayer:
            light.reason = f"colour mosaic {own_bayer} where the series has {bayer}"
    headers = [light.header for light in lights if not light.reason]
    return lights, Wanted(
        shape,
        bayer,
        middle([h.exposure_s for h in headers]),
        Counter(h.iso for h in headers).most_common(1)[0][0],
        middle([h.temperature_c for h in headers]),
        middle([h.gain_e_per_adu for h in headers]),
        _usual_filter(lights),
    )


def _usual_filter(lights: list[Light]) -> str | None:
    """The filter most lights state; a light through another is left out here, with its reason."""
    stated = [
        light.header.filter_name
        for light in lights
        if not light.reason and light.header.filter_name
    ]
    if not stated:
        return None
    usual = Counter(name.strip().lower() for name in stated).most_common(1)[0][0]
    shown = next(name for name in stated if name.strip().lower() == usual)
    for light in lights:
        own = light.header.filter_name
        if not light.reason and own and own.strip().lower() != usual:
            light.reason = f"filter {own} where the series has {shown}: finish it by itself"
    return shown


def pixel_noise(pixels: Plane, bayer: Bayer | None) -> float:
    """Robust noise of one pixel, ADU, from differences of next same-colour neighbours."""
    step = 1 if bayer is None else 2
    plane = pixels if pixels.ndim == 2 else pixels[..., 1]
    rows = np.ascontiguousarray(plane[:: max(1, plane.shape[0] // 300)])
    apart = rows[:, step:] - rows[:, :-step]
    return MAD_TO_SIGMA * float(np.nanmedian(np.abs(apart))) / 2**0.5


def sky_surfaces(pixels: Plane, bayer: Bayer | None, *, flatten: bool) -> tuple[Surface, ...]:
    """The sky of each colour plane as a tilted plane (a constant unless ``flatten``)."""
    height, width = pixels.shape[:2]
    order = 1 if flatten else 0
    return tuple(
        fit_surface(blocks, width, height, order=order) for blocks in _sky_blocks(pixels, bayer)
    )


def _sky_blocks(pixels: Plane, bayer: Bayer | None) -> list[Blocks]:
    """Sky levels of each colour plane, at their places in the frame."""
    if pixels.ndim == 3:
        planes = [(pixels[..., c], 0, 0, 1) for c in range(pixels.shape[2])]
    elif bayer is None:
        planes = [(pixels, 0, 0, 1)]
    else:
        planes = [(pixels[j::2, i::2], j, i, 2) for j in (0, 1) for i in (0, 1)]
    found = []
    for plane, first_row, first_col, step in planes:
        blocks = block_levels(plane, across=16)
        x, y = blocks.x_px * step + first_col, blocks.y_px * step + first_row
        found.append(replace(blocks, x_px=x, y_px=y))
    return found


def take_in(
    lights: list[Light],
    wanted: Wanted,
    masters: Masters,
    recipe: Recipe,
    store: FrameStore,
    notes: list[str],
    report: Report,
) -> Series:
    """Calibrate each light, measure its stars and sky, and keep its pixels in the store."""
    if masters.dark is not None or masters.bias is not None:
        for light in lights:
            light.reason = light.reason or _other_setting(light.header, wanted)
    good = [light for light in lights if not light.reason]
    whole = Box(0, 0, wanted.shape[1], wanted.shape[0])
    if masters.flat is None and recipe.calibrate.flat_from_sky:
        masters = _with_flat_from_sky(good, wanted, masters, store, notes)

    guide: Guide | None = None

    def work(light: Light) -> tuple[str, Guide | None]:
        raw = store.box(light.name, whole)
        assert light.shell is not None
        factor, note = dark_factor(
            light.header.exposure_s,
            masters,
            temperature_c=light.header.temperature_c,
            measured=measure_dark(raw, masters, wanted.bayer, white_adu=light.shell.white_adu),
        )
        pixels = calibrate(raw, masters, dark_scale=factor)
        found = _look_at(light, pixels, wanted, masters, recipe, guide)
        assert light.look is not None
        store.put(light.name, pixels, noise_adu=light.look.noise_adu)
        return note, found

    said: set[str] = set()
    size = LOOK_BYTES * float(np.prod(wanted.shape))

    def progress(stage: str, done: int, total: int) -> None:
        report(stage, done + begun, len(good))

    guides = []
    begun = 0
    for part in (good[:FULL_LOOKS], good[FULL_LOOKS:]):
        for _, (note, found) in each(work, part, "calibrating", progress, bytes_each=size):
            guides.append(found)
            if note and note not in said:
                said.add(note)
                notes.append(note)
        begun += len(part)
        known = [one for one in guides if one is not None]
        guide = max(known, key=lambda one: rank(one.look)) if known else None
    channels = 1 if len(wanted.shape) == 2 and wanted.bayer is None else 3
    return Series(lights, wanted.shape[1], wanted.shape[0], wanted.bayer, channels)


def _other_setting(header: FrameHeader, wanted: Wanted) -> str:
    """Why a light's darks and bias do not fit it, or ""."""
    if header.iso and wanted.iso and header.iso != wanted.iso:
        return f"ISO {header.iso} where the series and its darks have ISO {wanted.iso}"
    own, usual = header.gain_e_per_adu, wanted.gain_e_per_adu
    if own and usual and abs(own / usual - 1.0) > SAME_GAIN:
        return f"{own:.3g} e⁻ per ADU where the series and its darks have {usual:.3g}"
    return ""


def _with_flat_from_sky(
    lights: list[Light], wanted: Wanted, masters: Masters, store: FrameStore, notes: list[str]
) -> Masters:
    """Masters with a flat of the corners' darkness, where the sky of some lights shows it.

    Only where levels count from true darkness: black subtracted on reading, or a bias frame.
    """
    some = lights[:: max(1, len(lights) // 5)][:5]
    dark_known = masters.bias is not None or all(
        light.shell is not None and light.shell.black_adu > 0 for light in some
    )
    if len(some) < 3 or not dark_known or len(wanted.shape) != 2:
        return masters
    height, width = wanted.shape
    whole = Box(0, 0, width, height)
    skies = []
    for light in some:
        factor, _ = dark_factor(light.header.exposure_s, masters)
        raw = store.box(light.name, whole)
        pixels = calibrate(raw, masters, dark_scale=factor)
        skies += _sky_blocks(pixels, wanted.bayer)
    fall = fall_of_light(skies, width, height)
    if fall is None:
        return masters
    notes.append(
        f"no flats: the corners' loss of light ({100 * fall.corner:.0f} %) was estimated from "
        "the sky of the lights; dust shadows stay"
    )
    return replace(masters, flat=fall.plane(height, width))


def _look_at(
    light: Light,
    pixels: Plane,
    wanted: Wanted,
    masters: Masters,
    recipe: Recipe,
    guide: Guide | None,
) -> Guide | None:
    """Measure a calibrated light; its bad pixels are mended in ``pixels`` itself.

    Returns what guides later looks, where the light was searched in full for stars.
    """
    from slowglass.frame.detect import detect_stars

    assert light.shell is not None
    if pixels.ndim == 2:
        light.lone = lone_pixels(pixels, wanted.bayer, sigmas=recipe.calibrate.lone_pixel_sigma)
    light.skies = sky_surfaces(pixels, wanted.bayer, flatten=recipe.sky.flatten)
    noise = pixel_noise(pixels, wanted.bayer)
    drop_below_sky(pixels, light.skies, noise)
    mend(pixels, np.union1d(light.lone, masters.bad), wanted.bayer)
    frame = replace(light.shell, pixels=pixels)
    seen = glance(frame, guide, noise) if guide is not None else None
    if seen is not None:
        light.stars, light.look = seen
        return None
    found = detect_stars(frame, max_stars=MOST_STARS)
    light.stars = found.stars
    usable = (found.stars.flags & (StarFlag.SATURATED | StarFlag.UNMEASURED | StarFlag.EDGE)) == 0
    sound = found.stars.take(usable & (found.stars.fwhm_px > SHARPEST_STAR_PX))
    light.look = Look(
        stars=len(sound),
        fwhm_px=float(np.median(sound.fwhm_px)) if len(sound) >= 3 else found.fwhm_px,
        elongation=float(np.median(sound.elongation)) if len(sound) >= 3 else found.elongation,
        sky_adu=float(found.sky_adu),
        noise_adu=noise,
        exposure_s=light.header.exposure_s,
    )
    return guide_from(frame, found, light.look) if guide is None else None


def mend(pixels: Plane, bad: Index, bayer: Bayer | None) -> None:
    """Fill in bad pixels and NaNs of one plane, or of each channel, in place."""
    if pixels.ndim == 2:
        repair(pixels, bad, bayer)
        return
    for c in range(pixels.shape[2]):
        pixels[..., c] = repair(np.ascontiguousarray(pixels[..., c]), bad, None)


def bad_pixels(series: Series) -> Index:
    """Flat indices of pixels that stand alone in half the lights: never to be trusted."""
    return recurring([light.lone for light in series.kept])


def reader(series: Series, store: FrameStore, name: str, bad: Index) -> Callable[[Box], Plane]:
    """A function that gives any box of a kept frame with the series' bad pixels mended."""
    rows, cols = np.divmod(bad, series.width_px)

    def read(box: Box) -> Plane:
        pixels = store.box(name, box)
        if series.pattern is not None:
            pixels -= series.pattern[box.y0 : box.y1, box.x0 : box.x1]
        first, last = np.searchsorted(rows, [box.y0, box.y1])
        here, across = rows[first:last], cols[first:last]
        inside = (across >= box.x0) & (across < box.x1)
        if inside.any():
            local = (here[inside] - box.y0) * box.width_px + across[inside] - box.x0
            mend(pixels, local, series.bayer)
        return pixels

    return read
