"""Signal to noise and the length of one exposure.

The noise equation is that of Merline & Howell 1995 (Exp. Astron. 6, 163) after Mortara & Fowler
1981 (SPIE 290, 28); everything is in electrons.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

APERTURE_FWHM = 0.673
"""Radius of the best aperture on a Gaussian star under flat noise, in FWHM; holds 71.5 %."""
APERTURE_SHARE = 0.715
READ_NOISE_SHARE = 0.10
"""An exposure counts as sky-limited once read noise adds less than this to the noise."""


def snr(
    signal_e: npt.ArrayLike,
    *,
    pixels: npt.ArrayLike,
    sky_e_per_px: npt.ArrayLike,
    dark_e_per_px: npt.ArrayLike = 0.0,
    read_noise_e: float = 0.0,
    background_pixels: float = math.inf,
    gain_e_per_adu: float = 0.0,
) -> Floats:
    """Signal over noise of ``signal_e`` collected in ``pixels`` of one exposure.

    ``background_pixels`` is how many measure the sky (infinite: perfectly known). A gain adds
    the rounding of the converter, gain²/12 per pixel. 0 where there is neither light nor noise.
    """
    n = np.asarray(pixels, dtype=np.float64)
    signal = np.asarray(signal_e, dtype=np.float64)
    per_px = (
        np.asarray(sky_e_per_px, dtype=np.float64)
        + np.asarray(dark_e_per_px, dtype=np.float64)
        + read_noise_e**2
        + gain_e_per_adu**2 / 12.0
    )
    variance = signal + n * (1.0 + n / background_pixels) * per_px
    out = np.zeros(np.broadcast_shapes(signal.shape, variance.shape))
    return np.divide(signal, np.sqrt(variance), out=out, where=variance > 0)


def sky_limited_s(
    read_noise_e: float, background_e_per_px_s: float, *, added: float = READ_NOISE_SHARE
) -> float:
    """Exposure in seconds after which read noise adds no more than ``added`` to the sky's noise.

    Infinite under a sky that sends nothing.
    """
    if background_e_per_px_s <= 0:
        return math.inf
    return read_noise_e**2 / (background_e_per_px_s * ((1.0 + added) ** 2 - 1.0))


def read_noise_cost(read_noise_e: float, background_e_per_px: float) -> float:
    """Total time needed, as a multiple of what one unbroken exposure would take (1 = no cost)."""
    if background_e_per_px <= 0:
        return math.inf if read_noise_e > 0 else 1.0
    return 1.0 + read_noise_e**2 / background_e_per_px


def resolution_pixels(fwhm_px: float) -> float:
    """Pixels of one resolution element: a disc one FWHM across, and never less than one."""
    return max(1.0, math.pi / 4.0 * fwhm_px**2)


def star_snr(
    star_e: npt.ArrayLike,
    fwhm_px: float,
    *,
    sky_e_per_px: float,
    dark_e_per_px: float,
    read_noise_e: float,
) -> Floats:
    """Signal over noise of a whole star of ``star_e`` electrons in its best aperture."""
    return snr(
        APERTURE_SHARE * np.asarray(star_e, dtype=np.float64),
        pixels=max(1.0, math.pi * (APERTURE_FWHM * fwhm_px) ** 2),
        sky_e_per_px=sky_e_per_px,
        dark_e_per_px=dark_e_per_px,
        read_noise_e=read_noise_e,
    )


def faintest_mag(
    zero_mag_e_per_s: float,
    exposure_s: float,
    fwhm_px: float,
    *,
    background_e_per_px: float,
    read_noise_e: float,
    wanted_snr: float = 5.0,
) -> float:
    """Magnitude of the star that reaches ``wanted_snr`` in one exposure, in its best aperture."""
    n = max(1.0, math.pi * (APERTURE_FWHM * fwhm_px) ** 2)
    q2 = wanted_snr**2
    noise = n * (background_e_per_px + read_noise_e**2)
    needed = (q2 + math.sqrt(q2 * q2 + 4.0 * q2 * noise)) / 2.0 / APERTURE_SHARE
    return -2.5 * math.log10(needed / (zero_mag_e_per_s * exposure_s))
