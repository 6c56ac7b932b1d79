"""Numbers and times as words on a page. Formatting only: nothing is worked out here."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

MISSING = "not measured"
MINUS = "−"


def number(value: float | None, digits: int = 1, unit: str = "") -> str:
    """A number with a fixed count of decimals and its unit; words when there is none."""
    if value is None or not math.isfinite(value):
        return MISSING
    text = f"{abs(value):,.{digits}f}".replace(",", "\u00a0")
    sign = MINUS if value < 0 and float(f"{abs(value):.{digits}f}") != 0 else ""
    gap = "" if unit[:1] in ("", "″", "′", "°") else "\u00a0"
    return f"{sign}{text}{gap}{unit}"


def significant(value: float | None, unit: str = "") -> str:
    """A number to about three figures, for tables of mixed quantities."""
    if value is None or not math.isfinite(value):
        return MISSING
    size = abs(value)
    digits = 0 if size >= 100 else 1 if size >= 10 else 2 if size >= 0.1 else 3
    return number(value, 0 if size == 0 else digits, unit)


def percent(value: float | None) -> str:
    """A share as per cent."""
    return MISSING if value is None else f"{value * 100:.0f}\u00a0%"


def ra_words(ra_deg: float) -> str:
    """Right ascension in hours and minutes, to a tenth of a minute."""
    tenths = round(ra_deg * 40.0) % 14400
    hours, rest = divmod(tenths, 600)
    return f"{hours} h {rest / 10:04.1f} min"


def dec_words(dec_deg: float) -> str:
    """Declination in degrees and minutes of arc."""
    minutes = round(abs(dec_deg) * 60.0)
    sign = "+" if dec_deg >= 0 else MINUS
    return f"{sign}{minutes // 60}° {minutes % 60:02d}′"


def clock(zone_name: str) -> Callable[[str | None], str]:
    """A formatter of UTC instants for a place: "23:41 (21:41 UTC)"."""
    zone = ZoneInfo(zone_name)

    def both(text: str | None) -> str:
        if not text:
            return "never"
        moment = datetime.fromisoformat(text)
        return f"{moment.astimezone(zone):%H:%M} ({moment:%H:%M} UTC)"

    return both


def night_words(text: str) -> str:
    """The evening's and the morning's date: "10 to 11 October 2026"."""
    evening = date.fromisoformat(text)
    morning = evening + timedelta(days=1)
    if evening.month == morning.month:
        return f"{evening.day} to {morning.day} {evening:%B %Y}"
    return f"{evening.day} {evening:%B} to {morning.day} {morning:%B %Y}"


def sentence(text: str) -> str:
    """Words of a result as a sentence: a capital first, a full stop last."""
    text = text.strip()
    return text[:1].upper() + text[1:].rstrip(".") + "." if text else ""


def duration(seconds: float) -> str:
    """A time as one says it: "40 s", "22 min", "2 h 05 min"."""
    if seconds < 120:
        return number(seconds, 0, "s")
    minutes = round(seconds / 60.0)
    if minutes < 120:
        return number(minutes, 0, "min")
    return f"{minutes // 60}\u00a0h {minutes % 60:02d}\u00a0min"


def file_size(size: int) -> str:
    """A file's size in kB or MB."""
    if size < 1e6:
        return number(size / 1e3, 0, "kB")
    return number(size / 1e6, 1 if size < 1e7 else 0, "MB")


def points(polygon: list[list[float]]) -> str:
    """A polygon as SVG wants it."""
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in polygon)


def zipped(first: Iterable[Any], second: Iterable[Any]) -> list[tuple[Any, Any]]:
    """Pairs of two equally long rows, for choices of a form."""
    return list(zip(first, second, strict=True))


FILTERS: dict[str, Callable[..., Any]] = {
    "number": number,
    "significant": significant,
    "percent": percent,
    "ra": ra_words,
    "dec": dec_words,
    "night": night_words,
    "sentence": sentence,
    "file_size": file_size,
    "duration": duration,
    "points": points,
    "zipped": zipped,
}
