"""What is worth an exposure tonight: the whole catalogue asked four questions."""

from __future__ import annotations

from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import numpy as np

from slowglass.choose.answers import Candidate, Choice, MoonTonight
from slowglass.choose.detail import HopSummary, Moment, candidate
from slowglass.choose.sift import Sifted, sift
from slowglass.errors import UsageError
from slowglass.expose.plan import star_width_arcsec
from slowglass.find.anchors import anchor_limit_mag
from slowglass.find.hour import coming_night, darkest_window, moments_between, site_night
from slowglass.find.moves import usable_move
from slowglass.find.service import route_to
from slowglass.kit.model import Kit, Site
from slowglass.progress import Report, silent
from slowglass.sky.night import Night
from slowglass.sky.place import Place
from slowglass.sky.store import Sky

SPARE, MOST_REFINED = 12, 90
"""So many objects beyond the length of the list have their tracking and hop worked out, since
the sifted order is only nearly right; and no more than so many in all."""


def choose_tonight(
    kit: Kit,
    site: Site,
    sky: Sky,
    *,
    night: date | None = None,
    limit: int = 20,
    report: Report = silent,
) -> Choice:
    """Objects worth an exposure in a night, best first; ``night`` is the evening's local date.

    None means the night under way or coming. A night without darkness is planned in its
    deepest twilight and says so; one without any is an empty choice with a reason.
    """
    if limit < 1:
        raise UsageError(f"a list of {limit} objects is no list", "ask for 1 or more")
    tonight = coming_night(site, datetime.now(UTC)) if night is None else site_night(site, night)
    window = darkest_window(tonight)
    if window is None:
        return _choice(
            tonight,
            timezone=site.timezone,
            reason=f"the Sun never goes 6° below the horizon at {site.name} in this night",
        )
    note = ""
    if tonight.darkness != "astronomical":
        note = (
            f"the sky does not get fully dark: planned for {tonight.darkness} twilight, "
            "whose light is counted"
        )
        if tonight.darkness == "civil":
            note += "; the eye finds only the brightest stars to hop from"
    report("choosing: sifting the catalogue", 0, 1)
    moments = moments_between(*window)
    slice_min = (window[1] - window[0]).total_seconds() / 60.0 / len(moments)
    fwhm = star_width_arcsec(kit, site)
    move = usable_move(kit)
    anchors = sky.stars.brightest(mag_limit=anchor_limit_mag(site))
    sifted = sift(
        sky.objects.columns,
        kit=kit,
        site=site,
        moments_s=moments,
        slice_min=slice_min,
        fwhm_arcsec=fwhm,
        anchors=anchors.vectors,
        max_leg_deg=move.max_leg_deg,
        stars=sky.stars,
    )
    found: list[Candidate] = []
    refined = min(limit + SPARE, MOST_REFINED)
    worked = min(len(sifted.rows), max(refined, limit))
    for i in range(worked):
        report("choosing: working out the best", i, worked)
        found.append(_candidate(i, sifted, kit, site, sky, fwhm, exact=i < refined))
    found.sort(key=lambda c: -c.score)
    report("choosing: done", worked, worked)
    reason = "" if found else f"nothing worth a frame clears the skyline of {site.name} that night"
    return _choice(
        tonight,
        timezone=site.timezone,
        objects=tuple(found[:limit]),
        considered=sifted.considered,
        note=note,
        reason=reason,
    )


def _candidate(
    i: int, sifted: Sifted, kit: Kit, site: Site, sky: Sky, fwhm: float, *, exact: bool
) -> Candidate:
    obj = sky.objects.get(str(sky.objects.columns["id"][sifted.rows[i]]))
    best = sifted.moments.take(np.array([i]))
    moment = Moment(**{name: float(values[0]) for name, values in vars(best).items()})
    hold_s = None if exact else float(sifted.hold_time_s[i])
    if exact:
        place = Place(obj.name, obj.ra_deg, obj.dec_deg, obj)
        route = route_to(kit, site, sky, place, when=datetime.fromtimestamp(moment.unix_s, UTC))
        hop = HopSummary(len(route.legs) or None, route.anchor, route.anchor_title, route.reason)
    else:
        hop = HopSummary(int(sifted.hop_legs[i]), estimate=True)
    return candidate(
        obj,
        moment,
        hop,
        kit=kit,
        site=site,
        fwhm_arcsec=fwhm,
        members=float(sifted.members[i]),
        hold_s=hold_s,
    )


def moon_words(night: Night, timezone: str) -> str:
    """When the Moon is up between sunset and sunrise: "up until 20:34", "up all night"."""

    def clock(moment: datetime) -> str:
        return f"{moment.astimezone(ZoneInfo(timezone)):%H:%M}"

    rises, sets = night.moon_rises, night.moon_sets
    if rises is None and sets is None:
        return "up all night" if night.moon_up_at_start else "down all night"
    if rises is None and sets is not None:
        return f"up until {clock(sets)}"
    if sets is None and rises is not None:
        return f"up from {clock(rises)}"
    assert rises is not None and sets is not None
    if rises < sets:
        return f"up from {clock(rises)} to {clock(sets)}"
    return f"up until {clock(sets)} and from {clock(rises)}"


def _choice(
    night: Night,
    *,
    timezone: str,
    objects: tuple[Candidate, ...] = (),
    considered: int = 0,
    note: str = "",
    reason: str = "",
) -> Choice:
    return Choice(
        night=night.date,
        dark_from=night.dark_from,
        dark_to=night.dark_to,
        darkness=night.darkness,
        moon=MoonTonight(
            night.moon_illuminated_fraction,
            night.moon_rises,
            night.moon_sets,
            moon_words(night, timezone),
        ),
        objects=objects,
        considered=considered,
        note=note,
        reason=reason,
    )
