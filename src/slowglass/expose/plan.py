"""One exposure of one object in numbers: light, noise, what limits it, what to do instead."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np

from slowglass.errors import UsageError
from slowglass.expose.conditions import Conditions
from slowglass.expose.measure import (
    core_e_per_px_s,
    core_full_s,
    member_mag,
    smeared_mag_arcsec2,
    told_of_a_star,
)
from slowglass.expose.noise import (
    Suggestion,
    faintest_mag,
    resolution_pixels,
    sky_limited_s,
    snr,
    star_snr,
    suggest_exposure,
)
from slowglass.expose.profile import light_of, object_model
from slowglass.expose.signal import (
    mosaic_mean,
    sky_e_per_px_s,
    star_e_per_s,
    surface_e_per_px_s,
)
from slowglass.expose.tracking import (
    GUSTS_PER_HOUR,
    SHAKE_FACTOR,
    field_rotation_deg,
    hold_time_s,
    keeper_fraction,
    trail_tolerance_arcsec,
)
from slowglass.kit.model import Kit, Site
from slowglass.kit.optics import FWHM_PER_SIGMA, PIXEL_BLUR_PX, airy_fwhm_arcsec, star_fwhm_arcsec
from slowglass.sky.objects import SkyObject

WANTED_SNR = 30.0
"""Signal to noise per resolution element at which an object looks smooth in the stack."""
MOST_FRAMES = 999
FEW_FRAMES, FEW_FRAMES_MIN = 20, 20
"""Fewer frames than this make no stack worth the walk outside, whatever the core's signal to
noise: 20 minutes are then advised."""
BETWEEN_FRAMES_S = 2.0
"""Read-out and shutter between two exposures."""
DETECTED_SNR = 5.0


@dataclass(frozen=True)
class ExposurePlan:
    """What an exposure collects, in electrons per pixel (mean over the colour mosaic).

    ``object_e_per_px`` and ``snr`` are for the object's mean brightness inside its half-light
    ellipse and one resolution element (a disc one FWHM across) of one frame; of an object that
    is a star cluster, for a typical member, in that star's best aperture (``measures`` says
    which). Both are None for a place without an object.
    """

    name: str
    exposure_s: float
    frames: int
    measures: str
    object_e_per_px: float | None
    sky_e_per_px: float
    dark_e_per_px: float
    read_noise_e: float
    snr: float | None
    snr_total: float | None
    fwhm_px: float
    faintest_mag: float
    sky_limited_s: float
    hold_time_s: float
    keeper_fraction: float
    suggested_s: float
    suggested_frames: int | None
    """Good frames of that length that reach the wanted signal to noise: a least number."""
    minutes_up: float | None
    """How long the object is clear of the skyline in darkness; None when not asked for a night."""
    frames_in_window: int | None
    """So many frames of the suggested length fit into that."""
    limit: str
    saturates: tuple[str, ...]
    altitude_deg: float
    sky_mag_arcsec2: float
    text: str
    notes: tuple[str, ...] = ()
    outputs: tuple[str, ...] = field(default=())

    def to_json(self) -> dict[str, Any]:
        """Plain values for JSON: tuples become lists, an infinite time null."""
        plain: dict[str, Any] = {}
        for key, value in asdict(self).items():
            if isinstance(value, float):
                value = round(value, 4) if math.isfinite(value) else None
            plain[key] = list(value) if isinstance(value, tuple) else value
        return plain


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
    track: dict[str, float] = {
        "tolerance_arcsec": trail_tolerance_arcsec(fwhm_arcsec),
        "dec_deg": dec,
        "hour_angle_deg": conditions.hour_angle_deg,
        "latitude_deg": site.latitude_deg,
        "gusts_per_hour": GUSTS_PER_HOUR[site.wind],
    }
    sky_bands = sky_e_per_px_s(conditions.sky_mag_arcsec2, optics, camera)
    sky_rate = float(mosaic_mean(sky_bands))
    background_rate = sky_rate + camera.dark_e_per_s
    limited = sky_limited_s(camera.read_noise_e, background_rate)
    hold = hold_time_s(kit.mount, **track)

    model = object_model(obj) if obj is not None else None
    notes: list[str] = []
    if conditions.brightened_mag >= 0.2:
        notes.append(
            f"Moon or twilight makes the sky {conditions.brightened_mag:.1f} magnitudes brighter "
            "than this site's dark sky"
        )
    measures, rate, star_mag = "nothing: no object there", None, None
    if obj is not None and model is not None:
        if model.assumed:
            notes.append(model.assumed)
        if not told_of_a_star(obj.kind):
            measures = "mean brightness inside the half-light ellipse"
            patch = 4.0 * model.half_light_arcsec**2 * model.axis_ratio
            surface = smeared_mag_arcsec2(model.mean_mag_arcsec2, patch, fwhm_arcsec)
            rate = float(
                mosaic_mean(surface_e_per_px_s(surface, optics, camera, light=model.light, **air))
            )
        else:
            star_mag = member_mag(model.mag)
            measures = f"a member star of magnitude {star_mag:.1f}"
            whole = star_e_per_s(star_mag, optics, camera, light=light_of(obj.kind), **air)
            rate = float(mosaic_mean(whole)) / (1.133 * fwhm_px**2)
    elif obj is not None:
        notes.append(f"{obj.name} ({obj.kind}) has no size or sends no light of its own")
        measures = "nothing: the object sends no light to measure"

    def frame_snr(exposure: float) -> float | None:
        if rate is None:
            return None
        noise: dict[str, float] = {
            "sky_e_per_px": sky_rate * exposure,
            "dark_e_per_px": camera.dark_e_per_s * exposure,
            "read_noise_e": camera.read_noise_e,
        }
        if star_mag is not None:
            return float(star_snr(rate * exposure * 1.133 * fwhm_px**2, fwhm_px, **noise))
        cells = resolution_pixels(fwhm_px)
        return float(snr(rate * exposure * cells, pixels=cells, **noise))

    core_rate = core_e_per_px_s(kit, model, fwhm_arcsec, **air) if model is not None else 0.0
    well_s = core_full_s(kit, core_rate, float(sky_bands.max()))
    suggestion = suggest_exposure(
        sky_limited_s=limited,
        hold_time_s=hold,
        saturation_s=well_s,
        background_e_per_px_s=background_rate,
        read_noise_e=camera.read_noise_e,
    )
    single = frame_snr(seconds)
    at_suggested = frame_snr(suggestion.exposure_s)
    wanted = None
    if at_suggested:
        wanted = int(np.clip(math.ceil((WANTED_SNR / at_suggested) ** 2), 1, MOST_FRAMES))
    window = None
    if minutes_up is not None:
        window = int(minutes_up * 60.0 / (suggestion.exposure_s + BETWEEN_FRAMES_S))
    keepers = keeper_fraction(kit.mount, seconds, **track)
    smear_px = _corner_smear_px(kit, seconds, conditions, dec, site.latitude_deg)
    if smear_px >= 0.5:
        notes.append(
            f"the polar axis turns the field: stars in the corners smear by {smear_px:.1f} px"
        )
    zero = float(mosaic_mean(star_e_per_s(0.0, optics, camera, **air)))
    return ExposurePlan(
        name=obj.name if obj is not None else "",
        exposure_s=float(seconds),
        frames=frames,
        measures=measures,
        object_e_per_px=None if rate is None else rate * seconds,
        sky_e_per_px=sky_rate * seconds,
        dark_e_per_px=camera.dark_e_per_s * seconds,
        read_noise_e=camera.read_noise_e,
        snr=single,
        snr_total=None if single is None else single * math.sqrt(frames),
        fwhm_px=fwhm_px,
        faintest_mag=faintest_mag(
            zero,
            seconds,
            fwhm_px,
            background_e_per_px=background_rate * seconds,
            read_noise_e=camera.read_noise_e,
            wanted_snr=DETECTED_SNR,
        ),
        sky_limited_s=limited,
        hold_time_s=hold,
        keeper_fraction=keepers,
        suggested_s=suggestion.exposure_s,
        suggested_frames=wanted,
        minutes_up=minutes_up,
        frames_in_window=window,
        limit=suggestion.limit,
        saturates=_saturates(kit, obj, seconds, well_s, fwhm_px, air, field_mags),
        altitude_deg=conditions.altitude_deg,
        sky_mag_arcsec2=conditions.sky_mag_arcsec2,
        text=_text(
            seconds,
            frames,
            single,
            keepers,
            suggestion,
            wanted,
            keeper_fraction(kit.mount, suggestion.exposure_s, **track),
            at_suggested,
            window,
        ),
        notes=tuple(notes),
    )


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
    peak = float(np.max(star_e_per_s(0.0, kit.optics, kit.camera, **air))) / (1.133 * fwhm_px**2)
    limit = -2.5 * math.log10(kit.camera.saturation_e / (peak * seconds))
    clipped = sum(mag < limit for mag in field_mags)
    if clipped:
        noun = "star" if clipped == 1 else "stars"
        out.append(f"{clipped} {noun} in the frame brighter than magnitude {limit:.1f}")
    return tuple(out)


def _text(
    seconds: float,
    frames: int,
    single: float | None,
    keepers: float,
    suggestion: Suggestion,
    wanted: int | None,
    suggested_keepers: float,
    at_suggested: float | None,
    window: int | None,
) -> str:
    lines = []
    if single is not None:
        many = f", {single * math.sqrt(frames):.1f} after {frames}" if frames > 1 else ""
        lines.append(f"Signal to noise {single:.1f} in one frame of {seconds:g} s{many}.")
    lines.append(f"{keepers:.0%} of frames this long keep round stars.")
    lines.append(f"Suggested: {suggestion.text}.")
    if wanted is None or at_suggested is None:
        return " ".join(lines)
    if wanted >= MOST_FRAMES:
        lines.append(
            f"Even {MOST_FRAMES} such frames do not reach signal to noise {WANTED_SNR:g}: "
            "too faint for this kit."
        )
        return " ".join(lines)
    light = _light_words(wanted * suggestion.exposure_s)
    if wanted == 1:
        lines.append(
            f"One such frame reaches signal to noise {WANTED_SNR:g} per resolution element."
        )
    else:
        taken = math.ceil(wanted / max(suggested_keepers, 0.05))
        spare = f" (take {taken}, some will trail)" if taken > wanted else ""
        lines.append(
            f"{wanted} good frames of that length{spare}, {light} of light, reach signal to noise "
            f"{WANTED_SNR:g} per resolution element."
        )
    if wanted < FEW_FRAMES:
        lines.append(
            f"That is the least: take {FEW_FRAMES_MIN} min or more, for faint outskirts; "
            "noise falls with the root of their number."
        )
    if window:
        reached = at_suggested * math.sqrt(max(1, int(window * suggested_keepers)))
        told = f" and together reach {reached:.0f}" if reached < 10.0 * WANTED_SNR else ""
        lines.append(f"{window} such frames fit into the night's window{told}.")
    return " ".join(lines)


def _light_words(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 120 else f"{seconds / 60:.0f} min"
