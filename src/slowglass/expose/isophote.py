"""Where an object sinks into the noise: the isophote that a kit reaches under a sky in a time.

A resolution element of N pixels holds s·N·t electrons of the object over a noise of
√(N·t·(s + sky + dark) + N·n·R²) after n exposures of t seconds in all. The edge is where that
ratio falls to the wanted one, or where the object is so faint against the sky that flats and
gradients hide it however long one waits.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from slowglass.expose.noise import resolution_pixels
from slowglass.expose.profile import ObjectModel
from slowglass.expose.signal import mosaic_mean, sky_e_per_px_s, star_e_per_s, surface_e_per_px_s
from slowglass.kit.model import Kit
from slowglass.kit.optics import PIXEL_BLUR_PX
from slowglass.sky.catalogue import StarCatalogue
from slowglass.sky.coords import separation_deg
from slowglass.sky.objects import SkyObject

Floats = npt.NDArray[np.float64]

SINKS_SNR = 1.0
"""Per resolution element: the edge of what a picture shows, since the eye averages over ten or
so of them."""
CORE_SNR = 3.0
"""Per resolution element of one exposure: what stands out on the camera's screen."""
FLAT_ERROR = 0.004
"""Share of the sky below which flats and gradients hide an even glow (common practice: flats are
good to some tenths of a per cent)."""
_RINGS = 600


@dataclass(frozen=True)
class Extent:
    """The part of an object above the noise, full axes in arcmin.

    ``edge_mag_arcsec2`` is the brightness (V) at its edge, ``light_share`` the share of the
    object's light inside.
    """

    major_arcmin: float
    minor_arcmin: float
    edge_mag_arcsec2: float
    light_share: float

    @property
    def axes_arcmin(self) -> tuple[float, float]:
        """Major and minor axis."""
        return self.major_arcmin, self.minor_arcmin


@dataclass(frozen=True)
class Taking:
    """How much light is gathered: exposures of one length through that air under that sky."""

    exposure_s: float
    frames: float
    sky_mag_arcsec2: float
    airmass: float
    extinction_mag: float
    fwhm_arcsec: float


def faintest_e_per_px_s(kit: Kit, taking: Taking, *, wanted_snr: float = SINKS_SNR) -> float:
    """Electrons s⁻¹ px⁻¹ (mean over the mosaic) of a glow that just reaches a signal to noise."""
    camera = kit.camera
    pixels = resolution_pixels(
        math.hypot(taking.fwhm_arcsec / kit.scale_arcsec_per_px, PIXEL_BLUR_PX)
    )
    sky = float(mosaic_mean(sky_e_per_px_s(taking.sky_mag_arcsec2, kit.optics, camera)))
    total_s = taking.exposure_s * taking.frames
    rest = total_s * (sky + camera.dark_e_per_s) + taking.frames * camera.read_noise_e**2
    q2 = wanted_snr**2
    needed = (q2 + math.sqrt(q2 * q2 + 4.0 * q2 * pixels * rest)) / (2.0 * pixels)
    return max(needed / total_s, FLAT_ERROR * sky)


def faintest_mag_arcsec2(kit: Kit, taking: Taking, *, wanted_snr: float = SINKS_SNR) -> float:
    """V mag/arcsec² above the air of a Sun-coloured glow that just reaches a signal to noise."""
    zero = surface_e_per_px_s(
        0.0,
        kit.optics,
        kit.camera,
        airmass=taking.airmass,
        extinction_mag=taking.extinction_mag,
    )
    faintest = faintest_e_per_px_s(kit, taking, wanted_snr=wanted_snr)
    return float(2.5 * np.log10(mosaic_mean(zero) / faintest))


