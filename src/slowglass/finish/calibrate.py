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


def dark_factor(light_exposure_s: float | None, masters: Masters) -> tuple[float | None, str]:
    """What to multiply the dark by for a light of this exposure; None and why when unusable."""
    if masters.dark is None:
        return None, ""
    t_light, t_dark = light_exposure_s, masters.dark_exposure_s
    if t_light is None or t_dark is None or t_dark <= 0:
        return 1.0, "exposure of light or dark unknown: dark used unscaled"
    ratio = t_light / t_dark
    if abs(ratio - 1.0) <= SAME_EXPOSURE:
        return 1.0, ""
    if masters.dark_has_bias:
        return None, (
            f"dark of {t_dark:g} s not used for a light of {t_light:g} s: "
            "without bias frames a dark cannot be scaled"
        )
    if not 1 / DARK_STRETCH <= ratio <= DARK_STRETCH:
        return None, (
            f"dark of {t_dark:g} s not used for a light of {t_light:g} s: "
            f"more than a factor {DARK_STRETCH:g} apart"
        )
    return ratio, f"dark of {t_dark:g} s scaled to {t_light:g} s"


def calibrate(pixels: Plane, masters: Masters, *, dark_scale: float | None = 1.0) -> Plane:
    """The calibrated frame, ADU; NaN where the flat is dead.

    ``dark_scale`` comes from :func:`dark_factor`; None leaves the dark out.
    """
    out = np.array(pixels, dtype=np.float32)
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
