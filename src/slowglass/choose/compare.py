"""A kit in the numbers by which kits are set side by side, under one sky."""

from __future__ import annotations

import math
from dataclasses import dataclass

from slowglass.expose.conditions import conditions_at_altitude
from slowglass.expose.isophote import Taking, faintest_mag_arcsec2
from slowglass.expose.noise import faintest_mag, sky_limited_s
from slowglass.expose.plan import DETECTED_SNR, star_width_arcsec
from slowglass.expose.signal import (
    mosaic_mean,
    sky_e_per_px_s,
    star_e_per_s,
    surface_e_per_px_s,
)
from slowglass.expose.suggest import BETWEEN_FRAMES_S, suggest_exposure
from slowglass.expose.tracking import (
    GUSTS_PER_HOUR,
    HOLD_SHARE,
    keeper_curve,
    trail_tolerance_arcsec,
)
from slowglass.kit.model import Kit, Site
from slowglass.kit.optics import PIXEL_BLUR_PX

ALTITUDE_DEG = 60.0
HOLD_DEC_DEG = 30.0
SESSION_S = 7200.0
GLOW_MAG_ARCSEC2, GLOW_SNR = 22.0, 5.0
"""A faint glow, the outskirts of a galaxy: its mean light per square arcsecond to that signal to
noise."""
DETAIL_MAG_ARCSEC2, DETAIL_ARCSEC, DETAIL_SNR = 19.0, 4.0, 10.0
"""A knot in a bright object, so bright and so wide."""


FACTS: tuple[tuple[str, str, int, str], ...] = (
    ("aperture", "aperture_mm", 0, " mm"),
    ("focal ratio f/", "focal_ratio", 1, ""),
    ("field, long side", "field_width_arcmin", 0, "′"),
    ("pixel", "scale_arcsec_per_px", 2, "″"),
    ("star's width", "star_fwhm_arcsec", 1, "″"),
    ("hold time", "hold_s", 0, " s"),
    ("exposure, best for an hour", "exposure_s", 0, " s"),
    ("hours as a multiple of the ideal", "time_cost", 1, ""),
    ("faintest star, one exposure", "star_mag_single", 1, ""),
    ("faintest star, two hours", "star_mag_night", 1, ""),
    ("faintest glow, mag/arcsec²", "surface_mag_arcsec2", 1, ""),
    ("minutes for equal S/N per arcsec²", "surface_minutes", 0, ""),
    ("minutes for equal detail", "detail_minutes", 1, ""),
)
"""The rows of a comparison: what a fact is called, its field, decimals to show, its unit."""


@dataclass(frozen=True)
class KitFacts:
    """What a kit amounts to at 60° altitude under a site's moonless sky.

    ``hold_s`` is at declination 30°; ``surface_minutes`` and ``detail_minutes`` are the time at
    the telescope for equal signal to noise per square arcsecond on a faint glow, and on a knot
    of 4″ in a bright object.
    """

    name: str
    price: float | None
    aperture_mm: float
    focal_length_mm: float
    focal_ratio: float
    scale_arcsec_per_px: float
    field_width_arcmin: float
    field_height_arcmin: float
    star_fwhm_arcsec: float
    hold_s: float
    exposure_s: float
    """The exposure that gathers most in an hour."""
    limit: str
    """What keeps it from being longer."""
    time_cost: float
    """Hours as a multiple of those with no read noise, no pause and no lost frame."""
    star_mag_single: float
    star_mag_night: float
    surface_mag_arcsec2: float
    """Faintest even glow of a night that shows per star's width."""
    surface_minutes: float
    detail_minutes: float


