"""The best nights of a year for one object, told, drawn, or put into a calendar."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime
from itertools import groupby
from typing import Any

import numpy as np

from slowglass.choose.sift import LONGEST_EXPOSURE_S, typical_hold_s
from slowglass.choose.year import (
    PLACE_STEP_S,
    Floats,
    Track,
    YearNight,
    fixed_track,
    year_nights,
)
from slowglass.errors import UsageError
from slowglass.expose.noise import sky_limited_s
from slowglass.expose.plan import star_width_arcsec
from slowglass.expose.signal import mosaic_mean, sky_e_per_px_s
from slowglass.find.hour import coming_night
from slowglass.kit.model import Kit, Site
from slowglass.progress import Report, silent
from slowglass.sky.place import Place, resolve_place
from slowglass.sky.store import Sky
from slowglass.sky.wanderers import find_wanderer, seen_from_earth

DAYS = 365
GOOD_PART = 0.6
"""Nights worth this share of the best one belong to a good spell."""
FEWEST_HOURS = 0.25
"""With less than a quarter of an hour's worth, a night is not worth setting up for."""
BARS = " ▁▂▃▄▅▆▇█"


@dataclass(frozen=True)
class Spell:
    """Good nights in a row."""

    first: date
    last: date
    best: date
    worth_hours: float


@dataclass(frozen=True)
class YearPlan:
    """A year of nights for one place: all of them by date, the best first in ``best``."""

    name: str
    ra_deg: float
    dec_deg: float
    kit: str
    site: str
    timezone: str
    nights: tuple[YearNight, ...]
    best: tuple[YearNight, ...]
    spells: tuple[Spell, ...]
    text: str
    reason: str = ""

    def as_json(self) -> dict[str, Any]:
        """The plan with the names of the machine output (times left to ``documents``)."""
        return {
            "name": self.name,
            "ra_deg": self.ra_deg,
            "dec_deg": self.dec_deg,
            "kit": self.kit,
            "site": self.site,
            "text": self.text,
            "best": [_row(night) for night in self.best],
            "spells": self.spells,
            "nights": [_row(night) for night in self.nights],
            "reason": self.reason or None,
        }


def _row(night: YearNight) -> dict[str, Any]:
    row = dict(vars(night))
    for name in ("dark_hours", "hours_up", "moonless_hours", "worth_hours"):
        row[name] = round(row[name], 2)
    row["moon_fraction"] = round(night.moon_fraction, 3)
    row["altitude_deg"] = None if night.altitude_deg is None else round(night.altitude_deg, 1)
    return row


def plan_year(
    kit: Kit,
    site: Site,
    sky: Sky,
    name: str,
    *,
    first: date | None = None,
    limit: int = 10,
    days: int = DAYS,
    report: Report = silent,
) -> YearPlan:
    """The best nights for an object, star, comet or "RA DEC" in the year from ``first`` on."""
    if limit < 1:
        raise UsageError(f"a list of {limit} nights is no list", "ask for 1 or more")
    begin = coming_night(site, datetime.now(UTC)).date if first is None else first
    noon = datetime(begin.year, begin.month, begin.day, 12, tzinfo=UTC)
    place = resolve_place(name, sky, when=noon)
    report("year: nights", 0, 1)
    track = _track(place, name, noon.timestamp(), days)
    nights = year_nights(
        track, begin, site=site, days=days, speed=_speed(kit, site, float(np.mean(track.dec_deg)))
    )
    report("year: nights", 1, 1)
    worthwhile = [n for n in nights if n.worth_hours >= FEWEST_HOURS]
    best = tuple(sorted(worthwhile, key=lambda n: -n.worth_hours)[:limit])
    spells = good_spells(nights)
    return YearPlan(
        place.object.title if place.object is not None else place.name,
        place.ra_deg,
        place.dec_deg,
        kit.name,
        site.name,
        site.timezone,
        nights,
        best,
        spells,
        _text(nights, best, spells),
        "" if best else _never(place, nights, site),
    )


