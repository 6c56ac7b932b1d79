"""Does it show: signal to noise of an object's light per resolution element.

For a surface the element is a disc one star width across, on the part that holds half of the
light; for a cluster of stars it is one member star in its best aperture. Everything is in
electrons, from the same photon counts and noise as the exposure plan.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from slowglass.choose.light import BrightPart
from slowglass.expose.isophote import FLAT_ERROR
from slowglass.expose.measure import smeared_mag_arcsec2
from slowglass.expose.noise import APERTURE_FWHM, APERTURE_SHARE, resolution_pixels, snr
from slowglass.expose.plan import BETWEEN_FRAMES_S, WANTED_SNR
from slowglass.expose.signal import (
    bands,
    extinction_factor,
    mosaic_mean,
    sky_e_per_px_s,
    star_e_per_s,
    surface_e_per_px_s,
)
from slowglass.kit.model import Kit
from slowglass.kit.optics import PIXEL_BLUR_PX

Floats = npt.NDArray[np.float64]
Answer = Literal["yes", "barely", "no"]

GOOD_SNR = 10.0
"""Per resolution element: structure is seen, not just presence."""
BARE_SNR = 3.0
"""Per resolution element: there, and no more."""
UNEVEN_SHARE = FLAT_ERROR / 2.0
"""Of the sky's light, what is left in patches after flats and gradient are taken off, rms. It is
what sinks faint surfaces in twilight and moonlight, however many photons are counted."""


@dataclass(frozen=True)
class Rates:
    """Electrons per second of the object's and of the rest of the light, arrays over objects.

    ``signal_e_s`` is in the whole measuring area of ``pixels``, the others in one pixel.
    """

    signal_e_s: Floats
    pixels: float
    sky_e_px_s: Floats
    dark_e_px_s: float
    read_noise_e: float

    @property
    def background_px_e_s(self) -> Floats:
        """Light of a pixel beside the object and its dark current, e⁻/s."""
        return self.sky_e_px_s + self.dark_e_px_s

    @property
    def brightest_px_e_s(self) -> Floats:
        """All the light of a pixel of the object, e⁻/s: what read noise has to compete with."""
        return self.signal_e_s / self.pixels + self.background_px_e_s


def light_rates(
    part: BrightPart,
    *,
    sky_mag_arcsec2: Floats,
    airmass: Floats,
    extinction_mag: float,
    fwhm_arcsec: float,
    kit: Kit,
) -> Rates:
    """Rates of bright parts with this kit, through that much air, under that sky; arrays (n,)."""
    optics, camera = kit.optics, kit.camera
    fwhm_px = math.hypot(fwhm_arcsec / kit.scale_arcsec_per_px, PIXEL_BLUR_PX)
    through_air = (
        extinction_factor(extinction_mag, 1.0, bands(camera)) ** np.asarray(airmass)[:, None]
    )
    if part.stars_mag is not None:
        pixels = max(1.0, float(np.pi * (APERTURE_FWHM * fwhm_px) ** 2))
        light = star_e_per_s(part.stars_mag, optics, camera, light=part.light)
        signal = APERTURE_SHARE * mosaic_mean(light * through_air)
    else:
        pixels = resolution_pixels(fwhm_px)
        patch = part.axis_arcmin * part.minor_arcmin * 3600.0
        surface = smeared_mag_arcsec2(np.asarray(part.mag_arcsec2), patch, fwhm_arcsec)
        light = surface_e_per_px_s(surface, optics, camera, light=part.light)
        signal = pixels * mosaic_mean(light * through_air)
    return Rates(
        np.asarray(signal),
        pixels,
        np.asarray(mosaic_mean(sky_e_per_px_s(sky_mag_arcsec2, optics, camera))),
        camera.dark_e_per_s,
        camera.read_noise_e,
    )


def wanted_exposure_s(rates: Rates) -> Floats:
    """Exposure in seconds from which read noise costs less than half of the time, array (n,).

    Never shorter than the pause between two exposures, which costs half of the time itself.
    """
    return np.maximum(BETWEEN_FRAMES_S, rates.read_noise_e**2 / rates.brightest_px_e_s)


def single_snr(rates: Rates, exposure_s: npt.ArrayLike) -> Floats:
    """Signal to noise per resolution element in one exposure of that length, array (n,)."""
    seconds = np.asarray(exposure_s, float)
    return snr(
        rates.signal_e_s * seconds,
        pixels=rates.pixels,
        sky_e_per_px=rates.sky_e_px_s * seconds,
        dark_e_per_px=rates.dark_e_px_s * seconds,
        read_noise_e=rates.read_noise_e,
    )


def total_snr(
    single: npt.ArrayLike,
    exposure_s: npt.ArrayLike,
    keeper_fraction: npt.ArrayLike,
    session_min: npt.ArrayLike,
) -> Floats:
    """Signal to noise of all the keepers of a session: grows as the root of their number."""
    frames = np.asarray(session_min, float) * 60.0 / (np.asarray(exposure_s) + BETWEEN_FRAMES_S)
    return np.asarray(single) * np.sqrt(np.floor(frames) * np.asarray(keeper_fraction))


def uneven_cap(rates: Rates) -> Floats:
    """Signal to noise that no number of exposures goes beyond, array (n,): the sky left under the
    object once flats and gradient are taken off counts as noise that does not average out."""
    left = UNEVEN_SHARE * rates.pixels * rates.sky_e_px_s
    return np.asarray(rates.signal_e_s / np.maximum(left, 1e-12))


def capped_snr(total: npt.ArrayLike, cap: npt.ArrayLike) -> Floats:
    """A photon signal to noise with the uneven sky's share added to the noise."""
    snr_total = np.asarray(total, float)
    return np.asarray(snr_total / np.hypot(1.0, snr_total / np.asarray(cap)))


def wanted_of_photons(wanted_snr: float, cap: npt.ArrayLike) -> Floats:
    """Photon signal to noise that gives a wanted one under the uneven sky; inf when none does."""
    share = (wanted_snr / np.asarray(cap, float)) ** 2
    with np.errstate(divide="ignore"):
        return np.asarray(wanted_snr / np.sqrt(np.maximum(1.0 - share, 0.0)))


def minutes_to_snr(
    single: npt.ArrayLike,
    exposure_s: npt.ArrayLike,
    keeper_fraction: npt.ArrayLike,
    *,
    wanted_snr: npt.ArrayLike = WANTED_SNR,
) -> Floats:
    """Minutes at the telescope until the keepers together reach a signal to noise; inf if never."""
    with np.errstate(divide="ignore"):
        frames = np.ceil((np.asarray(wanted_snr) / np.asarray(single, float)) ** 2) / np.asarray(
            keeper_fraction
        )
    return frames * (np.asarray(exposure_s, float) + BETWEEN_FRAMES_S) / 60.0


def answer_for(snr_total: float) -> Answer:
    """The answer a total signal to noise gives."""
    return "yes" if snr_total >= GOOD_SNR else "barely" if snr_total >= BARE_SNR else "no"
