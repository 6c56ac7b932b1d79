"""What a tube and a sensor do together: scale, field, diffraction, star size, sampling.

Plain numbers in, plain numbers out. Angles on the sky are in arcseconds unless a name says
otherwise.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache
from typing import Literal

ARCSEC_PER_RADIAN = 206264.80624709636
GREEN_NM = 550.0
"""Wavelength of the eye's and the green band's peak, where diffraction is quoted."""

FWHM_PER_SIGMA = 2.0 * math.sqrt(2.0 * math.log(2.0))
"""Of a Gaussian: 2.3548."""

Sampling = Literal["coarse", "good", "fine"]


def scale_arcsec_per_px(pixel_um: float, focal_length_mm: float) -> float:
    """Sky covered by one pixel at the field's centre, arcsec."""
    return ARCSEC_PER_RADIAN * pixel_um * 1e-3 / focal_length_mm


def field_deg(size_px: float, pixel_um: float, focal_length_mm: float) -> float:
    """Sky covered by a row (or column) of ``size_px`` pixels, degrees: 2·atan(d / 2f)."""
    return math.degrees(2.0 * math.atan(size_px * pixel_um * 1e-3 / (2.0 * focal_length_mm)))


def airy_radius_arcsec(
    aperture_mm: float, *, obstruction_fraction: float = 0.0, wavelength_nm: float = GREEN_NM
) -> float:
    """Radius of the first dark ring, arcsec, for a round aperture with a round obstruction.

    1.2197 λ/D for a clear aperture, less with an obstruction (Schroeder, *Astronomical Optics*,
    1987, §10.2). ``obstruction_fraction`` is of the diameter.
    """
    ring = _first_dark_ring(round(obstruction_fraction, 6))
    return ring / math.pi * _wave_arcsec(aperture_mm, wavelength_nm)


def airy_fwhm_arcsec(
    aperture_mm: float, *, obstruction_fraction: float = 0.0, wavelength_nm: float = GREEN_NM
) -> float:
    """Full width at half maximum of the diffraction disc, arcsec (1.029 λ/D when clear)."""
    half = _half_light(round(obstruction_fraction, 6))
    return 2.0 * half / math.pi * _wave_arcsec(aperture_mm, wavelength_nm)


PIXEL_BLUR_PX = 0.8
"""What the pixel adds to a star's FWHM in quadrature: 0.68 for its square (variance 1/12 px²),
the rest for the colour mosaic."""


def star_fwhm_arcsec(*widths_arcsec: float) -> float:
    """Width of a star image from independent blurs, arcsec, added in quadrature.

    Exact for Gaussian blurs; within some per cent for a seeing disc with a diffraction core.
    """
    return math.sqrt(sum(width * width for width in widths_arcsec))


def nyquist_pixel_um(focal_ratio: float, *, wavelength_nm: float = GREEN_NM) -> float:
    """Largest pixel, µm, that records all the detail the aperture passes: λN/2."""
    return wavelength_nm * 1e-3 * focal_ratio / 2.0


def sampling(fwhm_px: float) -> Sampling:
    """How the pixels suit a star ``fwhm_px`` wide.

    Below 2 px a star's light jumps between pixels and shape is lost ("coarse"); from 2 to 4
    everything is recorded ("good"); above 4 a 2 × 2 bin still holds 2 px across ("fine").
    """
    if fwhm_px < 2.0:
        return "coarse"
    return "good" if fwhm_px <= 4.0 else "fine"


def _wave_arcsec(aperture_mm: float, wavelength_nm: float) -> float:
    return wavelength_nm * 1e-6 / aperture_mm * ARCSEC_PER_RADIAN


def _jinc(x: float) -> float:
    """2·J1(x)/x by its power series, good to 1e-14 for the |x| < 5 met here."""
    quarter = -0.25 * x * x
    term = total = 1.0
    for k in range(1, 25):
        term *= quarter / (k * (k + 1))
        total += term
    return total


def _amplitude(x: float, obstruction: float) -> float:
    """Amplitude of the diffraction pattern, 1 at the centre; x = π · angle · D / λ."""
    hole = obstruction * obstruction
    return (_jinc(x) - hole * _jinc(obstruction * x)) / (1.0 - hole)


@lru_cache(maxsize=64)
def _first_dark_ring(obstruction: float) -> float:
    return _falling_root(lambda x: _amplitude(x, obstruction), 2.0, 4.0)


@lru_cache(maxsize=64)
def _half_light(obstruction: float) -> float:
    return _falling_root(lambda x: _amplitude(x, obstruction) - math.sqrt(0.5), 0.5, 2.5)


def _falling_root(function: Callable[[float], float], low: float, high: float) -> float:
    """Where a function falling through zero between two places crosses it, by bisection."""
    for _ in range(60):
        middle = 0.5 * (low + high)
        if function(middle) > 0.0:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)
