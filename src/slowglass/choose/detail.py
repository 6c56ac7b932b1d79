"""One candidate worked out in full: exposure, keepers, signal to noise, hop, and the words."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np

from slowglass.choose.answers import Candidate, Holds, Reachable, Shows
from slowglass.choose.framing import Answer, fit_frame, frame_fraction, size_words
from slowglass.choose.light import bright_part, core_axes_arcmin, parts_to_see
from slowglass.choose.rank import (
    fits_score,
    holds_score,
    reach_score,
    reason_words,
    shows_score,
    total_score,
)
from slowglass.choose.sift import LONGEST_EXPOSURE_S, SESSION_MIN
from slowglass.choose.visibility import (
    answer_for,
    light_rates,
    minutes_to_snr,
    single_snr,
    total_snr,
    wanted_exposure_s,
)
from slowglass.expose.conditions import site_extinction_mag
from slowglass.expose.measure import core_e_per_px_s, core_full_s, told_of_a_star
from slowglass.expose.noise import sky_limited_s
from slowglass.expose.plan import BETWEEN_FRAMES_S, WANTED_SNR
from slowglass.expose.profile import NEBULOUS, object_model
from slowglass.expose.signal import sky_e_per_px_s
from slowglass.expose.suggest import suggest_exposure
from slowglass.expose.tracking import (
    GUSTS_PER_HOUR,
    HOLD_SHARE,
    keeper_curve,
    trail_tolerance_arcsec,
)
from slowglass.find.direction import compass_words
from slowglass.kit.model import Kit, Site
from slowglass.sky.objects import SkyObject

EASY_LEGS = 8
LOW_ALT_DEG = 25.0
SHORT_WINDOW_MIN = 40.0
LATE_H = 5.0
"""Of darkness: what is well placed only after that is called late."""
WANTED_SHARE = 0.25
"""A mount that holds for this share of the wanted exposure costs some four times the hours."""


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


@dataclass(frozen=True)
class HopSummary:
    """The hop of a candidate: real when ``anchor`` or ``reason`` is set, else an estimate."""

    legs: int | None
    anchor: str | None = None
    start: str = ""
    """The anchor as one would name it aloud."""
    reason: str = ""
    estimate: bool = False


def candidate(
    obj: SkyObject,
    moment: Moment,
    hop: HopSummary,
    *,
    kit: Kit,
    site: Site,
    fwhm_arcsec: float,
    members: float,
    hold_s: float | None = None,
) -> Candidate:
    """The four answers for one object at its best moment, with score and reason.

    ``members`` is the number of stars to see in it, if it is a cluster.

    ``hold_s`` spares the search for the hold time, the dear part of it, where it is known.
    """
    major = obj.major_arcmin or math.nan
    minor = obj.minor_arcmin or major
    frame = (kit.field_width_deg, kit.field_height_deg)
    core = core_axes_arcmin(obj.kind, np.array([major]), np.array([minor]))
    fits = fit_frame(
        major_arcmin=obj.major_arcmin,
        minor_arcmin=obj.minor_arcmin,
        position_angle_deg=obj.position_angle_deg,
        core_arcmin=None if core is None else (float(core[0][0]), float(core[1][0])),
        field_deg=frame,
    )
    shows, holds, parts = _exposures(
        obj, moment, kit=kit, site=site, fwhm_arcsec=fwhm_arcsec, members=members, hold_s=hold_s
    )
    clock = datetime.fromtimestamp(moment.unix_s, UTC)
    local = _local(moment.unix_s, site)
    reach = reachable(moment, hop, clock, local)
    sides = max(frame) * 60.0, min(frame) * 60.0
    core_fraction = np.inf if core is None else float(frame_fraction(*core, *sides)[0])
    score = total_score(
        fits_score(
            np.asarray(fits.fraction if fits.fraction is not None else 0.5),
            np.asarray(core_fraction),
            core_apart=told_of_a_star(obj.kind),
        ),
        shows_score(
            np.asarray(shows.snr_total),
            np.asarray(parts),
            stars=told_of_a_star(obj.kind),
            smooth=obj.smooth,
        ),
        holds_score(np.asarray(holds.hold_time_s), np.asarray(holds.wanted_s)),
        reach_score(
            np.asarray(moment.altitude_deg),
            np.asarray(moment.minutes_up),
            np.asarray(float(hop.legs if hop.legs is not None else 20)),
            np.asarray(moment.wait_h),
        ),
        named=obj.named,
    )
    reason = reason_words(
        looks=_looks(obj, major, minor),
        fits=fits.answer,
        fraction=fits.fraction,
        snr_single=shows.snr_single,
        minutes_to_target=shows.minutes_to_target_snr,
        session_min=min(SESSION_MIN, moment.minutes_up),
        snr_total=shows.snr_total,
        exposure_s=shows.exposure_s,
        hold_time_s=holds.hold_time_s,
        wanted_s=holds.wanted_s,
        altitude_deg=moment.altitude_deg,
        direction=compass_words(moment.azimuth_deg),
        clock=local,
        moonlit_mag=moment.moonlit_mag,
        hop_legs=hop.legs,
        start=hop.start,
        late_from=_local(moment.first_unix_s, site) if moment.wait_h > LATE_H else "",
    )
    return Candidate(obj, fits, shows, holds, reach, float(score), reason)


def _exposures(
    obj: SkyObject,
    moment: Moment,
    *,
    kit: Kit,
    site: Site,
    fwhm_arcsec: float,
    members: float,
    hold_s: float | None,
) -> tuple[Shows, Holds, float]:
    axes = obj.major_arcmin or math.nan, obj.minor_arcmin or obj.major_arcmin or math.nan
    model = object_model(obj)
    if model is None:
        raise ValueError(f"{obj.id} gives no light")
    part, extinction = bright_part(obj.kind, model), site_extinction_mag(site)
    rates = light_rates(
        part,
        sky_mag_arcsec2=np.array([moment.sky_mag_arcsec2]),
        airmass=np.array([moment.airmass]),
        extinction_mag=extinction,
        fwhm_arcsec=fwhm_arcsec,
        kit=kit,
    )
    read_noise, background = kit.camera.read_noise_e, float(rates.background_px_e_s[0])
    tolerance = trail_tolerance_arcsec(fwhm_arcsec)
    curve = keeper_curve(
        kit.mount,
        tolerance_arcsec=tolerance,
        dec_deg=obj.dec_deg,
        hour_angle_deg=moment.hour_angle_deg,
        latitude_deg=site.latitude_deg,
        gusts_per_hour=GUSTS_PER_HOUR[site.wind],
    )
    hold = curve.hold_time_s()
    suggestion = suggest_exposure(
        sky_limited_s=min(sky_limited_s(read_noise, background), LONGEST_EXPOSURE_S),
        saturation_s=core_full_s(
            kit,
            core_e_per_px_s(
                kit, model, fwhm_arcsec, airmass=moment.airmass, extinction_mag=extinction
            ),
            float(np.max(sky_e_per_px_s(moment.sky_mag_arcsec2, kit.optics, kit.camera))),
        ),
        background_e_per_px_s=background,
        read_noise_e=read_noise,
        keepers=curve,
        window_s=60.0 * moment.minutes_up,
    )
    exposure, keepers = suggestion.exposure_s, suggestion.keeper_fraction
    session = min(SESSION_MIN, moment.minutes_up)
    single = single_snr(rates, exposure)
    # twilight, Moon and low air may make these minutes worth fewer at the best moment
    worth = moment.session_min if moment.session_min > 0.0 else session
    total = float(total_snr(single, exposure, keepers, worth)[0])
    minutes = float(minutes_to_snr(single, exposure, max(keepers, 1e-9))[0])
    minutes *= max(1.0, session / worth)
    frames = int(session * 60.0 / (exposure + BETWEEN_FRAMES_S))
    if part.stars_mag is None:
        what = "its bright part"
    else:
        what = f"a member star of magnitude {float(part.stars_mag[0]):.1f}"
        if obj.kind == NEBULOUS:
            what += " (its nebula is not counted)"
    if minutes <= session:
        when = f"{WANTED_SNR:.0f} after {max(1, round(minutes))} min"
    else:
        when = f"{WANTED_SNR:.0f} would take {_long(minutes)}"
    doubt = f" ({model.assumed})" if model.assumed else ""
    shows = Shows(
        answer_for(total),
        float(single[0]),
        total,
        minutes,
        f"signal to noise of {what}: {float(single[0]):.1f} in one {exposure:g} s exposure, "
        f"{total:.0f} from {session:.0f} min; {when}{doubt}",
        exposure,
        frames,
    )
    wanted = float(wanted_exposure_s(rates)[0])
    ratio = hold / wanted
    answer: Answer = "yes" if ratio >= 1.0 else "barely" if ratio >= WANTED_SHARE else "no"
    text = (
        f"{keepers:.0%} of {exposure:g} s exposures stay round at declination "
        f"{obj.dec_deg:+.0f}°; {HOLD_SHARE:.0%} do up to {hold:.0f} s"
    )
    if answer != "yes":
        text += f", while {_seconds(wanted)} would be wanted against read noise"
    parts = parts_to_see(
        part,
        single,
        major_arcmin=np.array([axes[0]]),
        minor_arcmin=np.array([axes[1]]),
        fwhm_arcsec=fwhm_arcsec,
        members=np.array([members]),
    )
    return shows, Holds(answer, keepers, hold, text, wanted), float(parts[0])


def reachable(moment: Moment, hop: HopSummary, clock: datetime, local: str) -> Reachable:
    """How high, how long and how far by hops, told with the moment on the site's clock."""
    by_eye = hop.anchor is not None and not hop.legs
    easy_hop = by_eye or (hop.legs is not None and hop.legs <= EASY_LEGS)
    high = moment.altitude_deg >= LOW_ALT_DEG and moment.minutes_up >= SHORT_WINDOW_MIN
    answer: Answer = "yes" if easy_hop and high else "barely" if moment.minutes_up > 0 else "no"
    text = (
        f"{moment.altitude_deg:.0f}° up in the {compass_words(moment.azimuth_deg)} at {local}, "
        f"clear of the skyline in darkness for {_long(moment.minutes_up)}"
    )
    if hop.reason:
        text += f"; {hop.reason}"
    elif hop.estimate:
        text += f"; the hop should take about {_legs(hop.legs)} (estimate)"
    elif hop.legs:
        text += f"; {_legs(hop.legs)} from {hop.start}"
    return Reachable(
        answer,
        clock,
        moment.altitude_deg,
        moment.minutes_up,
        hop.legs,
        text,
        hop.estimate,
        hop.anchor,
    )


def _looks(obj: SkyObject, major: float, minor: float) -> str:
    kind = obj.kind[0].upper() + obj.kind[1:]
    words = f"{kind}, {size_words(major, minor)}"
    return words if obj.mag is None else f"{words}, magnitude {obj.mag:.1f}"


def _local(unix_s: float, site: Site) -> str:
    return f"{datetime.fromtimestamp(unix_s, ZoneInfo(site.timezone)):%H:%M}"


def _legs(legs: int | None) -> str:
    return "one leg" if legs == 1 else f"{legs} legs"


def _seconds(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 120 else f"{seconds / 60:.0f} min"


def _long(minutes: float) -> str:
    if not math.isfinite(minutes) or minutes > 60000:
        return "for ever"
    return f"{minutes:.0f} min" if minutes < 120 else f"{minutes / 60:.0f} h"
