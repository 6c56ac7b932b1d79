"""The image of a star: diffraction, air, shake, focus, pixel and trail, as one table.

Everything is multiplied as transfer functions, so nothing is lost or approximated in the joins:
the obstructed circular aperture exactly (overlap of discs), long-exposure Kolmogorov air,
exp(−3.44 (f·FWHM/0.976)^(5/3)) (Fried 1966, J. Opt. Soc. Am. 56, 1372; its profile is close to
a Moffat of β = 4.765, Trujillo et al. 2001, MNRAS 328, 977), a Gaussian for shake, the
out-of-focus annulus of geometrical optics, the square pixel, and the mean over the star's path.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from slowglass.kit.model import Optics
from slowglass.kit.optics import ARCSEC_PER_RADIAN

Floats = npt.NDArray[np.float64]

HALF_PX = 128
"""Half width of the table: light farther out (under 1 % in the rings) is folded back in."""


@dataclass(frozen=True, eq=False)
class Psf:
    """Share of a star's light per pixel, sampled ``oversample`` times a pixel, one layer a band.

    ``table`` is float32 (bands, n, n); the star sits at index n // 2. Values at steps of a whole
    pixel sum to 1 for every sub-pixel phase. The layer is zero from ``half_px`` outward.
    """

    table: npt.NDArray[np.float32]
    oversample: int
    half_px: int

    @cached_property
    def radial_peak(self) -> Floats:
        """Highest value at or beyond each whole-pixel radius, over all bands."""
        # Sorted by ring, so that one pass takes the maximum of each.
        order = np.argsort(self._ring, axis=None, kind="stable")
        starts = np.searchsorted(self._ring.ravel()[order], np.arange(int(self._ring.max()) + 1))
        highest = np.maximum.reduceat(self.table.max(axis=0).ravel()[order], starts)
        return np.maximum.accumulate(highest[::-1])[::-1][: self.half_px + 1].astype(np.float64)

    @cached_property
    def _ring(self) -> npt.NDArray[np.int16]:
        """Whole-pixel distance of every sample from the star."""
        n = self.table.shape[1]
        axis = ((np.arange(n) - n // 2) / self.oversample).astype(np.float32)
        return np.hypot(axis[:, None], axis[None, :]).astype(np.int16)

    @cached_property
    def enclosed(self) -> Floats:
        """Share of the light inside each whole-pixel radius (first band)."""
        ring = np.bincount(self._ring.ravel(), weights=self.table[0].ravel())
        inside = np.concatenate([[0.0], np.cumsum(ring)]) / self.oversample**2
        return inside[: self.half_px + 1]

    def stamp_radius_px(self, star_e: Floats, *, below_e: float = 0.05) -> npt.NDArray[np.int64]:
        """Radius outside which a star adds less than ``below_e`` to any pixel, whole pixels.

        Never less than the radius that holds 98.5 % of its light.
        """
        peak = self.radial_peak
        wanted = below_e / np.maximum(np.asarray(star_e, dtype=np.float64), 1e-9)
        # peak falls outward; the first radius at which it is below the wanted value.
        reach = len(peak) - np.searchsorted(peak[::-1], wanted, side="left")
        least = int(np.searchsorted(self.enclosed, 0.985)) + 1
        return np.clip(reach + 1, min(least, self.half_px), self.half_px).astype(np.int64)

    def kernel(self, band: int, radius_px: int) -> npt.NDArray[np.float32]:
        """The image of a star on a pixel's centre, (2r+1, 2r+1), summing to 1."""
        centre = self.table.shape[1] // 2
        span = slice(
            centre - radius_px * self.oversample,
            centre + radius_px * self.oversample + 1,
            self.oversample,
        )
        out = self.table[band, span, span].astype(np.float64)
        return (out / out.sum()).astype(np.float32)


def disc_overlap(distance: Floats, radius_a: float, radius_b: float) -> Floats:
    """Area common to two discs whose centres are ``distance`` apart."""
    small, large = sorted((radius_a, radius_b))
    d = np.clip(distance, large - small + 1e-12, None)
    inside = np.minimum(d, large + small)
    cos_s = np.clip((inside**2 + small**2 - large**2) / (2 * inside * max(small, 1e-12)), -1, 1)
    cos_l = np.clip((inside**2 + large**2 - small**2) / (2 * inside * large), -1, 1)
    kite = np.maximum(
        (-inside + small + large)
        * (inside + small - large)
        * (inside - small + large)
        * (inside + small + large),
        0.0,
    )
    lens = small**2 * np.arccos(cos_s) + large**2 * np.arccos(cos_l) - 0.5 * np.sqrt(kite)
    area = np.where(distance <= large - small, math.pi * small**2, lens)
    return np.where(distance >= large + small, 0.0, area)


def aperture_transfer(nu: Floats, obstruction: float) -> Floats:
    """Transfer of an obstructed circular aperture at frequencies in units of D/λ, 1 at zero."""
    full, hole = 0.5, 0.5 * obstruction
    area = disc_overlap(nu, full, full)
    if obstruction > 0:
        area = area + disc_overlap(nu, hole, hole) - 2.0 * disc_overlap(nu, full, hole)
    return area / (math.pi * (full**2 - hole**2))


