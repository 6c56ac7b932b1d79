"""Sizes and shapes of a frame's stars: FWHM, half-light diameter, elongation.

FWHM is that of the profile as recorded, the pixel's own response included (a Gaussian of 2 px
before the pixel is 2.11 px as recorded, one of 5 px 5.05). It is the geometric mean of major and
minor axis. HFD is the diameter of the circle that holds half of the star's light, equal to FWHM
for a Gaussian and 1.14 FWHM for a Moffat of β = 4.765.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from slowglass.frame.bayer import binned, colour_index, luminance
from slowglass.frame.image import Frame
from slowglass.frame.profile import Profiles, fit_profiles, stamps

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Image = npt.NDArray[np.float32]

_STAMP_IN_FWHM = 2.5
_LARGEST_FIT_PX = 6.0
"""Wider stars are fitted on a binned picture: a quarter of the pixels, the same profile."""

_LARGEST_MOSAIC_FIT_PX = 4.0
"""The same for a mosaic, whose full resolution costs more; below it the 2 × 2 cell would blur
too much to be undone."""


_FEWEST_TOGETHER = 8


@dataclass(frozen=True)
class Shapes:
    """Shapes of n stars; NaN where unmeasured. Angles 0–180 from +x toward +y."""

    x_px: Floats
    y_px: Floats
    fwhm_px: Floats
    hfd_px: Floats
    elongation: Floats
    elongation_angle_deg: Floats
    e1: Floats
    e2: Floats

    @classmethod
    def empty(cls, count: int) -> Shapes:
        """``count`` unmeasured stars."""
        return cls(*(np.full(count, np.nan) for _ in range(8)))


@dataclass(frozen=True)
class Consensus:
    """What a frame's stars agree on; NaN where too few were measured."""

    fwhm_px: float
    hfd_px: float
    elongation: float
    elongation_angle_deg: float
    agreement: float
    """0–1: length of the mean shape vector over the mean length; near 1 when all stars are
    drawn out the same way, as trailing does and lens faults do not."""
    stars: int


def elongation_of(e: npt.ArrayLike) -> Floats:
    """Major over minor axis of an ellipticity (a² − b²)/(a² + b²) below 1."""
    value = np.clip(np.asarray(e, dtype=np.float64), 0.0, 0.9999)
    return np.asarray(np.sqrt((1.0 + value) / (1.0 - value)))


def measure_shapes(
    frame: Frame,
    x_px: Floats,
    y_px: Floats,
    *,
    fwhm_px: float,
    clip_adu: float,
    neighbours: tuple[Floats, Floats, Floats] | None = None,
    flux: Floats | None = None,
) -> Shapes:
    """Shapes of the stars at full-resolution positions.

    ``fwhm_px`` is a first guess. Pixels at or above ``clip_adu`` are left out. ``neighbours``
    (x, y, flux) are every known star; those close by are masked. Stars too near an edge come
    back NaN.
    """
    count = len(x_px)
    image, factor, mosaic = _working_picture(frame, fwhm_px)
    guess = max(fwhm_px / factor, 1.5)
    half = int(np.ceil(_STAMP_IN_FWHM * guess)) + 1
    x, y = (
        (np.asarray(x_px) - (factor - 1) / 2) / factor,
        (np.asarray(y_px) - (factor - 1) / 2) / factor,
    )
    height, width = image.shape
    room = (x > half + 1) & (x < width - half - 2) & (y > half + 1) & (y < height - half - 2)
    shapes = Shapes.empty(count)
    if not room.any():
        return shapes
    chosen = np.nonzero(room)[0]
    values, dx, dy, index = stamps(image, x[chosen], y[chosen], half)
    weight = (values < clip_adu).astype(np.float64)
    if neighbours is not None and flux is not None:
        ox, oy = ((n - (factor - 1) / 2) / factor for n in neighbours[:2])
        weight *= _clear_of_neighbours(
            x[chosen], y[chosen], flux[chosen], (ox, oy, neighbours[2]), dx, dy, guess
        )
    colour = None
    if mosaic is not None:
        row, column = index // width % 2, index % width % 2
        colour = mosaic[row, column]
    fits = _fit_with_common_wings(values, dx, dy, weight, colour, guess)
    length = np.sqrt(np.maximum(fits.e1**2 + fits.e2**2 - fits.e_variance, 0.0))
    raw = np.hypot(fits.e1, fits.e2)
    size, true = _without_bin_blur(fits.fwhm_px, length, factor)
    _, unbiased = _without_bin_blur(fits.fwhm_px, raw, factor)
    stretch = np.where(raw > 0, unbiased / np.where(raw > 0, raw, 1.0), 1.0)
    shapes.fwhm_px[chosen] = size
    shapes.elongation[chosen] = np.where(fits.ok, elongation_of(np.nan_to_num(true)), np.nan)
    shapes.elongation_angle_deg[chosen] = np.degrees(0.5 * np.arctan2(fits.e2, fits.e1)) % 180.0
    shapes.e1[chosen], shapes.e2[chosen] = fits.e1 * stretch, fits.e2 * stretch
    shapes.x_px[chosen] = factor * (x[chosen] + fits.x_px) + (factor - 1) / 2
    shapes.y_px[chosen] = factor * (y[chosen] + fits.y_px) + (factor - 1) / 2
    return shapes


