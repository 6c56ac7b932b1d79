"""How much light stands out of how much noise, in one aperture for every picture compared."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from slowglass.finish.combine import MAD_TO_SIGMA
from slowglass.finish.combined import NoiseModel

Plane = npt.NDArray[np.float32]
Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class ApertureLight:
    """Light in a circle around each star, and the scatter of the same circle on empty sky."""

    flux_adu: Floats
    noise_adu: float


def aperture_light(
    plane: Plane, x_px: npt.ArrayLike, y_px: npt.ArrayLike, radius_px: float
) -> ApertureLight:
    """Sums in circles less their surrounding rings, and the robust scatter on empty sky.

    Empty circles lie on a regular grid, away from anything bright; correlated noise from
    interpolation is thereby counted in full. Both use the same ring, 2 to 3 radii out.
    """
    import sep

    data = np.ascontiguousarray(plane, dtype=np.float32)
    if not np.isfinite(data).all():
        data = np.where(np.isfinite(data), data, np.float32(np.nanmedian(data)))
    ring = (2.0 * radius_px, 3.0 * radius_px)
    x, y = np.asarray(x_px, dtype=np.float64), np.asarray(y_px, dtype=np.float64)
    flux = (
        sep.sum_circle(data, x, y, radius_px, bkgann=ring, subpix=5)[0] if len(x) else np.empty(0)
    )
    high, wide = data.shape
    pitch = max(2.2 * radius_px, np.sqrt(high * wide / 20000.0))
    edge = 3.5 * radius_px
    if high <= 2 * edge + pitch or wide <= 2 * edge + pitch:
        edge = radius_px
    gx, gy = np.meshgrid(np.arange(edge, wide - edge, pitch), np.arange(edge, high - edge, pitch))
    sums = sep.sum_circle(data, gx.ravel(), gy.ravel(), radius_px, bkgann=ring, subpix=1)[0]
    sigma = float("nan")
    for _ in range(6 if len(sums) > 3 else 0):
        middle = np.median(sums)
        sigma = MAD_TO_SIGMA * np.median(np.abs(sums - middle))
        keep = np.abs(sums - middle) <= 3 * sigma
        if keep.all() or sigma == 0:
            break
        sums = sums[keep]
    return ApertureLight(np.asarray(flux, dtype=np.float64), float(sigma))


def snr_ratio(combined: ApertureLight, single: ApertureLight) -> float:
    """Signal to noise of the combined picture over that of the single one.

    The signal ratio is that of the stars' summed light (bright stars dominate, so faint ones
    that drown in the single frame add no bias); without stars both carry equal signal by
    construction and the noise alone decides. NaN when a noise is zero.
    """
    if not (combined.noise_adu > 0 and single.noise_adu > 0):
        return float("nan")
    light = 1.0
    if len(combined.flux_adu):
        total, alone = float(np.sum(combined.flux_adu)), float(np.sum(single.flux_adu))
        if total > 0 and alone > 5 * single.noise_adu * np.sqrt(len(single.flux_adu)):
            light = total / alone
    return light * single.noise_adu / combined.noise_adu


APART_PX = 8
"""Pixels between the two of a difference: further than any interpolation shares light."""
BLOCK_PX = 8


def picture_noise(picture: Plane, *, per_adu: float) -> NoiseModel:
    """The noise model of a combined picture, its sky part measured on the picture itself.

    Stars count as outliers of the median; a smooth sky drops out of the differences.
    """
    planes = [picture] if picture.ndim == 2 else [picture[..., c] for c in range(picture.shape[2])]
    sky, blend = [], []
    for plane in planes:
        step = max(1, plane.shape[0] // 1000)
        pixel = _scatter(plane[::step, APART_PX:] - plane[::step, :-APART_PX])
        high, wide = (n // BLOCK_PX for n in plane.shape)
        whole = plane[: high * BLOCK_PX, : wide * BLOCK_PX]
        means = whole.reshape(high, BLOCK_PX, wide, BLOCK_PX).mean(axis=(1, 3))
        block = _scatter(means[:, 2:] - means[:, :-2])  # next ones still share some light
        sky.append(pixel)
        blend.append(block * BLOCK_PX / pixel if pixel > 0 and np.isfinite(block) else 1.0)
    return NoiseModel(tuple(sky), (per_adu,) * len(planes), tuple(blend))


def _scatter(apart: Plane) -> float:
    """Robust noise of one of two values whose differences these are."""
    if apart.size == 0:
        return float("nan")
    return MAD_TO_SIGMA * float(np.median(np.abs(apart - np.median(apart)))) / 2**0.5