def air_transfer(frequency_per_arcsec: Floats, seeing_fwhm_arcsec: float) -> Floats:
    """Transfer of long-exposure turbulence whose star image has that FWHM."""
    return np.exp(-3.44 * (frequency_per_arcsec * seeing_fwhm_arcsec / 0.976) ** (5.0 / 3.0))


def focus_transfer(frequency_per_px: Floats, blur_px: float, obstruction: float) -> Floats:
    """Transfer of an out-of-focus image: a disc ``blur_px`` across with the obstruction's hole."""
    from scipy.special import j1

    def disc(x: Floats) -> Floats:
        safe = np.where(x < 1e-6, 1e-6, x)
        return 2.0 * j1(safe) / safe

    x = np.pi * frequency_per_px * blur_px
    hole = obstruction**2
    return (disc(x) - hole * disc(x * obstruction)) / (1.0 - hole)


def star_image(
    optics: Optics,
    *,
    scale_arcsec_per_px: float,
    wavelengths_nm: tuple[float, ...],
    seeing_arcsec: float,
    shake_arcsec: float = 0.0,
    blur_px: float = 0.0,
    path_px: tuple[Floats, Floats] | None = None,
    half_px: int = HALF_PX,
) -> Psf:
    """The table of a star's image for each band (mean wavelength of each given).

    ``seeing_arcsec`` is the FWHM at 550 nm (it varies as wavelength^−0.2). ``path_px`` holds x and
    y offsets of equal duration, in pixels, whose mean the image is centred on if they have mean 0.
    Each band is the mean of three wavelengths 6 % apart, as wide bands blur the rings.
    """
    fwhm_px = math.hypot(seeing_arcsec, 70.0 / optics.aperture_mm) / scale_arcsec_per_px
    oversample = int(np.clip(math.ceil(16.0 / fwhm_px), 4, 8))
    if oversample > 4:
        half_px = min(half_px, 64)
    # Room for an out-of-focus disc and its soft rim.
    half_px = max(half_px, 32 * math.ceil((0.65 * blur_px + 16.0) / 32.0))
    n = 2 * half_px * oversample
    fx = np.fft.rfftfreq(n, 1.0 / oversample)
    fy = np.fft.fftfreq(n, 1.0 / oversample)
    radius = np.hypot(fy[:, None], fx[None, :])
    shared: npt.NDArray = np.sinc(fy)[:, None] * np.sinc(fx)[None, :]
    if blur_px > 0:
        shared = shared * focus_transfer(radius, blur_px, optics.obstruction_fraction)
    if shake_arcsec > 0:
        sigma_px = shake_arcsec / scale_arcsec_per_px
        shared = shared * np.exp(-2.0 * (np.pi * sigma_px * radius) ** 2)
    if path_px is not None:
        along_x = np.exp(-2j * np.pi * np.outer(path_px[0], fx))
        along_y = np.exp(-2j * np.pi * np.outer(path_px[1], fy))
        shared = shared * (along_y.T @ along_x) / len(path_px[0])
    line = np.linspace(0.0, float(radius.max()), 4096)
    axis = (np.arange(n) - n // 2) / oversample
    away = np.hypot(axis[:, None], axis[None, :]) / half_px
    # A slow fade: a quick one would ring bright stars with a disc's edge. It spares the image.
    reach_px = 0.55 * blur_px + 8.0
    if path_px is not None:
        reach_px += float(np.max(np.hypot(path_px[0], path_px[1])))
    kept = min(0.8, max(0.3, reach_px / half_px))
    window = np.clip((1.0 - away) / (1.0 - kept), 0.0, 1.0)
    window = window * window * (3.0 - 2.0 * window)
    layers = []
    for wavelength in wavelengths_nm:
        profile = np.zeros_like(line)
        for factor in (0.94, 1.0, 1.06):
            waves = wavelength * factor * 1e-6 / optics.aperture_mm * ARCSEC_PER_RADIAN
            profile += aperture_transfer(
                line / scale_arcsec_per_px * waves, optics.obstruction_fraction
            )
        seeing = seeing_arcsec * (wavelength / 550.0) ** -0.2
        profile *= air_transfer(line / scale_arcsec_per_px, seeing) / 3.0
        image = np.fft.irfft2(shared * np.interp(radius, line, profile), s=(n, n))
        image = np.fft.fftshift(image) * window
        layers.append((image * (oversample**2 / image.sum())).astype(np.float32))
    return Psf(np.stack(layers), oversample, half_px)


def half_peak_width_px(psf: Psf) -> float:
    """FWHM in pixels of a round image with the same area above half peak (middle band)."""
    layer = psf.table[psf.table.shape[0] // 2]
    area = np.count_nonzero(layer >= 0.5 * layer.max()) / psf.oversample**2
    return float(2.0 * np.sqrt(area / np.pi))


def surface_kernel(psf: Psf) -> npt.NDArray[np.float32]:
    """The star image with which a surface is blurred: middle band, 97 % of the light."""
    radius = int(np.searchsorted(psf.enclosed, 0.97)) + 1
    return psf.kernel(psf.table.shape[0] // 2, min(psf.half_px - 1, radius))
