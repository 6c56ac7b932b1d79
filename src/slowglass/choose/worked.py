"""Exposure, keepers, signal to noise and extent of one object at its best moment."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from slowglass.choose.answers import Holds, Shows
from slowglass.choose.framing import Answer, margin_arcmin
from slowglass.choose.light import BrightPart, bright_part, glow_part, has_core
from slowglass.choose.sift import LONGEST_EXPOSURE_S, SESSION_MIN
from slowglass.choose.visibility import (
    Rates,
    answer_for,
    capped_snr,
    light_rates,
    minutes_to_snr,
    single_snr,
    total_snr,
    uneven_cap,
    wanted_exposure_s,
    wanted_of_photons,
)
from slowglass.expose.conditions import site_extinction_mag
from slowglass.expose.isophote import CORE_SNR, Extent, Taking, seen_extent
from slowglass.expose.measure import core_e_per_px_s, core_full_s
from slowglass.expose.noise import sky_limited_s
from slowglass.expose.plan import BETWEEN_FRAMES_S, WANTED_SNR
from slowglass.expose.profile import NEBULOUS, ObjectModel, object_model
from slowglass.expose.session import DITHER_PX
from slowglass.expose.signal import sky_e_per_px_s
from slowglass.expose.suggest import Suggestion, seconds_words, span_words, suggest_exposure
from slowglass.expose.tracking import (
    GUSTS_PER_HOUR,
    HOLD_SHARE,
    KeeperCurve,
    drift_arcsec_per_min,
    keeper_curve,
    trail_tolerance_arcsec,
)
from slowglass.kit.model import Kit, Site
from slowglass.sky.objects import SkyObject

WANTED_SHARE = 0.25
"""A mount that holds for this share of the wanted exposure costs some four times the hours."""
CORE_SHARE = 0.15
"""Least share of an object's light that makes a core worth a picture of its own."""


@dataclass(frozen=True)
class Moment:
    """An object's best moment tonight (see :class:`~slowglass.choose.evening.BestMoments`)."""

    minutes_up: float
    unix_s: float
    altitude_deg: float
    azimuth_deg: float
    hour_angle_deg: float
    airmass: float
    sky_mag_arcsec2: float
    moonlit_mag: float
    first_unix_s: float
    wait_h: float
    from_unix_s: float = math.nan
    to_unix_s: float = math.nan
    moonless_min: float = math.nan
    blocked_min: float = 0.0
    session_min: float = math.nan

    @property
    def clock_min(self) -> float:
        """Minutes a series of exposures lasts in this night."""
        return min(SESSION_MIN, self.minutes_up)

    @property
    def worth_min(self) -> float:
        """What those are worth at the best moment: twilight, Moon and low air spoil some."""
        return self.session_min if self.session_min > 0.0 else self.clock_min


@dataclass(frozen=True)
class Worked:
    """One object worked out: how it shows and holds, and how far it rises above the noise.

    ``core`` stands out in one exposure and makes a picture of its own, ``seen`` is above the
    noise of all the keepers; ``margin_arcmin`` is the room to keep on each side of the frame.
    """

    part: BrightPart
    taking: Taking
    shows: Shows
    holds: Holds
    core: Extent | None
    seen: Extent | None
    margin_arcmin: float


@dataclass(frozen=True)
class _Circumstances:
    moment: Moment
    kit: Kit
    site: Site
    fwhm_arcsec: float

    def rates(self, part: BrightPart) -> Rates:
        return light_rates(
            part,
            sky_mag_arcsec2=np.array([self.moment.sky_mag_arcsec2]),
            airmass=np.array([self.moment.airmass]),
            extinction_mag=site_extinction_mag(self.site),
            fwhm_arcsec=self.fwhm_arcsec,
            kit=self.kit,
        )


def work_out(
    obj: SkyObject,
    moment: Moment,
    *,
    kit: Kit,
    site: Site,
    fwhm_arcsec: float,
    hold_s: float | None = None,
) -> Worked:
    """An object at its best moment with a kit; ``hold_s`` stands in for its own hold time."""
    model = object_model(obj)
    if model is None:
        raise ValueError(f"{obj.id} gives no light")
    under = _Circumstances(moment, kit, site, fwhm_arcsec)
    part = bright_part(obj.kind, model)
    rates = under.rates(part)
    where = {
        "dec_deg": obj.dec_deg,
        "hour_angle_deg": moment.hour_angle_deg,
        "latitude_deg": site.latitude_deg,
    }
    curve = keeper_curve(
        kit.mount,
        tolerance_arcsec=trail_tolerance_arcsec(fwhm_arcsec),
        dec_deg=obj.dec_deg,
        hour_angle_deg=moment.hour_angle_deg,
        latitude_deg=site.latitude_deg,
        gusts_per_hour=GUSTS_PER_HOUR[site.wind],
    )
    suggestion = _suggestion(model, rates, curve, under)
    frames = int(moment.clock_min * 60.0 / (suggestion.exposure_s + BETWEEN_FRAMES_S))
    worth = moment.worth_min / max(moment.clock_min, 1e-9)
    taking = Taking(
        suggestion.exposure_s,
        max(1.0, frames * suggestion.keeper_fraction * worth),
        moment.sky_mag_arcsec2,
        moment.airmass,
        site_extinction_mag(site),
        fwhm_arcsec,
    )
    core = None
    if has_core(obj.kind):
        core = seen_extent(model, kit, replace(taking, frames=1.0), wanted_snr=CORE_SNR)
        if core is not None and core.light_share < CORE_SHARE:
            core = None
    return Worked(
        part,
        taking,
        _shows(obj, model, part, suggestion, frames, under),
        _holds(obj, hold_s or curve.hold_time_s(), rates, suggestion),
        core,
        seen_extent(model, kit, taking),
        margin_arcmin(
            dither_arcsec=DITHER_PX[1] * kit.scale_arcsec_per_px,
            drift_arcsec_per_min=drift_arcsec_per_min(kit.mount, **where),
        ),
    )


