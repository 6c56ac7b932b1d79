"""A year of nights as files: a calendar (RFC 5545) of the best, and a chart of all."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from slowglass import __version__
from slowglass.choose.year import YearNight
from slowglass.choose.year_service import GOOD_PART, YearPlan
from slowglass.errors import NothingUseful, UsageError
from slowglass.frame.atomic import replacing
from slowglass.kit.picture import PICTURE_SUFFIXES, picture_kind

CALENDAR_SUFFIX = ".ics"


def write_year(plan: YearPlan, path: Path, *, now: datetime | None = None) -> Path:
    """Path of the plan written, as a calendar (.ics) or a chart (.svg, .png, .pdf)."""
    if path.suffix.lower() == CALENDAR_SUFFIX:
        return _write_calendar(plan, path, now or datetime.now(UTC))
    if path.suffix.lower() in PICTURE_SUFFIXES:
        return _draw_year(plan, path)
    raise UsageError(
        f"{path.name}: a year cannot be written as {path.suffix or 'that'}",
        f"end the name in {CALENDAR_SUFFIX}, {', '.join(PICTURE_SUFFIXES)}",
    )


def calendar_text(plan: YearPlan, *, now: datetime) -> bytes:
    """The best nights as an iCalendar object (RFC 5545), one event a night, times in UTC.

    Identifiers are made of object, site and night, so that a calendar imported again replaces
    its events in place of doubling them.
    """
    from icalendar import Calendar, Event

    calendar = Calendar()
    calendar.add("prodid", f"-//Slowglass//{__version__}//EN")
    calendar.add("version", "2.0")
    calendar.add("x-wr-calname", f"{plan.name} from {plan.site}")
    for night in sorted(plan.best, key=lambda n: n.night):
        if night.begins is None or night.ends is None:
            continue
        event = Event()
        event.add("uid", f"{night.night:%Y%m%d}-{_slug(plan.name)}-{_slug(plan.site)}@slowglass")
        event.add("dtstamp", now.astimezone(UTC).replace(microsecond=0))
        event.add("dtstart", night.begins)
        event.add("dtend", night.ends)
        event.add("summary", f"{plan.name}: {night.worth_hours:.1f} good hours")
        event.add("description", night_words(night, plan.timezone))
        event.add("location", plan.site)
        event.add("categories", ["astronomy"])
        event.add("transp", "TRANSPARENT")
        calendar.add_component(event)
    text: bytes = calendar.to_ical()
    return text


def night_words(night: YearNight, timezone: str) -> str:
    """One night in a sentence: when it stands best, the Moon, and what the hours are worth."""
    if night.best_time is None:
        return "Never up in the dark."
    local = night.best_time.astimezone(ZoneInfo(timezone))
    moon = f"Moon {night.moon_fraction:.0%} lit"
    if night.hours_up > 0:
        moon += f", down for {night.moonless_hours:.1f} of {night.hours_up:.1f} dark hours"
    return (
        f"Best at {local:%H:%M}, {night.altitude_deg:.0f}° up. {moon}. "
        f"Worth {night.worth_hours:.1f} h at its best."
    )


def _slug(text: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", text.casefold()).strip("-") or "place"


def _write_calendar(plan: YearPlan, path: Path, now: datetime) -> Path:
    if not plan.best:
        raise NothingUseful(plan.reason or "no night of that year is worth an entry")
    text = calendar_text(plan, now=now)
    with replacing(path) as temporary:
        temporary.write_bytes(text)
    return path


def _draw_year(plan: YearPlan, path: Path) -> Path:
    """The year as a band of days: height is what a night is worth, shade is the Moon."""
    kind = picture_kind(path)
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.dates import ConciseDateFormatter, MonthLocator, date2num
    from matplotlib.figure import Figure

    days = date2num([n.night for n in plan.nights])
    worth = [n.worth_hours for n in plan.nights]
    up = [n.hours_up for n in plan.nights]
    top = max([*worth, *up, 1.0])
    figure = Figure(figsize=(10.0, 4.0), layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.add_subplot()
    axes.fill_between(days, up, step="mid", color="#d9d3c3", lw=0, label="hours up in the dark")
    axes.bar(days, worth, width=1.0, color="#37598a", label="worth, in hours at its best")
    moon = [n.moon_fraction for n in plan.nights]
    band = axes.pcolormesh(
        _edges(plan.nights[0].night, len(days)),
        [-0.09 * top, -0.03 * top],
        [moon],
        cmap="Greys_r",
        vmin=0.0,
        vmax=1.0,
    )
    band.set_edgecolor("face")
    limit = GOOD_PART * max(worth)
    if limit > 0:
        axes.axhline(limit, color="#a5572b", lw=0.9, ls=(0, (5, 4)), label="a good night")
    axes.set_xlim(days[0] - 0.5, days[-1] + 0.5)
    axes.set_ylim(-0.1 * top, 1.25 * top)
    axes.set_yticks([t for t in axes.get_yticks() if 0 <= t <= top])
    locator = MonthLocator()
    axes.xaxis.set_major_locator(locator)
    axes.xaxis.set_major_formatter(ConciseDateFormatter(locator, show_offset=False))
    axes.set_ylabel("hours")
    axes.set_title(f"{plan.name} from {plan.site}", loc="left", fontsize=12)
    axes.set_title(f"{plan.kit}; below: the Moon, white when full", loc="right", fontsize=9)
    axes.legend(loc="upper right", ncols=3, frameon=False, fontsize=9)
    axes.spines[["top", "right"]].set_visible(False)
    with replacing(path) as temporary:
        figure.savefig(temporary, format=kind, dpi=144 if kind == "png" else 72)
    return path


def _edges(first: date, days: int) -> list[float]:
    from matplotlib.dates import date2num

    return [float(date2num(first + timedelta(days=n))) - 0.5 for n in range(days + 1)]
