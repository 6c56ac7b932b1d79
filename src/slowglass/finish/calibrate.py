"""Raw frame in, calibrated frame out: overscan, bias, dark, flat. Pure functions on arrays.

Order and model: light = (raw − overscan − bias − dark · t_light / t_dark) / flat, the flat
divided by its own median in each colour of the mosaic so that it changes no colour balance.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from slowglass.finish.geometry import Box
from slowglass.finish.pixels import calibrated
from slowglass.frame.fits_io import shift_bayer
from slowglass.frame.header import parse_section
from slowglass.frame.image import Bayer, Frame

Plane = npt.NDArray[np.float32]
SAME_EXPOSURE = 0.1
"""Exposures that differ by less than this share need no scaling of the dark."""
DARK_STRETCH = 5.0
"""Furthest ratio over which a dark is scaled; beyond, its noise and hot pixels do harm."""
DOUBLING_C = 6.0
"""Warming that doubles the dark current (common practice for silicon near room temperature;
the physics, exp(−E/kT) with E from 0.55 to 1.1 eV, gives 9 to 5 °C)."""
HOT_ENOUGH = 40
"""Hot pixels from which their median tells the current."""
FLAT_FLOOR = 0.05
"""Flat below this share of its median is no measurement of the optics; such pixels are dead."""


@dataclass(frozen=True)
class Masters:
    """The combined calibration frames, in ADU after overscan; None where there is none."""

    bias: Plane | None = None
    dark: Plane | None = None
    """Dark with the bias taken out if there is one, else with the bias still in it."""
    dark_exposure_s: float | None = None
    dark_has_bias: bool = False
    flat: Plane | None = None
    """Median 1 in each colour of the mosaic."""
    bad: npt.NDArray[np.int64] = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    """Flat indices of pixels that calibration frames show to be bad."""
    bad_counts: Mapping[str, int] = field(default_factory=dict)
    """How many of them are hot, cold and unstable."""
    dark_temperature_c: float | None = None


def trim_overscan(frame: Frame) -> tuple[Frame, float | None]:
    """The light-sensitive part less the median of the overscan, and that median in ADU.

    Told by the TRIMSEC and BIASSEC cards; frames without come back as they are, with None.
    """
    height, width = frame.pixels.shape[:2]
    trim = _inside(parse_section(frame.header.cards.get("TRIMSEC")), width, height)
    over = _inside(parse_section(frame.header.cards.get("BIASSEC")), width, height)
    level = None
    if over is not None and (trim is None or over.x0 >= trim.x1 or over.x1 <= trim.x0):
        level = float(np.median(frame.pixels[over.y0 : over.y1, over.x0 : over.x1]))
    if trim is None and level is None:
        return frame, None
    pixels, bayer = frame.pixels, frame.bayer
    if trim is not None:
        pixels = pixels[trim.y0 : trim.y1, trim.x0 : trim.x1]
        bayer = shift_bayer(bayer, trim.x0, trim.y0) if bayer else None
    pixels = np.ascontiguousarray(pixels - np.float32(level or 0.0), dtype=np.float32)
    white = frame.white_adu - (level or 0.0)
    # The sections describe the raw frame; left in, a later reader would trim once more.
    cards = {k: v for k, v in frame.header.cards.items() if k not in ("TRIMSEC", "BIASSEC")}
    header = replace(frame.header, cards=cards)
    trimmed = frame.with_step(
        "overscan", pixels=pixels, bayer=bayer, white_adu=white, header=header
    )
    return trimmed, level


def _inside(found: tuple[int, int, int, int] | None, width_px: int, height_px: int) -> Box | None:
    """The section as a box if it is a true part of the frame, else None."""
    if found is None:
        return None
    x0, x1, y0, y1 = found
    fits = x1 <= width_px and y1 <= height_px and x1 - x0 > 1 and y1 - y0 > 1
    return Box(x0, y0, x1, y1) if fits else None


def colour_slices(bayer: Bayer | None) -> list[tuple[slice, slice]]:
    """The four interleaved planes of a mosaic, row by row; for a plain sensor the whole."""
    if bayer is None:
        return [(slice(None), slice(None))]
    return [(slice(j, None, 2), slice(i, None, 2)) for j in (0, 1) for i in (0, 1)]


def normalise_flat(flat: Plane, bayer: Bayer | None) -> Plane:
    """The flat divided by its median in each colour of the mosaic; too dark pixels are NaN."""
    out = np.array(flat, dtype=np.float32)
    for rows, cols in colour_slices(bayer):
        plane = out[rows, cols]
        middle = float(np.median(plane))
        if middle <= 0:
            plane[...] = np.nan
            continue
        plane /= np.float32(middle)
        plane[plane < FLAT_FLOOR] = np.nan
    return out


def dark_factor(
    light_exposure_s: float | None,
    masters: Masters,
    *,
    temperature_c: float | None = None,
    measured: float | None = None,
) -> tuple[float | None, str]:
    """What to multiply the dark by for a light of this exposure; None and why when unusable.

    ``measured`` is what the light's own hot pixels tell (:func:`measure_dark`); it stands in
    for exposure and temperature where bias frames allow scaling, as it knows of both.
    """
    if masters.dark is None:
        return None, ""
    t_light, t_dark = light_exposure_s, masters.dark_exposure_s
    known = t_light is not None and t_dark is not None and t_dark > 0
    ratio = t_light / t_dark if known and t_light is not None and t_dark is not None else 1.0
    told = f"dark of {t_dark:g} s" if t_dark is not None else "dark of unknown exposure"
    light = f"a light of {t_light:g} s" if t_light is not None else "a light of unknown exposure"
    if masters.dark_has_bias:
        if abs(ratio - 1.0) > SAME_EXPOSURE:
            why = "without bias frames a dark cannot be scaled"
            return None, f"{told} not used for {light}: {why}"
        return 1.0, "" if known else "exposure of light or dark unknown: dark used unscaled"
    warmer = 0.0
    if temperature_c is not None and masters.dark_temperature_c is not None:
        warmer = temperature_c - masters.dark_temperature_c
    expected = ratio * 2.0 ** (warmer / DOUBLING_C)
    factor, by = (measured, "its hot pixels") if measured is not None else (expected, "")
    if not 1 / DARK_STRETCH <= factor <= DARK_STRETCH:
        return None, f"{told} not used for {light}: more than a factor {DARK_STRETCH:g} apart"
    if abs(factor - 1.0) <= SAME_EXPOSURE:
        return 1.0, "" if known else "exposure of light or dark unknown: dark used unscaled"
    if by:
        return factor, f"{told} scaled by {factor:.2f}, as {by} tell"
    if abs(warmer) >= 1.0:
        return factor, f"{told} scaled to {light}, {warmer:+.0f} °C off: by {factor:.2f}"
    return factor, f"{told} scaled to {t_light:g} s"


def measure_dark(
    pixels: Plane, masters: Masters, bayer: Bayer | None, *, white_adu: float
) -> float | None:
    """How many times the master dark's current a raw light holds, by hot pixels; None if unsure.

    The excess of each hot pixel over its same-colour neighbours is compared in light and dark,
    in which stars and sky drop out. Needs bias and dark, and ``HOT_ENOUGH`` pixels that stand
    far out of the noise.
    """
    if masters.dark is None or masters.dark_has_bias or pixels.ndim != 2:
        return None
    dark = masters.dark
    index = masters.bad
    step = 1 if bayer is None else 2
    rows, cols = np.divmod(index, dark.shape[1])
    inside = (
        (rows >= step) & (rows < dark.shape[0] - step)
        & (cols >= step) & (cols < dark.shape[1] - step)
    )  # fmt: skip
    rows, cols = rows[inside], cols[inside]
    if len(rows) < HOT_ENOUGH:
        return None
    around = [(j * step, i * step) for j in (-1, 0, 1) for i in (-1, 0, 1) if j or i]

    def excess(plane: Plane) -> npt.NDArray[np.float64]:
        beside = np.median([plane[rows + j, cols + i] for j, i in around], axis=0)
        return np.asarray(plane[rows, cols] - beside, dtype=np.float64)

    own, hot = excess(pixels), excess(dark)
    if masters.bias is not None:
        own -= excess(masters.bias)
    some = np.abs(np.asarray(pixels[:: max(1, pixels.shape[0] // 300)], dtype=np.float64))
    noise = 1.4826 * float(np.median(np.abs(some[:, step:] - some[:, :-step]))) / 2**0.5
    good = (hot > 20.0 * max(noise, 0.5)) & (pixels[rows, cols] < 0.8 * white_adu)
    if good.sum() < HOT_ENOUGH:
        return None
    ratio = own[good] / hot[good]
    middle = float(np.median(ratio))
    error = 1.2533 * 1.4826 * float(np.median(np.abs(ratio - middle))) / good.sum() ** 0.5
    return middle if error < 0.03 * max(middle, 0.1) else None


def calibrate(
    pixels: Plane, masters: Masters, *, dark_scale: float | None = 1.0, in_place: bool = False
) -> Plane:
    """The calibrated frame, ADU; NaN where the flat is dead.

    ``dark_scale`` comes from :func:`dark_factor`; None leaves the dark out. ``in_place`` may
    change ``pixels`` itself, which spares a copy.
    """
    own = np.ascontiguousarray(pixels, dtype=np.float32)
    out = own if in_place or own is not pixels else own.copy()
    use_dark = masters.dark is not None and dark_scale is not None
    none = np.empty(0, dtype=np.float32)
    bias = masters.bias if not (use_dark and masters.dark_has_bias) else None
    calibrated(
        out.reshape(-1),
        none if bias is None else bias.reshape(-1),
        none if masters.dark is None or not use_dark else masters.dark.reshape(-1),
        dark_scale or 0.0,
        none if masters.flat is None else masters.flat.reshape(-1),
    )
    return out