def _suggestion(
    model: ObjectModel, rates: Rates, curve: KeeperCurve, under: _Circumstances
) -> Suggestion:
    kit, moment = under.kit, under.moment
    read_noise, background = kit.camera.read_noise_e, float(rates.background_px_e_s[0])
    core_rate = core_e_per_px_s(
        kit,
        model,
        under.fwhm_arcsec,
        airmass=moment.airmass,
        extinction_mag=site_extinction_mag(under.site),
    )
    sky_peak = float(np.max(sky_e_per_px_s(moment.sky_mag_arcsec2, kit.optics, kit.camera)))
    return suggest_exposure(
        sky_limited_s=min(sky_limited_s(read_noise, background), LONGEST_EXPOSURE_S),
        saturation_s=core_full_s(kit, core_rate, sky_peak),
        background_e_per_px_s=background,
        read_noise_e=read_noise,
        keepers=curve,
        window_s=60.0 * moment.minutes_up,
    )


def _shows(
    obj: SkyObject,
    model: ObjectModel,
    part: BrightPart,
    suggestion: Suggestion,
    frames: int,
    under: _Circumstances,
) -> Shows:
    exposure, keepers = suggestion.exposure_s, suggestion.keeper_fraction
    clock, worth = under.moment.clock_min, under.moment.worth_min

    def ratios(of: BrightPart) -> tuple[float, float, float]:
        rates = under.rates(of)
        one, cap = single_snr(rates, exposure), uneven_cap(rates)
        total = capped_snr(total_snr(one, exposure, keepers, worth), cap)
        return float(one[0]), float(total[0]), float(cap[0])

    single, total, cap = ratios(part)
    goal = wanted_of_photons(WANTED_SNR, cap)
    minutes = float(minutes_to_snr(single, exposure, max(keepers, 1e-9), wanted_snr=goal))
    minutes *= max(1.0, clock / worth)
    what = "its bright part"
    if part.stars_mag is not None:
        what = f"a member star of magnitude {float(part.stars_mag[0]):.1f}"
    if minutes <= clock:
        when = f"{WANTED_SNR:.0f} after {max(1, round(minutes))} min"
    else:
        when = f"{WANTED_SNR:.0f} would take {long_words(minutes)}"
        if not math.isfinite(minutes):
            when = f"so bright a sky never lets it reach {WANTED_SNR:.0f}"
    text = (
        f"signal to noise of {what}: {single:.1f} in one {seconds_words(exposure)} exposure, "
        f"{total:.0f} from {clock:.0f} min; {when}"
    )
    if obj.kind == NEBULOUS:
        one, both, _ = ratios(glow_part(model))
        text += f"; of its nebula: {one:.1f} in one, {both:.0f} in all"
        if answer_for(both) == "no":
            text += ", so that stays hidden"
    if model.assumed:
        text += f" ({model.assumed})"
    return Shows(answer_for(total), single, total, minutes, text, exposure, frames)


def _holds(obj: SkyObject, hold_s: float, rates: Rates, suggestion: Suggestion) -> Holds:
    wanted = float(wanted_exposure_s(rates)[0])
    ratio = hold_s / wanted
    answer: Answer = "yes" if ratio >= 1.0 else "barely" if ratio >= WANTED_SHARE else "no"
    keepers = suggestion.keeper_fraction
    text = (
        f"{keepers:.0%} of {seconds_words(suggestion.exposure_s)} exposures stay round at "
        f"declination {obj.dec_deg:+.0f}°; {HOLD_SHARE:.0%} do up to {hold_s:.3g} s"
    )
    if answer != "yes":
        text += f", while {span_words(wanted)} would be wanted against read noise"
    return Holds(answer, keepers, hold_s, text, wanted)


def long_words(minutes: float) -> str:
    """A stretch of a night in words: "40 min", "3 h", "for ever"."""
    if not math.isfinite(minutes) or minutes > 60000:
        return "for ever"
    return f"{minutes:.0f} min" if minutes < 120 else f"{minutes / 60:.0f} h"
