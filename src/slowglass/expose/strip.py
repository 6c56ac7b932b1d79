"""The same object in 1, 10 and 60 frames, side by side: what patience buys.

Every picture is the forecast's own light with the noise that many averaged keepers leave. The
sum of n frames of Poisson light is one Poisson draw of n times the mean, so a stack costs no
more than a frame. Stacks are shown calibrated and dithered, without hot pixels.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from slowglass.errors import UsageError
from slowglass.expose.conditions import conditions_at
from slowglass.expose.forecast import render_with_truth
from slowglass.expose.preview import balanced
from slowglass.expose.sensor import mosaic_bands
from slowglass.expose.suggest import span_words
from slowglass.expose.tracking import trail_lengths_arcsec
from slowglass.frame.image import Frame
from slowglass.frame.picture_io import write_png
from slowglass.frame.preview import shrink
from slowglass.frame.stretch import SKY_SHADE, Stretch, to_8bit
from slowglass.kit.model import Kit, Site
from slowglass.sky.place import Place

if TYPE_CHECKING:
    from slowglass.sky.store import Sky

COUNTS = (1, 10, 60)
SPAN = 1.7
"""Side of each picture over the object's size."""
SIDE_PX = (400, 1600)
"""Least and most sensor pixels on a side; larger objects are shown by their middle."""
SOFT_SIGMAS, WHITE_SHARE = 2.5, 0.9995
"""The stretch: nearly straight to so many sigmas of noise; the share of pixels below white."""
PHASES = 12
"""Worm phases tried for one that makes a keeper."""
CELL, DARK_SHARE = 16, 0.1
SATURATION = 1.25
CAPTION_PX, GAP_PX = 34, 8
INK, PAGE = (0.86, 0.86, 0.86), (0.08, 0.08, 0.08)


def stack_frames(mean_e: npt.NDArray[np.float32], kit: Kit, count: int, *, seed: int) -> Frame:
    """The average of ``count`` exposures whose pixels expect ``mean_e`` electrons, in ADU."""
    camera = kit.camera
    rng = np.random.default_rng([seed, count])
    light = rng.poisson(np.minimum(mean_e, camera.full_well_e).astype(np.float64) * count)
    reading = rng.normal(0.0, camera.read_noise_e * np.sqrt(count), mean_e.shape)
    adu = (light + reading) / count / camera.gain_e_per_adu
    return Frame(
        pixels=np.minimum(adu, camera.saturation_e / camera.gain_e_per_adu).astype(np.float32),
        bayer=camera.bayer,
        white_adu=camera.saturation_e / camera.gain_e_per_adu,
    )


