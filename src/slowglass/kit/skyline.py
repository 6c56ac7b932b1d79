"""A skyline from a person's measurements: a list in a text, or points drawn with a hand.

A text holds a pair on each line, azimuth then altitude in degrees, separated by a comma,
semicolon, tab or spaces. ``#`` begins a remark, one heading line may stand on top, and compass
points serve for azimuths (``NE 12``).
"""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np

from slowglass.errors import ConfigError
from slowglass.kit.horizon import horizon_alt_deg

Points = tuple[tuple[float, float], ...]

COMPASS = (
    "N", "NNE", "NE", "ENE", "E", "ESE", "SE", "SSE",
    "S", "SSW", "SW", "WSW", "W", "WNW", "NW", "NNW",
)  # fmt: skip
LOWEST_DEG, HIGHEST_DEG = -10.0, 90.0
WALL_DEG = 0.2
"""A wall's foot and top measured at one azimuth are set this far apart."""
CLOSE_DEG = 0.5
"""A skyline given in many points is thinned to within this."""
FEW_POINTS = 36
_NUMBER = re.compile(r"[+-]?\d+(?:\.\d*)?|[+-]?\.\d+")


def skyline_from_text(text: str, *, source: str = "skyline") -> Points:
    """(azimuth, altitude) pairs in degrees, by rising azimuth, of a list in a text.

    ConfigError names the line that is no pair; all faulty lines are told at once.
    """
    pairs: list[tuple[float, float]] = []
    faults: list[str] = []
    heading_allowed = True
    for number, line in enumerate(text.splitlines(), 1):
        plain = line.split("#")[0].replace("\N{MINUS SIGN}", "-").replace("°", " ").strip()
        if not plain:
            continue
        pair = _pair(plain)
        if isinstance(pair, tuple):
            pairs.append(pair)
        elif not (heading_allowed and pair == _NO_PAIR):
            faults.append(f"line {number} (“{line.strip()[:40]}”) {pair}")
        heading_allowed = False
    if not pairs and not faults:
        faults.append("it holds no pairs")
    if faults:
        raise ConfigError(
            f"{source} is no skyline: {'; '.join(faults[:5])}",
            'write an azimuth and an altitude in degrees on each line, such as "135, 40"',
            faults=faults,
        )
    return skyline_from_points(pairs)


def skyline_from_points(pairs: Sequence[tuple[float, float]]) -> Points:
    """A skyline of pairs in any order: azimuths brought to 0 to 360, walls kept, thinned.

    Of several altitudes at one azimuth the lowest and the highest stay, a little apart, on the
    sides where the neighbours are lower and higher.
    """
    stacked: dict[float, list[float]] = {}
    for azimuth, altitude in pairs:
        stacked.setdefault(round(azimuth % 360.0, 3) % 360.0, []).append(float(altitude))
    azimuths = sorted(stacked)
    points: list[tuple[float, float]] = []
    for i, azimuth in enumerate(azimuths):
        low, high = min(stacked[azimuth]), max(stacked[azimuth])
        if low == high:
            points.append((azimuth, low))
            continue
        before = float(np.mean(stacked[azimuths[i - 1]]))
        after = float(np.mean(stacked[azimuths[(i + 1) % len(azimuths)]]))
        first, second = (low, high) if before <= after else (high, low)
        points += [(azimuth, first), ((azimuth + WALL_DEG) % 360.0, second)]
    points = sorted(dict(reversed(points)).items())
    return tuple(_thinned(points) if len(points) > FEW_POINTS else points)


_NO_PAIR = "is not an azimuth and an altitude"


def _pair(line: str) -> tuple[float, float] | str:
    """The pair on a line, or what is wrong with it."""
    if ";" in line or "\t" in line:
        parts = [p.strip().replace(",", ".") for p in re.split(r"[;\t]", line) if p.strip()]
    else:
        parts = [p for p in re.split(r"[,\s]+", line) if p]
    if len(parts) != 2:
        return _NO_PAIR
    direction, height = parts[0].strip('"'), parts[1].strip('"')
    if direction.upper() in COMPASS:
        azimuth = 22.5 * COMPASS.index(direction.upper())
    elif _NUMBER.fullmatch(direction):
        azimuth = float(direction)
    else:
        return _NO_PAIR
    if not _NUMBER.fullmatch(height):
        return _NO_PAIR
    altitude = float(height)
    if not -180.0 <= azimuth <= 360.0:
        return f"has azimuth {azimuth:g}; azimuths run from 0 to 360 °"
    if not LOWEST_DEG <= altitude <= HIGHEST_DEG:
        return f"has altitude {altitude:g}; altitudes run from {LOWEST_DEG:g} to {HIGHEST_DEG:g} °"
    return azimuth, altitude


def _thinned(points: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """As few of the points as draw all of them within ``CLOSE_DEG``.

    Grown from the lowest and highest by the worst one each time, so the peaks come first.
    """
    az = np.array([p[0] for p in points])
    alt = np.array([p[1] for p in points])
    kept = {int(np.argmin(alt)), int(np.argmax(alt))}
    while len(kept) < len(points):
        chosen = [points[i] for i in sorted(kept)]
        away = np.abs(horizon_alt_deg(az, chosen) - alt)
        worst = int(np.argmax(away))
        if away[worst] <= CLOSE_DEG:
            break
        kept.add(worst)
    return [points[i] for i in sorted(kept)]
