"""One exposure of one object in numbers: light, noise, what limits it, what to do instead."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from slowglass.errors import UsageError
from slowglass.expose.conditions import Conditions
from slowglass.expose.isophote import CORE_SNR, Extent, Taking, faintest_mag_arcsec2, seen_extent
from slowglass.expose.measure import core_e_per_px_s, core_full_s
from slowglass.expose.noise import faintest_mag, sky_limited_s
from slowglass.expose.profile import ObjectModel, object_model
from slowglass.expose.record import ExposurePlan
from slowglass.expose.session import plan_session
from slowglass.expose.signal import mosaic_mean, sky_e_per_px_s, star_e_per_s
from slowglass.expose.subject import GAUSSIAN_AREA, Subject, sky_rate_e_per_px_s, subjects
from slowglass.expose.suggest import BETWEEN_FRAMES_S, STEPS_S, suggest_exposure
from slowglass.expose.tracking import (
    GUSTS_PER_HOUR,
    SHAKE_FACTOR,
    drift_arcsec_per_min,
    field_rotation_deg,
    keeper_curve,
    trail_lengths_arcsec,
    trail_tolerance_arcsec,
    untrailed_s,
)
from slowglass.expose.words import MOST_FRAMES, WANTED_SNR, conditions_notes, plan_words
from slowglass.kit.model import Kit, Site
from slowglass.kit.optics import FWHM_PER_SIGMA, PIXEL_BLUR_PX, airy_fwhm_arcsec, star_fwhm_arcsec
from slowglass.sky.objects import SkyObject

__all__ = ["BETWEEN_FRAMES_S", "WANTED_SNR", "ExposurePlan", "plan_exposure", "star_width_arcsec"]

DETECTED_SNR = 5.0
CLOSE_TO_EDGE = 0.9


def star_width_arcsec(kit: Kit, site: Site) -> float:
    """FWHM of an untrailed star: air, diffraction, tremor in the site's wind, arcsec."""
    airy = airy_fwhm_arcsec(
        kit.optics.aperture_mm, obstruction_fraction=kit.optics.obstruction_fraction
    )
    shake = SHAKE_FACTOR[site.wind] * kit.mount.shake_arcsec
    return star_fwhm_arcsec(site.seeing_arcsec, airy, FWHM_PER_SIGMA * shake)


