"""Sky and light of a solved frame: zero point, transparency, sky brightness, clipping.

Measured on the green pixels of a mosaic (nearest to Johnson V), else on the whole picture. The
zero point comes from catalogue stars: V = Z − 2.5 log₁₀(ADU/s). The sky is given as seen from
the ground: what the air takes from the stars is put back into its zero point.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from slowglass.frame.bayer import colour_index, luminance
from slowglass.frame.detect import Detection
from slowglass.frame.image import Frame
from slowglass.frame.stars import StarFlag, StarList
from slowglass.judge.reach import Reach

Floats = npt.NDArray[np.float64]

FEWEST_STARS = 3
G_TO_V_MAG = 0.17
"""A usual field star (BP − RP 0.9) is this much fainter in V than in G: Riello et al. 2021, A&A
649, A3."""
RADIUS_FWHM = 3.0
"""Aperture that leaves out 3 to 4 % of a star: air's wings, rings of the obstructed aperture."""
APERTURE_LOSS_MAG = 0.04
"""What it leaves out, with what the ring for the sky takes off: computed for air of 3 to 4.5″
over an aperture of 102 mm, 32 % obstructed (0.043 and 0.035 mag)."""
LARGEST_SCATTER_MAG = 0.35
"""Catalogue colours and magnitudes leave a tenth; more means wrong stars."""


@dataclass(frozen=True)
class SkyLight(Reach):
    """Light, sky and reach of one frame; None where it cannot be told, with ``sky_reason``.

    ``zero_point_mag`` is the V magnitude of a star of the sky's colour that gives 1 ADU a second
    (mean of the green pixels, or of all of a sensor without colours) in the middle of the frame,
    through this frame's air.
    ``transparency`` is the share of the light that arrived of what kit and clear air promise.
    Channels are R, G, B or L; ``clipped_stars`` counts stars with a clipped core in each.
    """

    sky_mag_arcsec2: float | None = None
    sky_error_mag: float | None = None
    sky_reason: str = ""
    zero_point_mag: float | None = None
    zero_point_error_mag: float | None = None
    zero_point_stars: int = 0
    transparency: float | None = None
    channel_zero_points_mag: dict[str, float] | None = None
    """The same for each channel (R, G, B, or L), in the frame's middle."""
    channel_zero_errors_mag: dict[str, float] | None = None
    stated_gain_e_per_adu: float | None = None
    """What the frame's header says of the camera's gain."""
    channel_light: dict[str, float] | None = None
    """``transparency`` channel by channel."""
    histogram_share: float | None = None
    """Level of the sky between black (0) and clipping (1)."""
    read_noise_share: float | None = None
    """Share of the sky background's variance that is read noise."""
    clipped_stars: dict[str, int] | None = None
    clipped_pixels: dict[str, float] | None = None
    """Share of the channel's pixels at the clipping level."""


def green_plane(frame: Frame) -> tuple[npt.NDArray[np.float32], int]:
    """The green pixels' mean of each 2 × 2 cell (bin 2) of a mosaic, or brightness (bin 1)."""
    if frame.bayer is None:
        if frame.is_colour:
            return np.ascontiguousarray(frame.pixels[..., 1]), 1
        return luminance(frame)
    rows, columns = frame.pixels.shape[0] // 2 * 2, frame.pixels.shape[1] // 2 * 2
    (r0, c0), (r1, c1) = np.argwhere(colour_index(frame.bayer) == 1)
    first = frame.pixels[r0:rows:2, c0:columns:2]
    return np.ascontiguousarray(
        (first + frame.pixels[r1:rows:2, c1:columns:2]) * np.float32(0.5)
    ), 2


@dataclass(frozen=True, eq=False)
class Plane:
    """The pixels of one colour: how wide apart they are, and where the first one lies."""

    pixels: npt.NDArray[np.float32]
    factor: int
    shift_px: tuple[float, float]
    """Places are looked up this much less (x, y), so that they fall on the colour's own pixels."""


def colour_planes(frame: Frame) -> dict[str, Plane]:
    """Red and blue pixels of a mosaic or a colour picture; empty for one without colours."""
    if frame.is_colour:
        return {
            name: Plane(np.ascontiguousarray(frame.pixels[..., layer]), 1, (0.0, 0.0))
            for name, layer in (("R", 0), ("B", 2))
        }
    if frame.bayer is None:
        return {}
    cell = colour_index(frame.bayer)
    rows, columns = frame.pixels.shape[0] // 2 * 2, frame.pixels.shape[1] // 2 * 2
    found = {}
    for name, colour in (("R", 0), ("B", 2)):
        row, column = (int(n) for n in np.argwhere(cell == colour)[0])
        plane = np.ascontiguousarray(frame.pixels[row:rows:2, column:columns:2])
        # A cell's middle lies half a pixel from each of its pixels.
        found[name] = Plane(plane, 2, (column - 0.5, row - 0.5))
    return found


