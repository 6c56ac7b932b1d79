"""A night, a plan and a year as positions for a template: scaling and words, no measuring."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

if TYPE_CHECKING:
    from slowglass.choose.hours import Climb, NightHours
    from slowglass.choose.timeline import Turn

WIDTH, HEIGHT = 360.0, 90.0
"""A degree of altitude is one unit."""
YEAR_WIDTH, YEAR_HEIGHT, MOON_HEIGHT = 730.0, 80.0, 12.0
HOURS_APART = 2


@dataclass(frozen=True)
class NightFrame:
    """What all objects of a night have in common: bands of darkness, the Moon, the hours."""

    bands: tuple[tuple[str, float, float], ...]
    """(depth, x, width)."""
    moon: tuple[str, ...]
    ticks: tuple[tuple[float, str], ...]


@dataclass(frozen=True)
class Curve:
    """One object through the night."""

    path: tuple[str, ...]
    """The parts above the ground."""
    clear: tuple[str, ...]
    """The parts clear of the skyline, to be drawn thick."""
    land: str
    best: tuple[float, float] | None


def night_frame(hours: NightHours, zone: str) -> NightFrame:
    """The common part of a night's drawings; the hours are local."""
    bands = tuple(
        (
            band.depth,
            WIDTH * hours.share(band.begin),
            WIDTH * (band.end - band.begin) / _span(hours),
        )
        for band in hours.bands
    )
    up = [bool(alt > 0.0) for alt in hours.moon_alt_deg]
    moon = _parts(_across(hours), hours.moon_alt_deg, up)
    return NightFrame(bands, moon, hour_ticks(hours, zone))


def curve(hours: NightHours, climb: Climb, best: str | None) -> Curve:
    """One object's drawing; ``best`` is its best moment as UTC text."""
    across = _across(hours)
    land = " ".join(
        f"{x:.1f},{HEIGHT - max(0.0, float(alt)):.1f}"
        for x, alt in zip(across, climb.skyline_deg, strict=True)
    )
    top = None
    if best:
        x = WIDTH * hours.share(datetime.fromisoformat(best))
        at = min(range(len(across)), key=lambda i: abs(across[i] - x))
        top = (x, HEIGHT - float(climb.alt_deg[at]))
    return Curve(
        _parts(across, climb.alt_deg, [bool(alt > 0.0) for alt in climb.alt_deg]),
        _parts(across, climb.alt_deg, [bool(clear) for clear in climb.clear]),
        f"0,{HEIGHT:g} {land} {WIDTH:g},{HEIGHT:g}",
        top,
    )


def plan_bars(hours: NightHours, turns: Sequence[Turn]) -> list[tuple[float, float]]:
    """(x, width) of each turn of a plan."""
    return [
        (WIDTH * hours.share(turn.begin), WIDTH * (turn.end - turn.begin) / _span(hours))
        for turn in turns
    ]


def hour_ticks(hours: NightHours, zone: str) -> tuple[tuple[float, str], ...]:
    """Every second full local hour: its x and its words."""
    first = hours.begin.astimezone(ZoneInfo(zone))
    moment = first.replace(minute=0, second=0, microsecond=0) + timedelta(hours=1)
    ticks = []
    while moment < hours.end:
        if moment.hour % HOURS_APART == 0:
            ticks.append((WIDTH * hours.share(moment), f"{moment:%H}"))
        moment += timedelta(hours=1)
    return tuple(ticks)


@dataclass(frozen=True)
class YearStrip:
    """A year of nights: bars of worth in one path, hours up and the Moon as outlines, months."""

    bars: str
    up: str
    moon: str
    months: tuple[tuple[float, str], ...]
    top_hours: float
    best: tuple[float, ...]


def year_strip(plan: dict[str, Any]) -> YearStrip:
    """The drawing of a year's plan as its document tells it."""
    nights = plan["nights"]
    step = YEAR_WIDTH / len(nights)
    top = max(1.0, math.ceil(max(max(n["worth_hours"], n["hours_up"]) for n in nights)))
    bars, up, moon, months = [], [], [], []
    for i, night in enumerate(nights):
        x = i * step
        height = YEAR_HEIGHT * night["worth_hours"] / top
        if height > 0.05:
            bars.append(f"M{x:.1f} {YEAR_HEIGHT:g}v{-height:.1f}h{step:.2f}v{height:.1f}z")
        level = YEAR_HEIGHT * (1.0 - night["hours_up"] / top)
        up.append(f"{x:.1f},{level:.1f} {x + step:.1f},{level:.1f}")
        moon.append(f"{x:.1f},{YEAR_HEIGHT + 4 + MOON_HEIGHT * (1 - night['moon_fraction']):.1f}")
        day = date.fromisoformat(night["night"])
        if day.day == 1:
            months.append((x, f"{day:%b}"))
    floor = YEAR_HEIGHT + 4 + MOON_HEIGHT
    first = date.fromisoformat(nights[0]["night"])
    best = tuple(
        ((date.fromisoformat(spell["best"]) - first).days + 0.5) * step for spell in plan["spells"]
    )
    return YearStrip(
        "".join(bars),
        f"0,{YEAR_HEIGHT:g} {' '.join(up)} {YEAR_WIDTH:g},{YEAR_HEIGHT:g}",
        f"0,{floor:g} {' '.join(moon)} {YEAR_WIDTH:g},{floor:g}",
        tuple(months),
        top,
        best,
    )


def _span(hours: NightHours) -> timedelta:
    return hours.end - hours.begin


def _across(hours: NightHours) -> list[float]:
    return [WIDTH * hours.share(moment) for moment in hours.moments]


def _parts(
    across: Sequence[float], alt_deg: Iterable[float], shown: Sequence[bool]
) -> tuple[str, ...]:
    """The unbroken parts of a line that are shown, as SVG wants their points."""
    parts: list[list[str]] = [[]]
    for x, alt, seen in zip(across, alt_deg, shown, strict=True):
        if seen:
            parts[-1].append(f"{x:.1f},{HEIGHT - float(alt):.1f}")
        elif parts[-1]:
            parts.append([])
    return tuple(" ".join(part) for part in parts if len(part) > 1)