def together_shape(
    light: Image, x: Floats, y: Floats, *, fwhm: float, bin_factor: int
) -> Consensus:
    """What stars too faint to measure one by one show when their light is fitted as one star.

    ``light`` is the background-subtracted picture binned ``bin_factor``; positions and ``fwhm``
    are its pixels. Centring errors of the single stars widen the result a little.
    """
    nothing = Consensus(np.nan, np.nan, np.nan, np.nan, np.nan, 0)
    while fwhm > _LARGEST_FIT_PX and min(light.shape) > 64:
        light, bin_factor, fwhm = binned(light, 2), bin_factor * 2, fwhm / 2
        x, y = (x - 0.5) / 2, (y - 0.5) / 2
    half = int(np.ceil(_STAMP_IN_FWHM * fwhm)) + 1
    height, width = light.shape
    room = (x > half + 1) & (x < width - half - 2) & (y > half + 1) & (y < height - half - 2)
    if room.sum() < _FEWEST_TOGETHER:
        return nothing
    values, dx, dy, _ = stamps(light, x[room], y[room], half)
    values -= np.median(values, axis=1, keepdims=True)
    values, dx, dy = (a.reshape(1, -1) for a in (values, dx, dy))
    fit = fit_profiles(
        values, dx, dy, np.ones_like(values), colour=None, fwhm_px=fwhm, moffat_u=0.21
    )
    if not fit.ok[0] or not 0.6 * fwhm < fit.fwhm_px[0] < 1.6 * fwhm or fit.fwhm_px[0] < 1.2:
        return nothing  # blends, knots of nebulosity or warm pixels: no one star's profile
    length = np.sqrt(np.maximum(fit.e1**2 + fit.e2**2 - fit.e_variance, 0.0))
    size, true = _without_bin_blur(fit.fwhm_px, length, bin_factor)
    return Consensus(
        fwhm_px=float(size[0]),
        hfd_px=np.nan,
        elongation=float(elongation_of(true[0])),
        elongation_angle_deg=float(np.degrees(0.5 * np.arctan2(fit.e2[0], fit.e1[0])) % 180.0),
        agreement=np.nan,
        stars=int(room.sum()),
    )


def _working_picture(
    frame: Frame, fwhm_px: float
) -> tuple[Image, int, npt.NDArray[np.int8] | None]:
    """The picture to fit on, its binning, and the mosaic's colour cell where it is one."""
    if frame.bayer is not None and fwhm_px <= _LARGEST_MOSAIC_FIT_PX:
        return np.ascontiguousarray(frame.pixels), 1, colour_index(frame.bayer)
    image, factor = luminance(frame)
    while fwhm_px / factor > _LARGEST_FIT_PX and min(image.shape) > 64:
        image, factor = binned(image, 2), factor * 2
    return image, factor, None


def _bin_blur_px2(factor: int) -> float:
    """FWHM² that averaging ``factor`` samples adds: their spread has variance (f² − 1)/12."""
    return 8.0 * np.log(2.0) * (factor**2 - 1) / 12.0


def _without_bin_blur(fwhm: Floats, e: Floats, factor: int) -> tuple[Floats, Floats]:
    """FWHM in full-resolution pixels and ellipticity, the blur of binning taken off both axes."""
    ratio = elongation_of(np.nan_to_num(e))
    square = (factor * fwhm) ** 2
    blur = _bin_blur_px2(factor)
    major2 = np.maximum(square * ratio - blur, 0.5)
    minor2 = np.maximum(square / ratio - blur, 0.5)
    return np.sqrt(np.sqrt(major2 * minor2)), (major2 - minor2) / (major2 + minor2)


def _clear_of_neighbours(
    x: Floats,
    y: Floats,
    flux: Floats,
    others: tuple[Floats, Floats, Floats],
    dx: Floats,
    dy: Floats,
    fwhm: float,
) -> Floats:
    """1 where a stamp's pixel is clear of other stars' light, else 0."""
    from scipy.spatial import cKDTree

    clear = np.ones_like(dx)
    ox, oy, oflux = others
    if len(ox) < 2:
        return clear
    reach = 4.5 * fwhm
    distance, which = cKDTree(np.column_stack([ox, oy])).query(
        np.column_stack([x, y]), k=min(7, len(ox)), distance_upper_bound=reach
    )
    for near, who in zip(distance.T, which.T, strict=True):
        known = np.isfinite(near) & (near > 0.7 * fwhm)
        who = np.where(known, who, 0)
        matters = known & (oflux[who] > 0.01 * flux)
        # a bright neighbour's light reaches further
        radius = fwhm * (1.0 + 0.35 * np.log2(np.maximum(oflux[who] / flux, 1.0)))
        hit = (dx - (ox[who] - x)[:, None]) ** 2 + (dy - (oy[who] - y)[:, None]) ** 2
        clear[matters[:, None] & (hit < (radius**2)[:, None])] = 0.0
    return clear