def good_spells(nights: tuple[YearNight, ...]) -> tuple[Spell, ...]:
    """Runs of nights worth more than a share of the best one, by date."""
    top = max((n.worth_hours for n in nights), default=0.0)
    if top < FEWEST_HOURS:
        return ()
    found = []
    for good, run in groupby(nights, key=lambda n: n.worth_hours >= GOOD_PART * top):
        if good:
            row = list(run)
            best = max(row, key=lambda n: n.worth_hours)
            found.append(Spell(row[0].night, row[-1].night, best.night, best.worth_hours))
    return tuple(found)


def year_strip(nights: tuple[YearNight, ...], *, width: int = 73) -> str:
    """The year in one line of bars: the best night of each of ``width`` parts."""
    top = max((n.worth_hours for n in nights), default=0.0)
    parts = np.array_split(np.array([n.worth_hours for n in nights]), width)
    if top <= 0.0:
        return BARS[0] * width
    steps = [int(np.ceil(float(p.max(initial=0.0)) / top * (len(BARS) - 1) - 1e-9)) for p in parts]
    return "".join(BARS[step] for step in steps)


def _track(place: Place, name: str, start_s: float, days: int) -> Track:
    wanderer = None
    if place.object is not None and place.object.kind in ("comet", "asteroid"):
        wanderer = find_wanderer(name)
    if wanderer is None:
        return fixed_track(place.ra_deg, place.dec_deg)
    moments: Floats = start_s + np.arange(days + 2, dtype=np.float64) * PLACE_STEP_S
    seen = seen_from_earth(wanderer, moments)
    fainter = np.nan_to_num(seen.mag - np.nanmin(seen.mag)) if np.isfinite(seen.mag).any() else 0.0
    return Track(moments, seen.ra_deg, seen.dec_deg, np.zeros(len(moments)) + fainter)


def _speed(kit: Kit, site: Site, dec_deg: float) -> Any:
    """How fast signal to noise squared of faint light grows with this kit.

    Signal falls with the air; the noise is that of the sky, the dark current and the read-out of
    exposures of the length that suits the dark sky and the mount.
    """
    camera = kit.camera
    hold = typical_hold_s(
        np.array([dec_deg]), kit=kit, site=site, fwhm_arcsec=star_width_arcsec(kit, site)
    )
    dark_sky = float(mosaic_mean(sky_e_per_px_s(site.sky_mag_arcsec2, kit.optics, camera)))
    enough = sky_limited_s(camera.read_noise_e, dark_sky + camera.dark_e_per_s)
    exposure = float(np.clip(min(enough, float(hold[0])), 0.5, LONGEST_EXPOSURE_S))

    def speed(sky_mag_arcsec2: Floats, lost_mag: Floats) -> Floats:
        sky = mosaic_mean(sky_e_per_px_s(sky_mag_arcsec2, kit.optics, camera))
        noise = sky + camera.dark_e_per_s + camera.read_noise_e**2 / exposure
        return np.asarray(10.0 ** (-0.8 * lost_mag) / noise)

    return speed


def _text(
    nights: tuple[YearNight, ...], best: tuple[YearNight, ...], spells: tuple[Spell, ...]
) -> str:
    if not best:
        return ""
    top = best[0]
    parts = [
        f"The best night is {_day(top.night)}: {top.hours_up:.1f} h up in the dark, "
        f"{top.moonless_hours:.1f} h of them without the Moon, "
        f"worth {top.worth_hours:.1f} h at its best"
        + (" (late twilight counts for some)." if top.worth_hours > top.hours_up else ".")
    ]
    longest = sorted(spells, key=lambda s: -s.worth_hours)[:3]
    runs = [
        _day(s.first) if s.first == s.last else f"{_day(s.first)} to {_day(s.last)}"
        for s in sorted(longest, key=lambda s: s.first)
    ]
    parts.append(f"Good spells: {', '.join(runs)}.")
    gone = [n for n in nights if n.worth_hours < FEWEST_HOURS]
    if gone:
        parts.append(f"{len(gone)} of {len(nights)} nights are not worth setting up for it.")
    return " ".join(parts)


def _never(place: Place, nights: tuple[YearNight, ...], site: Site) -> str:
    if not any(n.hours_up for n in nights):
        return f"{place.name} never clears the skyline of {site.name} in a dark sky that year"
    return f"{place.name} is up in the dark at {site.name} for minutes only, all that year"


def _day(day: date) -> str:
    return f"{day.day} {day:%B %Y}"
