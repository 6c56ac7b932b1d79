"""Latitude and longitude as people write them, read into decimal degrees."""

from __future__ import annotations

import re
from typing import Literal

from slowglass.errors import UsageError

Axis = Literal["latitude", "longitude"]

LETTERS: dict[Axis, dict[str, float]] = {
    "latitude": {"N": 1.0, "S": -1.0, "NORTH": 1.0, "SOUTH": -1.0},
    "longitude": {"E": 1.0, "W": -1.0, "EAST": 1.0, "WEST": -1.0},
}
LARGEST_DEG: dict[Axis, float] = {"latitude": 90.0, "longitude": 180.0}
EXAMPLES: dict[Axis, str] = {
    "latitude": "write it as 44.2, as 44° 12′ N or as 44 12 00 N; south is S or a minus",
    "longitude": "write it as 0.62, as 0° 37′ E or as 0 37 12 E; west is W or a minus",
}
_PLAIN = str.maketrans({"−": "-", "–": "-", "º": "°", "’": "′", "'": "′", "”": "″", '"': "″"})
_MARKS = re.compile(r"[°′″:\s]+|(?<=\d)[dDmM](?=[\s\d]|$)")
_NUMBER = re.compile(r"\d+(?:\.\d*)?|\.\d+")


def parse_angle(text: str, axis: Axis) -> float:
    """Degrees, north and east positive, of a latitude or longitude as typed.

    Decimals with point or comma, or degrees, minutes and seconds parted by their signs, colons or
    blanks; the side of the world as a letter, a word or a sign. UsageError for anything else.
    """
    said = f"“{text.strip()[:40]}” is no {axis}"
    if not text.strip():
        raise UsageError(f"the {axis} is missing", EXAMPLES[axis])
    plain = re.sub(r"(?<=\d),(?=\d)", ".", text.translate(_PLAIN).strip())
    words = re.findall(r"[^\W\d_]{2,}|[NSEWnsew](?![^\W\d_])", plain)
    sides = [LETTERS[axis].get(word.upper()) for word in words]
    if None in sides or len(sides) > 1:
        raise UsageError(said, EXAMPLES[axis])
    bare = plain
    for word in words:
        bare = bare.replace(word, " ")
    bare = bare.strip()
    side = next((s for s in sides if s is not None), 1.0)
    if bare[:1] in "+-" and bare:
        if sides:
            raise UsageError(f"{said}: it has both a sign and a letter", EXAMPLES[axis])
        side = -1.0 if bare[0] == "-" else 1.0
        bare = bare[1:].strip()
    parts = [part for part in _MARKS.split(bare) if part]
    if not 1 <= len(parts) <= 3 or not all(_NUMBER.fullmatch(part) for part in parts):
        raise UsageError(said, EXAMPLES[axis])
    if any("." in part for part in parts[:-1]) or any(float(p) >= 60.0 for p in parts[1:]):
        raise UsageError(f"{said}: minutes and seconds run from 0 to below 60", EXAMPLES[axis])
    degrees = sum(float(part) / 60.0**i for i, part in enumerate(parts))
    if degrees > LARGEST_DEG[axis]:
        raise UsageError(
            f"{side * degrees:g}° is no {axis}",
            f"{axis}s run from −{LARGEST_DEG[axis]:g} to {LARGEST_DEG[axis]:g}°",
        )
    return side * degrees
