"""Places of a frame's unsaturated stars as exact as their photons allow.

Every star is fitted with the frame's one star shape, each pixel weighted by its own noise (sky,
read-out and the star's photons). That is the maximum-likelihood place for Gaussian noise, whose
error comes near the Cramér–Rao bound (King 1983, PASP 95, 163; Winick 1986, J. Opt. Soc. Am. A 3,
1809; both from memory); equal weights give a photon-limited Gaussian star 4/3 of it. On a mosaic
each colour has its own brightness and sky at its own pixels, so colour does not move a star.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from slowglass.frame.bayer import Image, binned, colour_index
from slowglass.frame.image import Frame
from slowglass.frame.profile import stamps
from slowglass.frame.stars import StarFlag, StarList

Floats = npt.NDArray[np.float64]

_STAMP_IN_FWHM = 2.0
_WIDEST_FIT_PX = 8.0
"""Wider stars are fitted on a binned picture, which loses nothing of their place."""
_MOFFAT_U = 0.21
"""1/β of the long-exposure star image (Trujillo et al. 2001, MNRAS 328, 977)."""
_LONGEST = 1.2
"""Stars drawn out further than this have no middle that holds for bright and faint alike: on a
forecast trail of 1.39 : 1 the fit put bright stars 0.04 px from where faint ones lie."""
_ITERATIONS = 5
_STRAY_SIGMA = 5.0
"""Beyond it a pixel is left out. Of Gaussian stars above some 40 000 electrons this takes parts of
the wings and leaves their places 0.02 to 0.05 px sure; to allow more lets neighbours pull."""
_AT_ONCE = 100
"""Stars fitted together: keeps the stamps small in memory."""


def refined_places(
    frame: Frame,
    light: Image,
    factor: int,
    stars: StarList,
    *,
    fwhm_px: float,
    elongation: float,
    elongation_angle_deg: float,
    sky_rms_adu: float,
) -> tuple[Floats, Floats]:
    """The stars' x and y in full-resolution pixels, refined where a fit succeeds.

    ``light`` is the frame's brightness above the sky, ``factor`` pixels wide each; ``sky_rms_adu``
    is the noise of one pixel of the frame. Saturated and blended stars, those at an edge, and
    all of a frame of trails keep the places they have.
    """
    x, y = stars.x_px.copy(), stars.y_px.copy()
    if not (np.isfinite(fwhm_px) and sky_rms_adu > 0 and elongation < _LONGEST):
        return x, y
    image, mosaic = light, None
    if frame.bayer is not None and fwhm_px <= _WIDEST_FIT_PX:
        image, factor, mosaic = frame.pixels, 1, colour_index(frame.bayer)
    while fwhm_px / factor > _WIDEST_FIT_PX and min(image.shape) > 64:
        image, factor = binned(image, 2), factor * 2
    width_px = np.sqrt(fwhm_px**2 + 8.0 * np.log(2.0) * (factor**2 - 1) / 12.0) / factor
    half = int(np.ceil(_STAMP_IN_FWHM * width_px)) + 1
    gain = frame.header.gain_e_per_adu
    per_adu = 1.0 / (gain * factor**2) if gain else 0.0
    grid_x, grid_y = ((p - (factor - 1) / 2) / factor for p in (x, y))
    height, width = image.shape
    room = (grid_x > half + 1) & (grid_x < width - half - 2)
    room &= (grid_y > half + 1) & (grid_y < height - half - 2)
    room &= (stars.flags & int(StarFlag.SATURATED | StarFlag.BLENDED)) == 0
    chosen = np.flatnonzero(room)
    for start in range(0, len(chosen), _AT_ONCE):
        part = chosen[start : start + _AT_ONCE]
        values, dx, dy, index = stamps(image, grid_x[part], grid_y[part], half)
        colours = np.zeros(values.shape, dtype=np.int8)
        if mosaic is not None:
            colours = mosaic[index // width % 2, index % width % 2]
        moved_x, moved_y, ok = _fit(
            values, dx, dy, colours, _form(width_px, elongation, elongation_angle_deg),
            floor=(sky_rms_adu / factor) ** 2, per_adu=per_adu,
        )  # fmt: skip
        ok &= np.hypot(moved_x, moved_y) < 0.5 * width_px
        x[part[ok]] += factor * moved_x[ok]
        y[part[ok]] += factor * moved_y[ok]
    return x, y


def _form(fwhm_px: float, elongation: float, angle_deg: float) -> tuple[float, float, float]:
    """A, B, C of the profile (see :mod:`profile`) of that width, drawn out at that angle."""
    turn = np.radians(2.0 * angle_deg) if np.isfinite(angle_deg) else 0.0
    ratio = elongation if np.isfinite(elongation) else 1.0
    mean, split = 0.5 * (ratio + 1.0 / ratio), 0.5 * (ratio - 1.0 / ratio)
    size = 4.0 / fwhm_px**2
    return (
        float(size * (mean - split * np.cos(turn))),
        float(-size * split * np.sin(turn)),
        float(size * (mean + split * np.cos(turn))),
    )


def _fit(
    values: Floats,
    dx: Floats,
    dy: Floats,
    colours: npt.NDArray[np.int8],
    form: tuple[float, float, float],
    *,
    floor: float,
    per_adu: float,
) -> tuple[Floats, Floats, npt.NDArray[np.bool_]]:
    """Shifts of every star in x and y, and whether its fit holds.

    A pixel's variance is ``floor`` + ``per_adu`` · the star's light there.
    """
    a, b, c = form
    k = np.exp2(_MOFFAT_U) - 1.0
    members = [(colours == n).astype(np.float64) for n in range(int(colours.max()) + 1)]
    count = len(values)
    x, y = np.zeros(count), np.zeros(count)
    w = np.ones_like(values)
    ok = np.ones(count, dtype=bool)
    for turn in range(_ITERATIONS):
        px, py = dx - x[:, None], dy - y[:, None]
        base = 1.0 + k * (a * px * px + 2.0 * b * px * py + c * py * py)
        shape = base ** (-1.0 / _MOFFAT_U)
        slope = 2.0 * k / _MOFFAT_U * shape / base
        along_x, along_y = slope * (a * px + b * py), slope * (b * px + c * py)
        residual, light = values.copy(), np.zeros_like(values)
        sums = np.zeros((5, count))
        positive = np.zeros(count)
        slopes = []
        for member in members:
            own = w * member
            total = np.maximum(own.sum(1), 1e-12)
            middle = ((own * shape).sum(1) / total)[:, None]
            peak = (own * (shape - middle) * values).sum(1) / np.maximum(
                (own * (shape - middle) ** 2).sum(1), 1e-12
            )
            level = (own * values).sum(1) / total - peak * middle[:, 0]
            star = peak[:, None] * shape * member
            residual -= level[:, None] * member + star
            light += star
            positive += peak
            slopes.append((own, total, peak))
        for own, total, peak in slopes:
            gx, gy = peak[:, None] * along_x, peak[:, None] * along_y
            mx, my = (own * gx).sum(1) / total, (own * gy).sum(1) / total
            gx, gy = gx - mx[:, None], gy - my[:, None]
            sums += [
                (own * gx * gx).sum(1), (own * gx * gy).sum(1), (own * gy * gy).sum(1),
                (own * gx * residual).sum(1), (own * gy * residual).sum(1),
            ]  # fmt: skip
        xx, xy, yy, rx, ry = sums
        determinant = xx * yy - xy * xy
        ok &= (positive > 0) & (determinant > 1e-9 * xx * yy)
        safe = np.where(ok, determinant, 1.0)
        limit = 0.3 / np.sqrt(np.sqrt(a * c))
        x += np.where(ok, np.clip((yy * rx - xy * ry) / safe, -limit, limit), 0.0)
        y += np.where(ok, np.clip((xx * ry - xy * rx) / safe, -limit, limit), 0.0)
        variance = floor + per_adu * np.maximum(light, 0.0)
        w = 1.0 / variance
        if turn > 0:  # hot pixels and neighbours; a core that is no Moffat stays
            w *= np.abs(residual) < _STRAY_SIGMA * np.sqrt(variance) + 0.1 * np.abs(light)
    return x, y, ok
