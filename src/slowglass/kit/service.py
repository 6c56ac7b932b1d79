"""What follows from a kit's numbers: the table behind ``slowglass kit``."""

from __future__ import annotations

import math
from dataclasses import dataclass

from slowglass.kit import optics
from slowglass.kit.model import SIDEREAL_ARCSEC_S, Eyepiece, Kit, Site


@dataclass(frozen=True)
class EyepieceView:
    """What one eyepiece shows in this tube."""

    focal_length_mm: float
    magnification: float
    true_field_deg: float
    exit_pupil_mm: float


@dataclass(frozen=True)
class KitSummary:
    """Quantities derived from a kit under a site's usual seeing."""

    name: str
    focal_ratio: float
    scale_arcsec_per_px: float
    field_width_arcmin: float
    field_height_arcmin: float
    airy_radius_arcsec: float
    """First dark ring at 550 nm, obstruction included."""
    airy_radius_px: float
    airy_fwhm_arcsec: float
    airy_fwhm_px: float
    seeing_arcsec: float
    seeing_px: float
    star_fwhm_arcsec: float
    """Expected star width: seeing, diffraction, shake and one pixel, in quadrature."""
    star_fwhm_px: float
    nyquist_pixel_um: float
    """Largest pixel that records all detail the aperture passes."""
    sampling: optics.Sampling
    sampling_text: str
    saturation_e: float
    worm_period_s: float | None
    worm_speed_arcsec_per_s: float | None
    """Greatest speed of the periodic error."""
    polar_drift_arcsec_per_min: float
    """Greatest drift the polar error can cause, at the celestial equator."""
    eyepieces: tuple[EyepieceView, ...]
    limits_text: str
    """What sets the size of the stars, and from which exposure on."""


def summarise_kit(kit: Kit, site: Site | None = None) -> KitSummary:
    """What the kit's numbers amount to; ``site`` lends its seeing (else 3″)."""
    seeing = site.seeing_arcsec if site is not None else 3.0
    scale = kit.scale_arcsec_per_px
    tube = kit.optics
    obstruction = tube.obstruction_fraction
    radius = optics.airy_radius_arcsec(tube.aperture_mm, obstruction_fraction=obstruction)
    airy = optics.airy_fwhm_arcsec(tube.aperture_mm, obstruction_fraction=obstruction)
    shake = optics.FWHM_PER_SIGMA * kit.mount.shake_arcsec
    star = optics.star_fwhm_arcsec(seeing, airy, shake, optics.PIXEL_BLUR_PX * scale)
    driven = kit.mount.driven == "ra"
    period = kit.mount.worm_period_s
    worm_speed = 2.0 * math.pi * kit.mount.periodic_error_arcsec / period if driven else None
    polar_speed = SIDEREAL_ARCSEC_S * math.radians(kit.mount.polar_error_arcmin / 60.0)
    verdict = optics.sampling(star / scale)
    return KitSummary(
        name=kit.name,
        focal_ratio=tube.focal_ratio,
        scale_arcsec_per_px=scale,
        field_width_arcmin=kit.field_width_deg * 60.0,
        field_height_arcmin=kit.field_height_deg * 60.0,
        airy_radius_arcsec=radius,
        airy_radius_px=radius / scale,
        airy_fwhm_arcsec=airy,
        airy_fwhm_px=airy / scale,
        seeing_arcsec=seeing,
        seeing_px=seeing / scale,
        star_fwhm_arcsec=star,
        star_fwhm_px=star / scale,
        nyquist_pixel_um=optics.nyquist_pixel_um(tube.focal_ratio),
        sampling=verdict,
        sampling_text=_sampling_text(verdict, star / scale),
        saturation_e=kit.camera.saturation_e,
        worm_period_s=period if driven else None,
        worm_speed_arcsec_per_s=worm_speed,
        polar_drift_arcsec_per_min=polar_speed * 60.0,
        eyepieces=tuple(_eyepiece_view(kit, eyepiece) for eyepiece in kit.eyepieces),
        limits_text=_limits_text(
            {
                f"the air ({seeing:.1f}″)": seeing,
                f"diffraction ({airy:.1f}″)": airy,
                f"wind and tremor ({shake:.1f}″)": shake,
                f"the pixel ({scale:.2f}″)": scale,
            },
            star_arcsec=star,
            worm_arcsec_per_s=worm_speed,
            polar_arcsec_per_s=polar_speed,
        ),
    )


def _eyepiece_view(kit: Kit, eyepiece: Eyepiece) -> EyepieceView:
    magnification = eyepiece.magnification(kit.optics)
    return EyepieceView(
        focal_length_mm=eyepiece.focal_length_mm,
        magnification=magnification,
        true_field_deg=eyepiece.true_field_deg(kit.optics),
        exit_pupil_mm=kit.optics.aperture_mm / magnification,
    )


def _sampling_text(verdict: optics.Sampling, star_px: float) -> str:
    width = f"a star is {star_px:.1f} px wide"
    if verdict == "coarse":
        return f"Coarse: {width}, so its shape falls between the pixels."
    if verdict == "good":
        return f"Good: {width}; the pixels record what the sky and the tube pass."
    return f"Fine: {width}; joining pixels two by two loses no detail."


def _limits_text(
    blurs_arcsec: dict[str, float],
    *,
    star_arcsec: float,
    worm_arcsec_per_s: float | None,
    polar_arcsec_per_s: float,
) -> str:
    """One or two sentences: the widest blur in a short exposure, then the motion's turn."""
    widest = max(blurs_arcsec, key=blurs_arcsec.__getitem__)
    verb = "set" if " and " in widest else "sets"
    first = f"In short exposures {widest} {verb} the width of a star."
    if worm_arcsec_per_s is None:
        held = star_arcsec / SIDEREAL_ARCSEC_S
        return f"{first} With no drive, a star at the equator trails after {held:.1f} s."
    speeds = {"the worm's error": worm_arcsec_per_s, "the polar error": polar_arcsec_per_s}
    cause = max(speeds, key=speeds.__getitem__)
    if speeds[cause] == 0.0:
        return first
    held = star_arcsec / speeds[cause]
    return (
        f"{first} At its fastest, {cause} moves a star by its own width in {held:.0f} s; "
        "beyond that, tracking decides which frames stay round."
    )


def skyline_by_direction(site: Site) -> dict[str, float]:
    """Altitude of the skyline, degrees, in the eight directions from north through east."""
    names = (
        "north",
        "north-east",
        "east",
        "south-east",
        "south",
        "south-west",
        "west",
        "north-west",
    )
    altitudes = site.horizon_alt_deg([45.0 * i for i in range(8)])
    return {name: float(alt) for name, alt in zip(names, altitudes, strict=True)}
