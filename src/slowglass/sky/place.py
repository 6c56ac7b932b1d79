"""Turn what a person types for a place in the sky into coordinates."""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from slowglass.errors import UsageError
from slowglass.sky.bayer import designations
from slowglass.sky.objects import SkyObject, name_key
from slowglass.sky.wanderers import find_wanderer, wanderer_object

if TYPE_CHECKING:
    from slowglass.sky.store import Sky


@dataclass(frozen=True)
class Place:
    """A named point of the sky, ICRS degrees; ``object`` is set for deep-sky objects."""

    name: str
    ra_deg: float
    dec_deg: float
    object: SkyObject | None = None


_NUMBER = r"[0-9]+(?:\.[0-9]*)?|\.[0-9]+"
_DECIMAL = re.compile(rf"^\s*([+-]?(?:{_NUMBER}))\s*[°d]?[\s,;]+([+-]?(?:{_NUMBER}))\s*[°d]?\s*$")
_SEXAGESIMAL = re.compile(
    rf"^\s*(\d{{1,2}})\s*[h:\s]\s*({_NUMBER})\s*[m:′'\s]?\s*({_NUMBER})?\s*[s″\"]?\s*[,;]?\s*"
    rf"([+-])\s*(\d{{1,2}})\s*[°d:\s]?\s*({_NUMBER})?\s*[′'m:\s]?\s*({_NUMBER})?\s*[″\"s]?\s*$"
)


def parse_coordinates(text: str) -> tuple[float, float] | None:
    """(ra, dec) in degrees of "RA DEC" text, or None if it is not coordinates.

    Two plain numbers are degrees; anything with hours and minutes is hours for RA and degrees
    for Dec, whose sign must then be given ("21 29 58.3 +12 10 01", "21h30m −12°10′").
    UsageError for coordinates out of range.
    """
    plain = text.replace("−", "-").replace("–", "-").replace("’", "'").replace("”", '"')
    match = _DECIMAL.match(plain)
    if match:
        ra, dec = float(match[1]), float(match[2])
        if not 0.0 <= ra <= 360.0:
            raise UsageError(f"right ascension {ra:g}° is out of range", "give 0 to 360 degrees")
    else:
        match = _SEXAGESIMAL.match(plain)
        if not match:
            return None
        hours, minutes, seconds = int(match[1]), float(match[2]), float(match[3] or 0)
        degrees, arcmin, arcsec = int(match[5]), float(match[6] or 0), float(match[7] or 0)
        if hours >= 24 or max(minutes, seconds, arcmin, arcsec) >= 60:
            raise UsageError(
                f"“{text.strip()}” has hours above 23 or minutes or seconds above 59",
                'write it as "21 29 58 +12 10 01"',
            )
        ra = 15.0 * (hours + minutes / 60.0 + seconds / 3600.0)
        dec = degrees + arcmin / 60.0 + arcsec / 3600.0
        dec = -dec if match[4] == "-" else dec
    if not -90.0 <= dec <= 90.0:
        raise UsageError(f"declination {dec:g}° is out of range", "give −90 to +90 degrees")
    return ra % 360.0, dec


def _likeness(text: str, title: str) -> float:
    """How much a text resembles the nearer of "NAME (common name)"'s two names, 0 to 1."""
    return max(
        difflib.SequenceMatcher(None, name_key(text), name_key(part)).ratio()
        for part in title.rstrip(")").split(" (")
    )


def _numbered_star(text: str, sky: Sky) -> Place | None:
    """The star of a Hipparcos number ("HIP 104887") or a Bayer letter ("γ Vel"), or None."""
    number = re.fullmatch(r"\s*hip\s*(\d+)\s*", text, re.IGNORECASE)
    letters = designations()
    wanted = " ".join(text.split()).casefold()
    hip = (
        int(number[1])
        if number
        else next((h for h, name in letters.items() if name.casefold() == wanted), 0)
    )
    star = sky.stars.by_hip(hip) if hip else None
    if star is None or not len(star):
        return None
    return Place(letters.get(hip, f"HIP {hip}"), float(star.ra_deg[0]), float(star.dec_deg[0]))


def resolve_place(text: str, sky: Sky, *, when: datetime | None = None) -> Place:
    """The place meant by an object's name, a star's name or coordinates; else UsageError.

    Kept comets and asteroids stand where they are at the aware moment ``when``, or now.
    """
    if not text.strip():
        raise UsageError("no place given", 'give a name such as M15, or "RA DEC"')
    coordinates = parse_coordinates(text)
    if coordinates is not None:
        return Place(text.strip(), *coordinates)
    star = sky.named_stars.find(text)
    if star is not None:
        return Place(star.name, star.ra_deg, star.dec_deg)
    found = sky.objects.find(text)
    if found is not None:
        return Place(found.name, found.ra_deg, found.dec_deg, found)
    star_place = _numbered_star(text, sky)
    if star_place is not None:
        return star_place
    wanderer = find_wanderer(text)
    if wanderer is not None:
        obj = wanderer_object(wanderer, (when or datetime.now(UTC)).timestamp())
        return Place(obj.name, obj.ra_deg, obj.dec_deg, obj)
    near = sky.named_stars.suggestions(text) + sky.objects.suggestions(text)
    near = sorted(dict.fromkeys(near), key=lambda title: -_likeness(text, title))
    cure = (
        f"did you mean {', '.join(near[:4])}?" if near else 'give a name such as M15, or "RA DEC"'
    )
    raise UsageError(f"nothing called “{text.strip()}” is known", cure)
