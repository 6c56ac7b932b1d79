"""What is worth an exposure tonight: everything in the pool asked four questions."""

from __future__ import annotations

from datetime import UTC, date, datetime
from functools import partial
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from slowglass.choose.answers import Candidate, Choice, MoonTonight
from slowglass.choose.detail import HopSummary, Moment, candidate
from slowglass.choose.filters import Wanted
from slowglass.choose.pool import Pool, pool_of
from slowglass.choose.sift import Sifted, sift
from slowglass.choose.star_candidate import star_candidate
from slowglass.choose.star_sights import STAR_KINDS
from slowglass.choose.window import with_window
from slowglass.errors import UsageError
from slowglass.expose.plan import star_width_arcsec
from slowglass.find.anchors import anchor_limit_mag
from slowglass.find.hour import coming_night, darkest_window, moments_between, site_night
from slowglass.find.moves import usable_move
from slowglass.find.service import route_to
from slowglass.kit.model import Kit, Site
from slowglass.progress import Report, silent
from slowglass.sky.brightness import sky_mag_arcsec2
from slowglass.sky.ephemeris import sun_alt_deg
from slowglass.sky.night import Night
from slowglass.sky.objects import SkyObject
from slowglass.sky.place import Place
from slowglass.sky.store import Sky
from slowglass.sky.wanderers import OLD_YEARS, aged_years, kept_orbits

SPARE, MOST_REFINED = 12, 90
"""So many objects beyond the length of the list have their tracking worked out, since the sifted
order is only nearly right; and no more than so many in all."""
MOST_HOPS = 14
"""The first of the list have their real hop worked out, the dear part of it; the others an
estimate that says so."""
STAR_COLUMNS = ("bv", "second_mag", "second_bv", "together")
ANYTHING = Wanted()


def choose_tonight(
    kit: Kit,
    site: Site,
    sky: Sky,
    *,
    night: date | None = None,
    limit: int = 20,
    wanted: Wanted = ANYTHING,
    report: Report = silent,
) -> Choice:
    """Objects worth an exposure in a night, best first; ``night`` is the evening's local date.

    None means the night under way or coming. A night without darkness is planned in its
    deepest twilight and says so; one without any is an empty choice with a reason.
    """
    if limit < 1:
        raise UsageError(f"a list of {limit} objects is no list", "ask for 1 or more")
    tonight = coming_night(site, datetime.now(UTC)) if night is None else site_night(site, night)
    dark = darkest_window(tonight)
    if dark is None:
        return _choice(
            tonight,
            timezone=site.timezone,
            reason=f"the Sun never goes 6° below the horizon at {site.name} in this night",
        )
    window = wanted.window(tonight.date, *dark, site.timezone)
    if window is None:
        return _choice(
            tonight,
            timezone=site.timezone,
            limits=wanted.words(),
            reason="it is not dark in the hours asked for",
        )
    report("choosing: sifting the catalogue", 0, 1)
    moments = moments_between(*window)
    slice_min = (window[1] - window[0]).total_seconds() / 60.0 / len(moments)
    fwhm = star_width_arcsec(kit, site)
    pool = pool_of(sky, wanderers=kept_orbits(), unix_s=float(np.mean(moments)))
    sifted = sift(
        pool.columns,
        kit=kit,
        site=site,
        moments_s=moments,
        slice_min=slice_min,
        fwhm_arcsec=fwhm,
        anchors=sky.stars.brightest(mag_limit=anchor_limit_mag(site)).vectors,
        max_leg_deg=usable_move(kit).max_leg_deg,
        stars=sky.stars,
        wanted=None if wanted == ANYTHING else _mask(pool, wanted),
    )
    refined = min(limit + SPARE, MOST_REFINED)
    worked = min(len(sifted.rows), max(refined, limit))
    asking = partial(
        _candidate,
        sifted=sifted,
        pool=pool,
        kit=kit,
        site=site,
        fwhm_arcsec=fwhm,
        moon=tonight.moon_illuminated_fraction,
    )
    ranked: list[tuple[Candidate, int]] = []
    for i in range(worked):
        report("choosing: working out the best", i, worked)
        ranked.append((asking(i, tracked=i < refined), i))
    ranked.sort(key=_by_score)
    hopped: set[int] = set()
    # A hop harder than estimated sends its object down and lets another up, which is then asked.
    while len(hopped) < refined:
        top = ranked[: min(limit, MOST_HOPS)]
        at = next((k for k, (_, i) in enumerate(top) if i not in hopped), None)
        if at is None:
            break
        report("choosing: hops to the best", len(hopped), refined)
        i = ranked[at][1]
        hopped.add(i)
        ranked[at] = asking(i, tracked=True, hopped=True), i
        ranked.sort(key=_by_score)
    found = [candidate for candidate, _ in ranked]
    report("choosing: done", worked, worked)
    return _choice(
        tonight,
        timezone=site.timezone,
        objects=tuple(found[:limit]),
        considered=sifted.considered,
        note="; ".join(n for n in (_note(tonight, site, moments), _old_orbits(pool, moments)) if n),
        limits=wanted.words(),
        reason="" if found else _nothing(wanted, sifted, site),
    )


def _by_score(pair: tuple[Candidate, int]) -> float:
    return -pair[0].score