def plan_exposure(
    kit: Kit,
    site: Site,
    obj: SkyObject | None,
    *,
    seconds: float,
    frames: int = 1,
    conditions: Conditions,
    dec_deg: float | None = None,
    minutes_up: float | None = None,
    field_mags: tuple[float, ...] = (),
) -> ExposurePlan:
    """The plan for ``frames`` exposures of ``seconds`` under those conditions.

    ``dec_deg`` is needed when there is no object; ``minutes_up`` is the night's window for it;
    ``field_mags`` are V magnitudes of the stars in the frame, of which it says how many clip.
    """
    if not (math.isfinite(seconds) and seconds > 0):
        raise UsageError(f"an exposure of {seconds:g} s", "give a time above 0 s")
    if frames < 1:
        raise UsageError(f"{frames} frames", "take at least one")
    if obj is None and dec_deg is None:
        raise UsageError("neither object nor declination given", "name one")
    camera, optics = kit.camera, kit.optics
    air = {"airmass": conditions.airmass, "extinction_mag": conditions.extinction_mag}
    fwhm_arcsec = star_width_arcsec(kit, site)
    fwhm_px = math.hypot(fwhm_arcsec / kit.scale_arcsec_per_px, PIXEL_BLUR_PX)
    dec = obj.dec_deg if obj is not None else float(dec_deg or 0.0)
    where: dict[str, float] = {
        "dec_deg": dec,
        "hour_angle_deg": conditions.hour_angle_deg,
        "latitude_deg": site.latitude_deg,
    }
    tolerance = trail_tolerance_arcsec(fwhm_arcsec)
    keepers = keeper_curve(
        kit.mount,
        tolerance_arcsec=tolerance,
        dec_deg=dec,
        hour_angle_deg=conditions.hour_angle_deg,
        latitude_deg=site.latitude_deg,
        gusts_per_hour=GUSTS_PER_HOUR[site.wind],
    )
    sky_rate = sky_rate_e_per_px_s(kit, conditions.sky_mag_arcsec2)
    background_rate = sky_rate + camera.dark_e_per_s
    limited = sky_limited_s(camera.read_noise_e, background_rate)

    model = object_model(obj) if obj is not None else None
    notes = conditions_notes(site, conditions)
    told: tuple[Subject, ...] = ()
    measures = "nothing: no object there"
    if obj is not None and model is not None:
        if model.assumed:
            notes.append(model.assumed)
        told = subjects(
            kit, obj, model, conditions=conditions, fwhm_arcsec=fwhm_arcsec, fwhm_px=fwhm_px
        )
        measures = told[0].what
    elif obj is not None:
        notes.append(f"{obj.name} ({obj.kind}) has no size or sends no light of its own")
        measures = "nothing: the object sends no light to measure"

    def frame_snr(part: Subject, exposure: float) -> float:
        return part.snr(kit, exposure, sky_e_per_px_s=sky_rate, fwhm_px=fwhm_px)

    core_rate = core_e_per_px_s(kit, model, fwhm_arcsec, **air) if model is not None else 0.0
    sky_peak = float(sky_e_per_px_s(conditions.sky_mag_arcsec2, optics, camera).max())
    well_s = core_full_s(kit, core_rate, sky_peak)
    suggestion = suggest_exposure(
        sky_limited_s=limited,
        saturation_s=well_s,
        background_e_per_px_s=background_rate,
        read_noise_e=camera.read_noise_e,
        keepers=keepers,
        window_s=math.inf if minutes_up is None else 60.0 * minutes_up,
    )
    singles = [frame_snr(part, seconds) for part in told]
    single = singles[0] if singles else None
    at_suggested = frame_snr(told[0], suggestion.exposure_s) if told else None
    wanted = None
    if at_suggested:
        wanted = int(np.clip(math.ceil((WANTED_SNR / at_suggested) ** 2), 1, MOST_FRAMES))
    window = None
    if minutes_up is not None:
        window = int(minutes_up * 60.0 / (suggestion.exposure_s + BETWEEN_FRAMES_S))
    share = keepers(seconds)
    smear_px = _corner_smear_px(kit, seconds, conditions, dec, site.latitude_deg)
    if smear_px >= 0.5:
        notes.append(
            f"the polar axis turns the field: stars in the corners smear by {smear_px:.1f} px"
        )
    zero = float(mosaic_mean(star_e_per_s(0.0, optics, camera, **air)))

    def star_reached(count: float) -> float:
        # Stacked frames act as one of so many times the light, background and read-out variance.
        return faintest_mag(
            zero,
            seconds * count,
            fwhm_px,
            background_e_per_px=background_rate * seconds * count,
            read_noise_e=camera.read_noise_e * math.sqrt(count),
            wanted_snr=DETECTED_SNR,
        )

    stacked = max(1.0, frames * share)
    taking = Taking(seconds, stacked, conditions.sky_mag_arcsec2, fwhm_arcsec=fwhm_arcsec, **air)
    core, seen = _extents(model, kit, taking)
    still = kit.mount.driven == "none"
    return ExposurePlan(
        name=obj.name if obj is not None else "",
        exposure_s=float(seconds),
        frames=frames,
        measures=measures,
        object_e_per_px=told[0].rate_e_per_px_s * seconds if told else None,
        sky_e_per_px=sky_rate * seconds,
        dark_e_per_px=camera.dark_e_per_s * seconds,
        read_noise_e=camera.read_noise_e,
        snr=single,
        snr_total=None if single is None else single * math.sqrt(frames),
        fwhm_px=fwhm_px,
        faintest_mag=star_reached(1.0),
        sky_limited_s=limited,
        hold_time_s=keepers.hold_time_s(),
        keeper_fraction=share,
        suggested_s=suggestion.exposure_s,
        suggested_frames=wanted,
        minutes_up=minutes_up,
        frames_in_window=window,
        limit=suggestion.limit,
        time_cost=suggestion.time_cost,
        parts=tuple(
            {"what": part.what, "snr": value, "snr_total": value * math.sqrt(frames)}
            for part, value in zip(told, singles, strict=True)
        ),
        faintest_mag_total=star_reached(stacked),
        faintest_mag_arcsec2=faintest_mag_arcsec2(kit, taking),
        core_arcmin=None if core is None else core.axes_arcmin,
        seen_arcmin=None if seen is None else seen.axes_arcmin,
        seen_mag_arcsec2=None if seen is None else seen.edge_mag_arcsec2,
        trail_arcsec=_trails(kit, seconds, where),
        keepers_by_exposure=tuple((float(t), keepers(t)) for t in STEPS_S if t >= 1.0),
        untrailed_s=untrailed_s(tolerance, dec) if still else None,
        session=plan_session(
            kit,
            exposure_s=suggestion.exposure_s,
            keeper_fraction=suggestion.keeper_fraction,
            wanted_frames=wanted,
            minutes_up=minutes_up,
            drift_arcsec_per_min=drift_arcsec_per_min(kit.mount, **where),
            temperature_c=site.temperature_c,
            room_arcsec=_room_arcsec(kit, obj),
        ),
        saturates=_saturates(kit, obj, seconds, well_s, fwhm_px, air, field_mags),
        altitude_deg=conditions.altitude_deg,
        sky_mag_arcsec2=conditions.sky_mag_arcsec2,
        text=plan_words(
            seconds=seconds,
            frames=frames,
            singles=[(part.what, value) for part, value in zip(told, singles, strict=True)],
            keepers=share,
            untrailed_s=untrailed_s(tolerance, dec) if still else None,
            suggestion=suggestion,
            wanted=wanted,
            at_suggested=at_suggested,
            window=window,
        ),
        notes=tuple(notes),
    )