def seen_extent(
    model: ObjectModel, kit: Kit, taking: Taking, *, wanted_snr: float = SINKS_SNR
) -> Extent | None:
    """The part of an object's smooth light that rises above the noise; None if none of it does.

    Scattered stars do not count, except those of a globular, which follow its glow.
    """
    if not model.smooth:
        return None
    radii = max(part.reach_arcsec for part in model.smooth) * np.linspace(0, 1, _RINGS) ** 2
    rates, light = _rings(model, kit, taking, radii)
    patch = 4.0 * model.half_light_arcsec**2 * model.axis_ratio
    blurred = rates / (1.0 + taking.fwhm_arcsec**2 / max(patch, 1e-3))
    above = np.flatnonzero(blurred >= faintest_e_per_px_s(kit, taking, wanted_snr=wanted_snr))
    if not above.size:
        return None
    edge = int(above[-1])
    rings = light * radii
    inside = np.concatenate([[0.0], np.cumsum(np.diff(radii) * 0.5 * (rings[1:] + rings[:-1]))])
    share = float(inside[edge] / inside[-1])
    radius = float(radii[edge])
    density = float(light[edge])
    return Extent(
        max(2.0 * radius, taking.fwhm_arcsec) / 60.0,
        max(2.0 * radius * model.axis_ratio, taking.fwhm_arcsec) / 60.0,
        model.mag - 2.5 * math.log10(max(density, 1e-30)),
        share,
    )


def _rings(model: ObjectModel, kit: Kit, taking: Taking, radii: Floats) -> tuple[Floats, Floats]:
    """(electrons s⁻¹ px⁻¹, share of the light per arcsec²) at radii along the major axis."""
    # Members that follow the glow, as those of a globular do, shine where it does.
    spread = 1.0
    if model.extended_share == 1.0:
        spread = 1.0 / sum(part.share for part in model.smooth)
    rates, light = np.zeros(radii.size), np.zeros(radii.size)
    for part in model.smooth:
        n = part.profile.size
        own = part.reach_arcsec * (np.arange(n) / (n - 1.0)) ** 2
        density = spread * part.share * np.interp(radii, own, part.profile, right=0.0)
        whole = star_e_per_s(
            model.mag,
            kit.optics,
            kit.camera,
            light=part.light,
            airmass=taking.airmass,
            extinction_mag=taking.extinction_mag,
        )
        rates += density * kit.scale_arcsec_per_px**2 * float(mosaic_mean(whole))
        light += density
    return rates, light


def stars_extent_arcmin(
    away_arcmin: npt.ArrayLike,
    mag: npt.ArrayLike,
    *,
    outline_arcmin: float,
    reached_mag: float,
    share: float = 0.9,
) -> float | None:
    """Diameter in arcmin of the circle that holds ``share`` of a cluster's stars; None if few.

    ``away_arcmin`` are distances from its centre, of all stars to twice the outline's diameter,
    ``mag`` their magnitudes; those fainter than ``reached_mag`` are not seen. The field's own
    stars, counted between one and two outlines, are taken off.
    """
    away, mags = np.asarray(away_arcmin, float), np.asarray(mag, float)
    away = np.sort(away[mags <= reached_mag])
    edge = outline_arcmin / 2.0
    field = np.count_nonzero((away > edge) & (away <= 2.0 * edge)) / (3.0 * edge**2)
    inside = away[away <= edge]
    net = np.arange(1, inside.size + 1) - field * inside**2
    total = inside.size - field * edge**2
    # Five stars and three times the field's own scatter: less is no crowd.
    if total < 5.0 or total < 3.0 * math.sqrt(field * edge**2):
        return None
    return float(2.0 * inside[int(np.argmax(net >= share * total))])


def cluster_extent_arcmin(
    stars: StarCatalogue, obj: SkyObject, *, reached_mag: float
) -> float | None:
    """Diameter in arcmin that holds nine in ten of a cluster's stars; None if it is no crowd.

    From the catalogue's stars to a magnitude; see :func:`stars_extent_arcmin`.
    """
    if not obj.major_arcmin:
        return None
    near = stars.cone(obj.ra_deg, obj.dec_deg, obj.major_arcmin / 60.0)
    away = separation_deg(obj.ra_deg, obj.dec_deg, near.ra_deg, near.dec_deg) * 60.0
    mag = np.where(np.isfinite(near.v_mag), near.v_mag, near.mag)
    return stars_extent_arcmin(away, mag, outline_arcmin=obj.major_arcmin, reached_mag=reached_mag)
