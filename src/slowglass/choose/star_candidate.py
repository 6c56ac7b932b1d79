"""A double, a red star or an asteroid as a candidate: its answers, score and reason."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np

from slowglass.choose.answers import Candidate
from slowglass.choose.detail import LATE_H, HopSummary, Moment, reachable
from slowglass.choose.rank import placed_words, reach_score
from slowglass.choose.star_detail import (
    companion_snr,
    split_share,
    star_answers,
    star_exposure_s,
    star_fit,
    star_looks,
    star_praise,
    star_rates,
    star_sight_score,
)
from slowglass.expose.conditions import site_extinction_mag
from slowglass.expose.tracking import GUSTS_PER_HOUR, keeper_curve, trail_tolerance_arcsec
from slowglass.find.direction import compass_words
from slowglass.kit.model import Kit, Site
from slowglass.sky.objects import SkyObject


def star_candidate(
    obj: SkyObject,
    moment: Moment,
    hop: HopSummary,
    *,
    kit: Kit,
    site: Site,
    fwhm_arcsec: float,
    bv: float,
    second_mag: float,
    second_bv: float,
    together: float = 0.0,
    hold_s: float | None = None,
) -> Candidate:
    """The four answers for a star sight at its best moment; a single star's companion is NaN.

    ``together`` is 1 for pairs that move across the sky as one.
    """
    mags = {
        "mag": np.array([obj.mag], float),
        "bv": np.array([bv]),
        "second_mag": np.array([second_mag]),
        "second_bv": np.array([second_bv]),
    }
    rates = star_rates(
        **mags,
        airmass=np.array([moment.airmass]),
        sky_mag_arcsec2=np.array([moment.sky_mag_arcsec2]),
        extinction_mag=site_extinction_mag(site),
        fwhm_arcsec=fwhm_arcsec,
        kit=kit,
    )
    curve = keeper_curve(
        kit.mount,
        tolerance_arcsec=trail_tolerance_arcsec(fwhm_arcsec),
        dec_deg=obj.dec_deg,
        hour_angle_deg=moment.hour_angle_deg,
        latitude_deg=site.latitude_deg,
        gusts_per_hour=GUSTS_PER_HOUR[site.wind],
    )
    hold = hold_s or curve.hold_time_s()
    exposure = star_exposure_s(float(rates.full_s[0]), hold)
    pair = math.isfinite(second_mag)
    apart = (obj.major_arcmin or 0.0) * 60.0
    split = None
    if pair:
        step = np.array([second_mag - (obj.mag or 0.0)])
        split = float(split_share(np.array([apart]), step, fwhm_arcsec)[0])
    shows, holds = star_answers(
        obj,
        rates,
        split=split,
        second_mag=second_mag if pair else None,
        hold_s=hold,
        keeper_fraction=curve(exposure),
        exposure_s=exposure,
        kit=kit,
    )
    clock = datetime.fromtimestamp(moment.unix_s, UTC)
    local = f"{clock.astimezone(ZoneInfo(site.timezone)):%H:%M}"
    sight = star_sight_score(
        np.array([obj.kind]),
        **mags,
        separation_arcsec=np.array([apart]),
        companion=companion_snr(rates, exposure, kit),
        fwhm_arcsec=fwhm_arcsec,
    )
    reach = reach_score(
        np.asarray(moment.altitude_deg),
        np.asarray(moment.minutes_up),
        np.asarray(float(hop.legs if hop.legs is not None else 1 if hop.anchor else 20)),
        np.asarray(moment.wait_h),
    )
    looks = star_looks(obj, bv=bv, second_mag=second_mag if pair else None, second_bv=second_bv)
    if together > 0.0:
        looks += ", on one path through space"
    late = datetime.fromtimestamp(moment.first_unix_s, ZoneInfo(site.timezone))
    reason = (
        f"{looks}: {star_praise(kind=obj.kind, split=split, exposure_s=exposure)}. "
        + placed_words(
            [],
            altitude_deg=moment.altitude_deg,
            direction=compass_words(moment.azimuth_deg),
            clock=local,
            moonlit_mag=0.0,
            hop_legs=hop.legs,
            start=hop.start,
            late_from=f"{late:%H:%M}" if moment.wait_h > LATE_H else "",
        )
    )
    fits = star_fit(obj, separation_arcsec=apart if pair else None, kit=kit)
    return Candidate(
        obj,
        fits,
        shows,
        holds,
        reachable(moment, hop, clock, local),
        float(sight[0] * reach),
        reason,
    )
