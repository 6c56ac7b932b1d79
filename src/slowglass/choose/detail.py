"""One candidate worked out in full: exposure, keepers, signal to noise, hop, and the words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np

from slowglass.choose.answers import Candidate, Reachable
from slowglass.choose.framing import Answer, fit_frame, frame_fraction, size_words
from slowglass.choose.light import CATALOGUE_END_MAG, parts_to_see
from slowglass.choose.rank import (
    fits_score,
    holds_score,
    reach_score,
    reason_words,
    shows_score,
    total_score,
)
from slowglass.choose.sift import SESSION_MIN
from slowglass.choose.together import with_company, with_crowd
from slowglass.choose.worked import Moment, long_words, work_out
from slowglass.expose.isophote import cluster_extent_arcmin
from slowglass.expose.measure import told_of_a_star
from slowglass.expose.profile import believable_axes_arcmin
from slowglass.find.direction import compass_words
from slowglass.kit.model import Kit, Site
from slowglass.sky.catalogue import StarCatalogue
from slowglass.sky.objects import SkyObject

__all__ = ["HopSummary", "Moment", "candidate", "reachable"]

EASY_LEGS = 8
LOW_ALT_DEG = 25.0
SHORT_WINDOW_MIN = 40.0
LATE_H = 5.0
"""Of darkness: what is well placed only after that is called late."""


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
    neighbours: Sequence[SkyObject] = (),
    stars: StarCatalogue | None = None,
) -> Candidate:
    """The four answers for one object at its best moment, with score and reason.

    ``members`` is the number of stars to see in it, if it is a cluster. ``hold_s`` is the hold
    time where it is known. ``neighbours`` are objects within a frame's diagonal, of which the
    best to share the frame are told; ``stars`` tell how far a cluster's members reach.
    """
    major, minor = believable_axes_arcmin(obj)
    frame = (kit.field_width_deg, kit.field_height_deg)
    worked = work_out(obj, moment, kit=kit, site=site, fwhm_arcsec=fwhm_arcsec, hold_s=hold_s)
    core, shows, holds = worked.core, worked.shows, worked.holds
    fits = fit_frame(
        major_arcmin=major or None,
        minor_arcmin=minor or None,
        position_angle_deg=obj.position_angle_deg,
        core_arcmin=None if core is None else core.axes_arcmin,
        field_deg=frame,
        seen_arcmin=None if worked.seen is None else worked.seen.axes_arcmin,
        margin=worked.margin_arcmin,
    )
    if stars is not None and told_of_a_star(obj.kind) and worked.seen is None:
        crowd = cluster_extent_arcmin(stars, obj, reached_mag=CATALOGUE_END_MAG)
        fits = with_crowd(fits, crowd, obj)
    fits = with_company(fits, obj, neighbours, kit=kit, worked=worked)
    parts = float(
        parts_to_see(
            worked.part,
            np.array([shows.snr_single]),
            major_arcmin=np.array([major]),
            minor_arcmin=np.array([minor]),
            fwhm_arcsec=fwhm_arcsec,
            members=np.array([members]),
        )[0]
    )
    clock = datetime.fromtimestamp(moment.unix_s, UTC)
    local = _local(moment.unix_s, site)
    reach = reachable(moment, hop, clock, local)
    sides = max(frame) * 60.0, min(frame) * 60.0
    core_fraction = np.inf if core is None else float(frame_fraction(*core.axes_arcmin, *sides))
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


def reachable(moment: Moment, hop: HopSummary, clock: datetime, local: str) -> Reachable:
    """How high, how long and how far by hops, told with the moment on the site's clock."""
    by_eye = hop.anchor is not None and not hop.legs
    easy_hop = by_eye or (hop.legs is not None and hop.legs <= EASY_LEGS)
    high = moment.altitude_deg >= LOW_ALT_DEG and moment.minutes_up >= SHORT_WINDOW_MIN
    answer: Answer = "yes" if easy_hop and high else "barely" if moment.minutes_up > 0 else "no"
    text = (
        f"{moment.altitude_deg:.0f}° up in the {compass_words(moment.azimuth_deg)} at {local}, "
        f"clear of the skyline in darkness for {long_words(moment.minutes_up)}"
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