def kit_facts(kit: Kit, site: Site) -> KitFacts:
    """The facts of a kit at a site."""
    camera, optics = kit.camera, kit.optics
    here = conditions_at_altitude(site, ALTITUDE_DEG)
    air = {"airmass": here.airmass, "extinction_mag": here.extinction_mag}
    fwhm = star_width_arcsec(kit, site)
    fwhm_px = math.hypot(fwhm / kit.scale_arcsec_per_px, PIXEL_BLUR_PX)
    curve = keeper_curve(
        kit.mount,
        tolerance_arcsec=trail_tolerance_arcsec(fwhm),
        dec_deg=HOLD_DEC_DEG if site.latitude_deg >= 0 else -HOLD_DEC_DEG,
        latitude_deg=site.latitude_deg,
        gusts_per_hour=GUSTS_PER_HOUR[site.wind],
    )
    sky = float(mosaic_mean(sky_e_per_px_s(here.sky_mag_arcsec2, optics, camera)))
    background = sky + camera.dark_e_per_s
    suggestion = suggest_exposure(
        sky_limited_s=sky_limited_s(camera.read_noise_e, background),
        saturation_s=math.inf,
        background_e_per_px_s=background,
        read_noise_e=camera.read_noise_e,
        keepers=curve,
        window_s=SESSION_S,
    )
    exposure, keepers = suggestion.exposure_s, max(suggestion.keeper_fraction, 1e-3)
    frames = SESSION_S / (exposure + BETWEEN_FRAMES_S) * keepers
    zero = float(mosaic_mean(star_e_per_s(0.0, optics, camera, **air)))
    single = faintest_mag(
        zero,
        exposure,
        fwhm_px,
        background_e_per_px=background * exposure,
        read_noise_e=camera.read_noise_e,
        wanted_snr=DETECTED_SNR,
    )
    # frames add up: the background of all of them, and the read noise of each
    night = faintest_mag(
        zero,
        exposure * frames,
        fwhm_px,
        background_e_per_px=frames * (background * exposure + camera.read_noise_e**2),
        read_noise_e=0.0,
        wanted_snr=DETECTED_SNR,
    )
    taking = Taking(exposure, frames, here.sky_mag_arcsec2, here.airmass, here.extinction_mag, fwhm)
    series = Series(kit, air, background, exposure, keepers)
    return KitFacts(
        name=kit.name,
        price=kit.price,
        aperture_mm=optics.aperture_mm,
        focal_length_mm=optics.focal_length_mm,
        focal_ratio=optics.focal_ratio,
        scale_arcsec_per_px=kit.scale_arcsec_per_px,
        field_width_arcmin=60.0 * kit.field_width_deg,
        field_height_arcmin=60.0 * kit.field_height_deg,
        star_fwhm_arcsec=fwhm_px * kit.scale_arcsec_per_px,
        hold_s=curve.hold_time_s(HOLD_SHARE),
        exposure_s=exposure,
        limit=suggestion.limit,
        time_cost=suggestion.time_cost,
        star_mag_single=single,
        star_mag_night=night,
        surface_mag_arcsec2=faintest_mag_arcsec2(kit, taking),
        surface_minutes=series.minutes(GLOW_MAG_ARCSEC2, 1.0, 1.0, GLOW_SNR),
        detail_minutes=series.minutes(*_knot(fwhm_px * kit.scale_arcsec_per_px), DETAIL_SNR),
    )


def _knot(fwhm_arcsec: float) -> tuple[float, float, float]:
    """Brightness, area and share of the light caught of a knot once the star image spread it.

    A disc as wide as the spread knot holds half of its light, as of a Gaussian.
    """
    own = math.pi / 4.0 * DETAIL_ARCSEC**2
    spread = math.pi / 4.0 * (DETAIL_ARCSEC**2 + fwhm_arcsec**2)
    return DETAIL_MAG_ARCSEC2, spread, 0.5 * own / spread


@dataclass(frozen=True)
class Series:
    """Exposures of one length with a kit, of which a share are keepers, over a background."""

    kit: Kit
    air: dict[str, float]
    background_e_px_s: float
    exposure_s: float
    keepers: float

    def minutes(
        self, mag_arcsec2: float, area_arcsec2: float, share: float, wanted_snr: float
    ) -> float:
        """Minutes at the telescope for a patch of that brightness, of whose light a share is
        caught in that area, to a signal to noise."""
        kit, exposure = self.kit, self.exposure_s
        per_px = surface_e_per_px_s(mag_arcsec2, kit.optics, kit.camera, **self.air)
        pixels = area_arcsec2 / kit.scale_arcsec_per_px**2
        signal = share * float(mosaic_mean(per_px)) * pixels * exposure
        rest = self.background_e_px_s * exposure + kit.camera.read_noise_e**2
        frames = wanted_snr**2 * (signal + pixels * rest) / signal**2
        return frames / self.keepers * (exposure + BETWEEN_FRAMES_S) / 60.0