def _trails(kit: Kit, seconds: float, where: dict[str, float]) -> tuple[float, float, float]:
    """Tenth, middle and ninetieth hundredth of the trail lengths over the worm's phases, arcsec."""
    lengths = trail_lengths_arcsec(
        seconds,
        kit.mount,
        dec_deg=where["dec_deg"],
        hour_angle_deg=where["hour_angle_deg"],
        latitude_deg=where["latitude_deg"],
        phases=180,
    )
    low, middle, high = (float(v) for v in np.quantile(lengths, [0.1, 0.5, 0.9]))
    return low, middle, high


def _extents(
    model: ObjectModel | None, kit: Kit, taking: Taking
) -> tuple[Extent | None, Extent | None]:
    """What stands out in one exposure, and what is above the noise of all of them."""
    if model is None:
        return None, None
    one = replace(taking, frames=1.0)
    return seen_extent(model, kit, one, wanted_snr=CORE_SNR), seen_extent(model, kit, taking)


def _room_arcsec(kit: Kit, obj: SkyObject | None) -> float:
    """How far an object may wander from the frame's middle before its edge comes close."""
    half = min(kit.field_width_deg, kit.field_height_deg) * 1800.0
    size = 0.0 if obj is None else 30.0 * (obj.major_arcmin or 0.0)
    # An object as large as the frame is centred again before it loses a twentieth of it.
    return max(CLOSE_TO_EDGE * half - size, 0.1 * half)


def _corner_smear_px(
    kit: Kit, seconds: float, conditions: Conditions, dec_deg: float, latitude_deg: float
) -> float:
    """How far field rotation carries a corner star during one exposure, pixels."""
    if kit.mount.driven == "none":
        return 0.0
    turned = field_rotation_deg(
        seconds,
        kit.mount,
        dec_deg=dec_deg,
        hour_angle_deg=conditions.hour_angle_deg,
        latitude_deg=latitude_deg,
    )
    corner_px = math.hypot(kit.camera.width_px, kit.camera.height_px) / 2.0
    return abs(math.radians(turned)) * corner_px


def _saturates(
    kit: Kit,
    obj: SkyObject | None,
    seconds: float,
    well_s: float,
    fwhm_px: float,
    air: dict[str, float],
    field_mags: tuple[float, ...],
) -> tuple[str, ...]:
    out = []
    if obj is not None and seconds > well_s:
        out.append(f"the core of {obj.name} (full after {well_s:.0f} s)")
    peak = float(np.max(star_e_per_s(0.0, kit.optics, kit.camera, **air))) / (
        GAUSSIAN_AREA * fwhm_px**2
    )
    limit = -2.5 * math.log10(kit.camera.saturation_e / (peak * seconds))
    clipped = sum(mag < limit for mag in field_mags)
    if clipped:
        noun = "star" if clipped == 1 else "stars"
        out.append(f"{clipped} {noun} in the frame brighter than magnitude {limit:.1f}")
    return tuple(out)
