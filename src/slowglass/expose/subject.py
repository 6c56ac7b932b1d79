"""What of an object one exposure is told of: its glow, a member star, or both."""

from __future__ import annotations

from dataclasses import dataclass

from slowglass.expose.conditions import Conditions
from slowglass.expose.measure import member_mag, smeared_mag_arcsec2, told_of_a_star
from slowglass.expose.noise import resolution_pixels, snr, star_snr
from slowglass.expose.profile import ASTEROID, NEBULOUS, ObjectModel, light_of
from slowglass.expose.signal import mosaic_mean, sky_e_per_px_s, star_e_per_s, surface_e_per_px_s
from slowglass.kit.model import Kit
from slowglass.sky.objects import SkyObject

GAUSSIAN_AREA = 1.133
"""Area of a Gaussian star over FWHM²: its light over its peak."""
OF_THE_GLOW = "mean brightness inside the half-light ellipse"


@dataclass(frozen=True)
class Subject:
    """A glow or a star (its peak pixel) in electrons s⁻¹ px⁻¹, to be told against noise."""

    what: str
    rate_e_per_px_s: float
    star: bool
    mag: float
    """V of the star, or mag/arcsec² of the glow as the star image smears it."""

    def snr(self, kit: Kit, exposure_s: float, *, sky_e_per_px_s: float, fwhm_px: float) -> float:
        """Signal to noise of one exposure: of a star's best aperture or of a resolution element."""
        camera = kit.camera
        noise: dict[str, float] = {
            "sky_e_per_px": sky_e_per_px_s * exposure_s,
            "dark_e_per_px": camera.dark_e_per_s * exposure_s,
            "read_noise_e": camera.read_noise_e,
        }
        collected = self.rate_e_per_px_s * exposure_s
        if self.star:
            return float(star_snr(collected * GAUSSIAN_AREA * fwhm_px**2, fwhm_px, **noise))
        cells = resolution_pixels(fwhm_px)
        return float(snr(collected * cells, pixels=cells, **noise))


def subjects(
    kit: Kit,
    obj: SkyObject,
    model: ObjectModel,
    *,
    conditions: Conditions,
    fwhm_arcsec: float,
    fwhm_px: float,
) -> tuple[Subject, ...]:
    """What an exposure of an object is told of, the leading part first.

    A glow is one part, a star cluster its typical member; a cluster with nebula is both.
    """
    air = {"airmass": conditions.airmass, "extinction_mag": conditions.extinction_mag}
    parts = []
    if obj.kind == ASTEROID:
        whole = star_e_per_s(model.mag, kit.optics, kit.camera, light=model.light, **air)
        rate = float(mosaic_mean(whole)) / (GAUSSIAN_AREA * fwhm_px**2)
        return (
            Subject(f"the asteroid, a star of magnitude {model.mag:.1f}", rate, True, model.mag),
        )
    if told_of_a_star(obj.kind):
        mag = member_mag(model.mag)
        whole = star_e_per_s(mag, kit.optics, kit.camera, light=light_of(obj.kind), **air)
        rate = float(mosaic_mean(whole)) / (GAUSSIAN_AREA * fwhm_px**2)
        parts.append(Subject(f"a member star of magnitude {mag:.1f}", rate, True, mag))
    if not told_of_a_star(obj.kind) or obj.kind == NEBULOUS:
        patch = 4.0 * model.half_light_arcsec**2 * model.axis_ratio
        surface = float(smeared_mag_arcsec2(model.mean_mag_arcsec2, patch, fwhm_arcsec))
        light = surface_e_per_px_s(surface, kit.optics, kit.camera, light=model.light, **air)
        what = "its nebula, " + OF_THE_GLOW if parts else OF_THE_GLOW
        parts.append(Subject(what, float(mosaic_mean(light)), False, surface))
    return tuple(parts)


def sky_rate_e_per_px_s(kit: Kit, sky_mag_arcsec2: float) -> float:
    """Electrons s⁻¹ px⁻¹ of the sky, mean over the mosaic."""
    return float(mosaic_mean(sky_e_per_px_s(sky_mag_arcsec2, kit.optics, kit.camera)))
