"""How numbers are written for people: sky positions, times, plain counts."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo


def ra_text(ra_deg: float) -> str:
    """ "21h29m58s", to a second of time."""
    seconds = round(ra_deg % 360.0 * 240.0) % 86400
    return f"{seconds // 3600:02d}h{seconds // 60 % 60:02d}m{seconds % 60:02d}s"


def dec_text(dec_deg: float) -> str:
    """ "+12°10′01″", to an arcsecond."""
    seconds = round(abs(dec_deg) * 3600.0)
    sign = "−" if dec_deg < 0.0 else "+"
    return f"{sign}{seconds // 3600:02d}°{seconds // 60 % 60:02d}′{seconds % 60:02d}″"


def place_text(ra_deg: float, dec_deg: float) -> str:
    """ "21h29m58s +12°10′01″"."""
    return f"{ra_text(ra_deg)} {dec_text(dec_deg)}"


def clock_text(moment: datetime | None, timezone: str) -> str:
    """Local time of day, "23:05"; a dash for none."""
    return "–" if moment is None else f"{moment.astimezone(ZoneInfo(timezone)):%H:%M}"


def count_text(number: int, one: str, many: str = "") -> str:
    """ "1 frame", "3 frames"."""
    return f"{number} {one if number == 1 else many or one + 's'}"
