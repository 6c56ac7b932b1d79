"""Positions as people read them: hours, minutes, seconds and degrees, minutes, seconds."""

from __future__ import annotations

MINUS = "−"


def ra_text(ra_deg: float, *, decimals: int = 2) -> str:
    """Right ascension as "21 h 29 m 58.33 s"; rounding carries over 60 and over 24 hours."""
    unit = 10**decimals
    ticks = round((ra_deg % 360.0) * 240.0 * unit) % (86400 * unit)
    seconds, part = divmod(ticks, unit)
    minutes, seconds = divmod(seconds, 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours:02d} h {minutes:02d} m {_with(seconds, part, decimals)} s"


def dec_text(dec_deg: float, *, decimals: int = 1) -> str:
    """Declination as "+12° 10′ 01.2″"; rounding carries over 60."""
    unit = 10**decimals
    ticks = round(abs(dec_deg) * 3600.0 * unit)
    seconds, part = divmod(ticks, unit)
    minutes, seconds = divmod(seconds, 60)
    degrees, minutes = divmod(minutes, 60)
    sign = MINUS if dec_deg < 0 and ticks else "+"
    return f"{sign}{degrees:02d}° {minutes:02d}′ {_with(seconds, part, decimals)}″"


def _with(seconds: int, part: int, decimals: int) -> str:
    return f"{seconds:02d}" + (f".{part:0{decimals}d}" if decimals else "")