def strip_pictures(
    kit: Kit,
    site: Site,
    sky: Sky,
    place: Place,
    *,
    exposure_s: float,
    when: datetime | None = None,
    counts: Sequence[int] = COUNTS,
    seed: int = 0,
) -> list[npt.NDArray[np.uint8]]:
    """8-bit colour pictures of an object in each number of frames, one stretch for all.

    They show the middle of the frame at half the sensor's resolution.
    """
    if not counts or min(counts) < 1:
        raise UsageError("a strip of no frames", "ask for 1 or more in each picture")
    small = _cropped(kit, place)
    taking: dict[str, Any] = {"exposure_s": exposure_s, "when": when, "noise": False, "dust": False}
    taking |= {
        "vignetting": 0.0,
        "worm_phase_rad": _steadiest_phase_rad(kit, site, place, exposure_s, when),
    }
    clean = _without_hot_pixels(small)
    camera = kit.camera

    frame, truth = render_with_truth(clean, site, sky, place, **taking)
    stacked = _electrons(frame, kit)
    single = stacked
    if 1 in counts:
        single = _electrons(render_with_truth(small, site, sky, place, **taking)[0], kit)
    linear = [
        balanced(stack_frames(single if n == 1 else stacked, small, n, seed=seed)) for n in counts
    ]
    empty = np.zeros((64, 64), dtype=np.float32)
    empty += truth.sky_e[mosaic_bands(camera)[np.ix_(np.arange(64) % 2, np.arange(64) % 2)]]
    empty += np.float32(camera.dark_e_per_s * exposure_s)
    middle = counts[len(counts) // 2]
    blank = balanced(stack_frames(empty, small, middle, seed=seed))
    sigma = float(np.mean(np.std(blank, axis=(0, 1)))) or 1.0
    levels = levels_over(linear[len(linear) // 2], sigma)
    return [to_8bit(picture, levels, saturation=SATURATION) for picture in linear]


def _electrons(frame: Frame, kit: Kit) -> npt.NDArray[np.float32]:
    """The light of a noiseless forecast."""
    camera = kit.camera
    return (frame.pixels - np.float32(camera.black_adu)) * np.float32(camera.gain_e_per_adu)


def write_strip(
    path: Path | str,
    kit: Kit,
    site: Site,
    sky: Sky,
    place: Place,
    *,
    exposure_s: float,
    when: datetime | None = None,
    counts: Sequence[int] = COUNTS,
    seed: int = 0,
) -> Path:
    """Write the pictures side by side with captions as a PNG file, atomically; its path."""
    pictures = strip_pictures(
        kit, site, sky, place, exposure_s=exposure_s, when=when, counts=counts, seed=seed
    )
    captions = [
        f"{n} × {exposure_s:g} s" + (f", {span_words(n * exposure_s)} of light" if n > 1 else "")
        for n in counts
    ]
    return write_png(path, _side_by_side(pictures, captions))


def _cropped(kit: Kit, place: Place) -> Kit:
    """The kit with only the middle of its sensor: the object with some sky around it."""
    size = place.object.major_arcmin if place.object is not None else None
    wanted = SPAN * 60.0 * (size or 0.0) / kit.scale_arcsec_per_px
    side = int(np.clip(wanted, *SIDE_PX)) // 2 * 2
    camera = kit.camera
    return kit.model_copy(
        update={
            "camera": camera.model_copy(
                update={
                    "width_px": min(side, camera.width_px),
                    "height_px": min(side, camera.height_px),
                }
            )
        }
    )


def _without_hot_pixels(kit: Kit) -> Kit:
    return kit.model_copy(
        update={"camera": kit.camera.model_copy(update={"hot_pixel_fraction": 0.0})}
    )


def _steadiest_phase_rad(
    kit: Kit, site: Site, place: Place, exposure_s: float, when: datetime | None
) -> float:
    """The worm's phase, of a dozen, that trails least: the frames one keeps look like that."""
    hour_angle = 0.0
    if when is not None:
        hour_angle = conditions_at(site, place.ra_deg, place.dec_deg, when).hour_angle_deg
    lengths = trail_lengths_arcsec(
        exposure_s,
        kit.mount,
        dec_deg=place.dec_deg,
        hour_angle_deg=hour_angle,
        latitude_deg=site.latitude_deg,
        phases=PHASES,
    )
    return float(np.argmin(lengths)) * 2.0 * np.pi / PHASES


def levels_over(picture: npt.NDArray[np.float32], sigma: float) -> Stretch:
    """The stretch that suits a picture whose sky has that noise, for others of the object too.

    Fitted to the middle one of several, it lets the eye see the noise fall. The sky is the
    darkest tenth of coarse cells, since a nebula may fill the picture.
    """
    cells = shrink(picture, max(picture.shape) // CELL)
    skies = np.quantile(cells, DARK_SHARE, axis=(0, 1)).astype(np.float32)
    above = picture - skies
    soft = SOFT_SIGMAS * sigma
    white = max(float(np.quantile(above, WHITE_SHARE)), 20.0 * sigma)
    offset = 0.0
    for _ in range(20):
        # Black so far below the sky that the sky has its usual shade.
        offset = soft * float(np.sinh(SKY_SHADE * np.arcsinh((offset + white) / soft)))
    return Stretch(tuple(float(level) - offset for level in skies), soft, white + offset)


def _side_by_side(
    pictures: list[npt.NDArray[np.uint8]], captions: list[str]
) -> npt.NDArray[np.uint8]:
    rows, columns = pictures[0].shape[:2]
    page = tuple(round(255 * level) for level in PAGE)
    width = len(pictures) * columns + (len(pictures) - 1) * GAP_PX
    out = np.full((rows + CAPTION_PX, width, 3), page, dtype=np.uint8)
    for number, (picture, caption) in enumerate(zip(pictures, captions, strict=True)):
        left = number * (columns + GAP_PX)
        out[:rows, left : left + columns] = picture
        out[rows:, left : left + columns] = _caption(caption, columns)
    return out


def _caption(text: str, width_px: int) -> npt.NDArray[np.uint8]:
    """A line of text as an 8-bit picture (CAPTION_PX, width, 3)."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width_px / 100.0, CAPTION_PX / 100.0), dpi=100, facecolor=PAGE)
    canvas = FigureCanvasAgg(figure)
    figure.text(0.5, 0.45, text, color=INK, ha="center", va="center", fontsize=10)
    canvas.draw()
    return np.asarray(canvas.buffer_rgba())[..., :3].copy()