def _mask(pool: Pool, wanted: Wanted) -> np.ndarray:
    return wanted.mask(
        kinds=pool.columns["kind"],
        constellations=pool.columns["constellation"],
        photographed_rows=pool.rows_named(wanted.photographed),
        named_rows=pool.rows_named(wanted.names),
    )


def _nothing(wanted: Wanted, sifted: Sifted, site: Site) -> str:
    limits = wanted.words()
    if limits and not sifted.considered:
        return f"nothing in the catalogue is asked for by “{limits}” and bright enough"
    asked = f" of what was asked for ({limits})" if limits else ""
    return f"nothing worth a frame{asked} clears the skyline of {site.name} that night"


def _note(tonight: Night, site: Site, moments: np.ndarray) -> str:
    """What a night without full darkness costs, in plain words; "" for a dark one."""
    if tonight.darkness == "astronomical":
        return ""
    sun = float(
        np.min(
            sun_alt_deg(moments, latitude_deg=site.latitude_deg, longitude_deg=site.longitude_deg)
        )
    )
    lit = float(sky_mag_arcsec2(site.sky_mag_arcsec2, 90.0, sun_alt_deg=sun))
    dark = float(sky_mag_arcsec2(site.sky_mag_arcsec2, 90.0))
    note = (
        f"the sky does not get fully dark: planned for {tonight.darkness} twilight, whose light "
        f"is counted. The Sun goes no deeper than {-sun:.0f}° below the horizon, and at best the "
        f"zenith is {dark - lit:.1f} mag brighter than on a dark night"
    )
    if dark - lit > 3.0:
        note += "; only double stars and the brightest small objects come through"
    if tonight.darkness == "civil":
        note += "; the eye finds only the brightest stars to hop from"
    return note


def _old_orbits(pool: Pool, moments: np.ndarray) -> str:
    """Which kept orbits are too old to point by; "" when none is."""
    old = [w.name for w in pool.wanderers if aged_years(w, float(moments[0])) > OLD_YEARS]
    if not old:
        return ""
    more = f" and {len(old) - 2} more" if len(old) > 2 else ""
    return f"the orbits of {', '.join(old[:2])}{more} are over a year old: fetch new elements"


def _candidate(
    i: int,
    *,
    sifted: Sifted,
    pool: Pool,
    kit: Kit,
    site: Site,
    fwhm_arcsec: float,
    moon: float,
    tracked: bool,
    hopped: bool = False,
) -> Candidate:
    """Number ``i`` of the sifted: with its own tracking, and with the real hop, or estimates."""
    best = sifted.moments.take(np.array([i]))
    moment = Moment(**{name: float(values[0]) for name, values in vars(best).items()})
    row = int(sifted.rows[i])
    obj = pool.object(row, moment.unix_s)
    hold_s = None if tracked else float(sifted.hold_time_s[i])
    anchor_mag = None
    if hopped:
        place = Place(obj.name, obj.ra_deg, obj.dec_deg, obj)
        when = datetime.fromtimestamp(moment.unix_s, UTC)
        route = route_to(kit, site, pool.sky, place, when=when)
        hop = HopSummary(len(route.legs) or None, route.anchor, route.anchor_title, route.reason)
        anchor_mag = route.anchor_mag
    else:
        hop = HopSummary(int(sifted.hop_legs[i]), estimate=True)
    ask: dict[str, Any] = {"kit": kit, "site": site, "fwhm_arcsec": fwhm_arcsec, "hold_s": hold_s}
    if obj.kind in STAR_KINDS:
        ask |= {name: float(pool.columns[name][row]) for name in STAR_COLUMNS}
        found = star_candidate(obj, moment, hop, **ask)
    else:
        if hopped:
            ask |= {"neighbours": _neighbours(obj, pool, kit), "stars": pool.sky.stars}
        found = candidate(obj, moment, hop, **ask, members=float(sifted.members[i]))
    return with_window(
        found, moment, hop, kit=kit, site=site, moon_fraction=moon, anchor_mag=anchor_mag
    )


def _neighbours(obj: SkyObject, pool: Pool, kit: Kit) -> tuple[SkyObject, ...]:
    """Objects that one frame could hold together with another."""
    diagonal = float(np.hypot(kit.field_width_deg, kit.field_height_deg))
    return pool.sky.objects.near(obj.ra_deg, obj.dec_deg, diagonal)


def moonless_window(night: Night) -> tuple[datetime, datetime] | None:
    """The longest part of a night's darkness with the Moon down; None when there is none."""
    dark = darkest_window(night)
    if dark is None:
        return None
    changes = [(t, up) for t, up in ((night.moon_rises, True), (night.moon_sets, False)) if t]
    up, since = night.moon_up_at_start, night.start
    downs = []
    for moment, rises in [*sorted(changes), (night.end, True)]:
        if not up:
            downs.append((max(since, dark[0]), min(moment, dark[1])))
        up, since = rises, moment
    return max((d for d in downs if d[0] < d[1]), key=lambda d: d[1] - d[0], default=None)


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
    limits: str = "",
) -> Choice:
    moonless = moonless_window(night) or (None, None)
    return Choice(
        moonless_from=moonless[0],
        moonless_to=moonless[1],
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
        limits=limits,
    )