def star_rates(
    plane: npt.NDArray[np.float32],
    factor: int,
    x_px: Floats,
    y_px: Floats,
    *,
    fwhm_px: float,
    exposure_s: float,
) -> Floats:
    """ADU a second of stars, counted within 3 FWHM above a ring around; NaN where none."""
    import sep

    radius = max(RADIUS_FWHM * fwhm_px / factor, 3.0)
    x, y = ((p - (factor - 1) / 2.0) / factor for p in (x_px, y_px))
    flux, _, flag = sep.sum_circle(
        plane, x, y, radius, bkgann=(1.25 * radius, 1.9 * radius), subpix=3
    )
    cut = (flag & sep.APER_TRUNC) != 0
    value = np.asarray(flux, dtype=np.float64) * factor**2 / exposure_s
    return np.where((value > 0) & ~cut, value, np.nan)


def zero_point(
    v_mag: Floats, rates: Floats, *, weight: Floats | None = None
) -> tuple[float, float, int] | None:
    """(zero point, its error, stars): the median of V + 2.5 log rate; None for fewer than 3."""
    good = np.isfinite(v_mag) & np.isfinite(rates) & (rates > 0)
    if np.count_nonzero(good) < FEWEST_STARS:
        return None
    each = v_mag[good] + 2.5 * np.log10(rates[good])
    middle = float(np.median(each))
    scatter = 1.4826 * float(np.median(np.abs(each - middle)))
    near = np.abs(each - middle) <= max(3.0 * scatter, 0.05)
    count = int(np.count_nonzero(near))
    if count < FEWEST_STARS or scatter > LARGEST_SCATTER_MAG:
        return None
    middle = float(np.median(each[near]))
    return middle, 1.2533 * max(scatter, 0.03) / math.sqrt(count), count


def sky_brightness(
    sky_adu_s: float, zero_point_mag: float, scale_arcsec_per_px: float, *, air_mag: float
) -> float:
    """V mag/arcsec² of a sky level in ADU a second a pixel, as seen from the ground.

    ``air_mag`` is what the air takes from a star there (extinction times air mass).
    """
    return (
        zero_point_mag
        + air_mag
        - 2.5 * math.log10(sky_adu_s)
        + 5.0 * math.log10(scale_arcsec_per_px)
    )


def sky_level(plane: npt.NDArray[np.float32]) -> float:
    """Median level of the sky in ADU, stars clipped away, from an even sample of the plane."""
    step = max(1, math.ceil(math.sqrt(plane.size / 60_000)))
    sample = plane[::step, ::step].ravel()
    for _ in range(4):
        middle = float(np.median(sample))
        spread = 1.4826 * float(np.median(np.abs(sample - middle)))
        sample = sample[np.abs(sample - middle) <= 3.0 * max(spread, 1e-6)]
    return float(np.mean(sample))


def clear_stars(stars: StarList, index: npt.NDArray[np.int64]) -> npt.NDArray[np.bool_]:
    """Mask of the rows whose light can be trusted."""
    bad = int(StarFlag.SATURATED | StarFlag.EDGE | StarFlag.BLENDED)
    return (stars.flags[index] & bad) == 0


def clipping(frame: Frame, detection: Detection) -> tuple[dict[str, int], dict[str, float]]:
    """(stars with a clipped core, share of clipped pixels) for each channel."""
    at = np.nonzero(detection.stars.flags & int(StarFlag.SATURATED))[0]
    reach = max(2, math.ceil(0.6 * detection.fwhm_px)) if math.isfinite(detection.fwhm_px) else 3
    channels = _channels(frame)
    cores = dict.fromkeys(channels, 0)
    for i in at:
        x, y = round(float(detection.stars.x_px[i])), round(float(detection.stars.y_px[i]))
        for name, (row, column, step, layer) in channels.items():
            top, left = max(0, y - reach), max(0, x - reach)
            box = _layer(frame, layer)[top : y + reach + 1, left : x + reach + 1]
            part = [
                box[(row[k] - top) % step :: step, (column[k] - left) % step :: step]
                for k in range(len(row))
            ]
            cores[name] += any(p.size and float(p.max()) >= detection.clip_adu for p in part)
    shares = {}
    for name, (row, column, step, layer) in channels.items():
        if detection.saturated_fraction == 0.0:
            shares[name] = 0.0
            continue
        parts = [_layer(frame, layer)[r::step, c::step] for r, c in zip(row, column, strict=True)]
        hit = sum(int(np.count_nonzero(p >= detection.clip_adu)) for p in parts)
        shares[name] = hit / max(1, sum(p.size for p in parts))
    return cores, shares


def _layer(frame: Frame, layer: int | None) -> npt.NDArray[np.float32]:
    return frame.pixels if layer is None else frame.pixels[..., layer]


def _channels(
    frame: Frame,
) -> dict[str, tuple[tuple[int, ...], tuple[int, ...], int, int | None]]:
    """Where each channel's pixels lie: rows, columns, step, and the layer of a colour picture."""
    if frame.is_colour:
        return {name: ((0,), (0,), 1, i) for i, name in enumerate("RGB")}
    if frame.bayer is None:
        return {"L": ((0,), (0,), 1, None)}
    cell = colour_index(frame.bayer)
    places = {name: np.argwhere(cell == i) for i, name in enumerate("RGB")}
    return {
        name: (tuple(map(int, p[:, 0])), tuple(map(int, p[:, 1])), 2, None)
        for name, p in places.items()
    }
