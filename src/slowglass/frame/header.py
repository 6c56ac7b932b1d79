"""What the cards of a FITS or EXIF header mean, read so that no header can stop the work.

FITS dates: the FITS standard 4.0 (2018), §9 and the older DD/MM/YY form of its appendix, which
always means 19YY.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import Any

from slowglass.errors import SlowglassError
from slowglass.frame.image import FrameHeader, Kind
from slowglass.sky.wcs import TanWcs

Section = tuple[int, int, int, int]


def number(value: Any) -> float | None:
    """The finite number a card holds (also one written as text), else None."""
    if value is None or isinstance(value, bool):
        return None
    try:
        found = float(str(value).strip())
    except (TypeError, ValueError):
        return None
    return found if math.isfinite(found) else None


def first_number(cards: Mapping[str, Any], *keys: str) -> float | None:
    """The first of ``keys`` that holds a number."""
    for key in keys:
        found = number(cards.get(key))
        if found is not None:
            return found
    return None


def first_text(cards: Mapping[str, Any], *keys: str) -> str | None:
    """The first of ``keys`` that holds a text with something in it."""
    for key in keys:
        value = cards.get(key)
        if isinstance(value, str) and value.strip():
            return value.strip()
    return None


def kind_from_word(text: str | None) -> Kind:
    """The kind of exposure a word such as "Flat Field" or "ZERO" stands for, else "unknown"."""
    word = re.sub(r"[^a-z]", "", (text or "").lower())
    if "bias" in word or "zero" in word or word == "offset":
        return "bias"
    if "dark" in word:  # before "flat": a dark for flats is a dark
        return "dark"
    if "flat" in word:
        return "flat"
    if "light" in word or "object" in word or "science" in word or word == "sci":
        return "light"
    return "unknown"


def _clock(text: Any) -> timedelta | None:
    match = re.match(r"\s*(\d{1,2})[:hH ](\d{1,2})(?:[:mM ](\d{1,2}(?:\.\d*)?))?", str(text))
    if match is None:
        return None
    hours, minutes, seconds = int(match[1]), int(match[2]), float(match[3] or 0.0)
    if hours > 24 or minutes > 59 or seconds >= 61.0:
        return None
    return timedelta(hours=hours, minutes=minutes, seconds=seconds)


def parse_date_obs(date: Any, clock: Any = None) -> datetime | None:
    """UTC time of a DATE-OBS card, with a separate clock card where the date has none, or None.

    Understands ``2026-10-11T21:04:05.250``, the same with Z or an offset, with ``/`` or a blank
    as separators, a bare date, and the old ``DD/MM/YY`` of the twentieth century.
    """
    text = str(date or "").strip().strip("'")
    iso = re.match(r"(\d{4})[-/:](\d{1,2})[-/:](\d{1,2})(?:[T ]+(.*))?$", text)
    old = re.match(r"(\d{1,2})[/-](\d{1,2})[/-](\d{2})(?:[T ]+(.*))?$", text)
    try:
        if iso:
            day = datetime(int(iso[1]), int(iso[2]), int(iso[3]), tzinfo=UTC)
            rest = iso[4]
        elif old:
            day = datetime(1900 + int(old[3]), int(old[2]), int(old[1]), tzinfo=UTC)
            rest = old[4]
        else:
            return None
        of_day = _clock(rest) if rest else None
        if of_day is None:
            of_day = _clock(clock) if clock is not None else None
        moment = day + (of_day or timedelta())
        offset = re.search(r"([+-])(\d{2}):?(\d{2})$", rest or "")
        if offset:
            shift = timedelta(hours=int(offset[2]), minutes=int(offset[3]))
            moment = moment - shift if offset[1] == "+" else moment + shift
    except (ValueError, OverflowError):
        return None
    return moment


def parse_section(text: Any) -> Section | None:
    """(x0, x1, y0, y1), from zero and end-exclusive, of a ``[18:1382,1:1370]`` card, or None.

    FITS sections count from 1 and include both ends.
    """
    match = re.match(r"\s*\[\s*(\d+)\s*:\s*(\d+)\s*,\s*(\d+)\s*:\s*(\d+)\s*\]\s*$", str(text))
    if match is None:
        return None
    x0, x1, y0, y1 = (int(g) for g in match.groups())
    if not (1 <= x0 <= x1 and 1 <= y0 <= y1):
        return None
    return x0 - 1, x1, y0 - 1, y1


def frame_header(
    cards: Mapping[str, Any], comments: Mapping[str, str] | None = None
) -> FrameHeader:
    """The header record of FITS cards; what cannot be read is None."""
    comments = comments or {}
    exposure_s = first_number(cards, "EXPTIME", "EXPOSURE", "EXP_TIME", "ITIME")
    if exposure_s is not None:
        used = "EXPTIME" if number(cards.get("EXPTIME")) is not None else "EXPOSURE"
        if "minute" in comments.get(used, "").lower():  # digitised plates state minutes
            exposure_s *= 60.0
        if exposure_s < 0:
            exposure_s = None
    iso = first_number(cards, "ISOSPEED", "ISO")
    return FrameHeader(
        kind=kind_from_word(first_text(cards, "IMAGETYP", "OBSTYPE", "FRAME", "IMGTYPE")),
        exposure_s=exposure_s,
        start_utc=_start_utc(cards),
        iso=int(iso) if iso is not None and iso > 0 else None,
        gain_e_per_adu=_gain_e_per_adu(cards, comments),
        read_noise_e=_positive(first_number(cards, "RDNOISE", "READNOIS", "ENOISE")),
        temperature_c=first_number(cards, "CCD-TEMP", "DET-TEMP", "CCDTEMP", "TEMPERAT"),
        camera=first_text(cards, "INSTRUME", "CAMERA", "DETECTOR"),
        filter_name=first_text(cards, "FILTER", "FILTER1", "FILTNAME"),
        object_name=first_text(cards, "OBJECT", "OBJNAME"),
        focal_length_mm=_positive(first_number(cards, "FOCALLEN", "FOCAL")),
        cards=dict(cards),
    )


def _positive(value: float | None) -> float | None:
    return value if value is not None and value > 0 else None


def _start_utc(cards: Mapping[str, Any]) -> datetime | None:
    clock = first_text(
        cards, "TIME-OBS", "UTSTART", "UTC-OBS", "UT-OBS", "UTC", "UT", "TIME-BEG", "TIME"
    )
    for key in ("DATE-OBS", "DATE-BEG", "DATEOBS"):
        moment = parse_date_obs(cards.get(key), clock)
        if moment is not None:
            return moment
    mjd = first_number(cards, "MJD-OBS")
    if mjd is not None and 0.0 < mjd < 200_000.0:
        return datetime(1858, 11, 17, tzinfo=UTC) + timedelta(days=mjd)
    return None


def _gain_e_per_adu(cards: Mapping[str, Any], comments: Mapping[str, str]) -> float | None:
    """EGAIN, or GAIN where it is plainly electrons per ADU and not a dial setting."""
    stated = _positive(first_number(cards, "EGAIN"))
    if stated is not None:
        return stated
    gain = _positive(first_number(cards, "GAIN"))
    if gain is None:
        return None
    comment = comments.get("GAIN", "").lower()
    electrons = re.search(r"e-?\s*/|electron|e-? per", comment) is not None
    return gain if electrons or (gain < 20.0 and gain != int(gain)) else None


def header_wcs(cards: Mapping[str, Any]) -> TanWcs | None:
    """The linear TAN solution that FITS cards carry, or None; never raises.

    Numbers written as text, PC or CDELT and CROTA2 in place of CD, and a declination axis first
    are understood. Distortion terms are left out, so a field's corners may be some pixels off.
    Other projections, other equinoxes than 2000, a turned native pole (LONPOLE) and scales no
    telescope has are refused.
    """
    try:
        return _header_wcs(cards)
    except (SlowglassError, ValueError, TypeError, OverflowError, ArithmeticError):
        return None


def _header_wcs(cards: Mapping[str, Any]) -> TanWcs | None:
    first, second = (str(cards.get(k, "")).strip().upper() for k in ("CTYPE1", "CTYPE2"))
    swapped = first.startswith("DEC")
    if swapped:
        first, second = second, first
    if not re.match(r"RA-+(TAN|TPV)", first) or not re.match(r"DEC-+(TAN|TPV)", second):
        return None
    equinox = first_number(cards, "EQUINOX", "EPOCH")
    if str(cards.get("RADESYS", cards.get("RADECSYS", ""))).upper().startswith("FK4") or (
        equinox is not None and abs(equinox - 2000.0) > 0.1
    ):
        return None
    matrix = _cd_matrix(cards)
    numbers = [number(cards.get(k)) for k in ("CRVAL1", "CRVAL2", "CRPIX1", "CRPIX2")]
    if matrix is None or any(n is None for n in numbers):
        return None
    ra, dec, x, y = (float(n) for n in numbers if n is not None)
    if swapped:
        ra, dec = dec, ra
        matrix = (matrix[1], matrix[0])
    if number(cards.get("LONPOLE")) not in (None, 180.0):
        return None
    wcs = TanWcs(ra % 360.0, dec, x - 1.0, y - 1.0, matrix)
    reasonable = 0.01 <= wcs.scale_arcsec_per_px <= 600.0 and abs(dec) <= 90.0
    return wcs if reasonable else None


def _cd_matrix(
    cards: Mapping[str, Any],
) -> tuple[tuple[float, float], tuple[float, float]] | None:
    def read(stem: str) -> list[float | None]:
        return [number(cards.get(f"{stem}{suffix}")) for suffix in ("1_1", "1_2", "2_1", "2_2")]

    cd = read("CD")
    if any(v is not None for v in cd):
        a, b, c, d = (v or 0.0 for v in cd)
        return (a, b), (c, d)
    step_x, step_y = number(cards.get("CDELT1")), number(cards.get("CDELT2"))
    if step_x is None or step_y is None:
        return None
    pc = read("PC")
    if any(v is not None for v in pc):
        a, b, c, d = (
            default if v is None else v for v, default in zip(pc, (1.0, 0.0, 0.0, 1.0), strict=True)
        )
        return (step_x * a, step_x * b), (step_y * c, step_y * d)
    turn = math.radians(number(cards.get("CROTA2")) or 0.0)
    cos, sin = math.cos(turn), math.sin(turn)
    return (step_x * cos, -step_y * sin), (step_x * sin, step_y * cos)