def _fit_with_common_wings(
    values: Floats,
    dx: Floats,
    dy: Floats,
    weight: Floats,
    colour: npt.NDArray[np.int8] | None,
    fwhm: float,
) -> Profiles:
    """Fits with one wing slope for the frame, found from its first (brightest) stars."""
    first = np.s_[:40]
    free = fit_profiles(
        values[first],
        dx[first],
        dy[first],
        weight[first],
        colour=None if colour is None else colour[first],
        fwhm_px=fwhm,
    )
    wings = float(np.median(free.moffat_u[free.ok])) if free.ok.any() else 0.21
    return fit_profiles(values, dx, dy, weight, colour=colour, fwhm_px=fwhm, moffat_u=wings)


def half_light_diameters(
    image: Image, x: Floats, y: Floats, *, fwhm: float, bin_factor: int
) -> Floats:
    """HFD in full-resolution pixels, on a background-subtracted picture binned ``bin_factor``.

    Counted within 2.2 FWHM (which leaves out 0.5 % of a Moffat of β = 4.765), above the median
    of a ring outside; NaN where the count fails.
    """
    import sep

    reach = max(2.2 * fwhm, 3.0)
    half = int(np.ceil(1.5 * reach))
    found = np.full(len(x), np.nan)
    height, width = image.shape
    room = (x > half + 1) & (x < width - half - 2) & (y > half + 1) & (y < height - half - 2)
    if not room.any():
        return found
    values, dx, dy, _ = stamps(image, x[room], y[room], half)
    distance = np.hypot(dx, dy)
    ring = (distance > 1.05 * reach) & (distance < 1.5 * reach)
    level = np.nanmedian(np.where(ring, values, np.nan), axis=1)
    steps = np.linspace(0.0, reach, 45)[1:]
    curves = np.empty((len(level), steps.size))
    for i, radius in enumerate(steps):
        curves[:, i] = sep.sum_circle(image, x[room], y[room], radius, subpix=5)[0]
    curves -= level[:, None] * np.pi * steps**2
    share = curves / np.where(curves[:, -1:] > 0, curves[:, -1:], np.nan)
    above = np.argmax(share >= 0.5, axis=1)
    each = np.arange(len(level))
    inner = np.where(above > 0, share[each, above - 1], 0.0)
    square = np.where(above > 0, steps[above - 1] ** 2, 0.0)
    # light grows with the area between two radii, so interpolate in r²
    fraction = (0.5 - inner) / (share[each, above] - inner)
    found[room] = 2.0 * np.sqrt(square + fraction * (steps[above] ** 2 - square))
    # a circle cuts pixels by area, which blurs by a pixel's own width (variance 1/12)
    blur = _bin_blur_px2(bin_factor) + 8.0 * np.log(2.0) * bin_factor**2 / 12.0
    return np.sqrt(np.maximum((bin_factor * found) ** 2 - blur, 0.25))


def consensus(shapes: Shapes) -> Consensus:
    """Medians over the measured stars, strays beyond 3.5 sigma in size left out."""
    good = np.isfinite(shapes.fwhm_px)
    if good.sum() < 3:
        return Consensus(np.nan, np.nan, np.nan, np.nan, np.nan, int(good.sum()))
    middle = np.median(shapes.fwhm_px[good])
    spread = 1.4826 * np.median(np.abs(shapes.fwhm_px[good] - middle)) + 0.02 * middle
    good &= np.abs(shapes.fwhm_px - middle) < 3.5 * spread
    e1, e2 = np.median(shapes.e1[good]), np.median(shapes.e2[good])
    together = float(np.hypot(e1, e2))
    single = float(np.median(np.hypot(shapes.e1[good], shapes.e2[good])))
    own = float(np.median(shapes.elongation[good]))
    hfd = shapes.hfd_px[good & np.isfinite(shapes.hfd_px)]
    return Consensus(
        fwhm_px=float(np.median(shapes.fwhm_px[good])),
        hfd_px=float(np.median(hfd)) if hfd.size else np.nan,
        elongation=max(own, float(elongation_of(together))) if together > 0.1 else own,
        elongation_angle_deg=float(np.degrees(0.5 * np.arctan2(e2, e1)) % 180.0),
        agreement=min(together / single, 1.0) if single > 0 else 0.0,
        stars=int(good.sum()),
    )
