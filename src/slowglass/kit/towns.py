"""Towns known offline: where they lie, how high, on which clock.

The list is that of the world's airfields and the towns they serve (package ``airportsdata``), so a
place is good to some 15 km, which moves the stars by a tenth of a degree.
"""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from slowglass.errors import UsageError

MOST_SHOWN = 8
FEET_M = 0.3048
EARTH_KM = 6371.0
"""Mean radius (IUGG 1980)."""
FAR_KM = 600.0
"""Farther from every town than this is the open sea, whose clocks follow the longitude."""


@dataclass(frozen=True)
class Town:
    """A town: place in degrees, height in metres as of its airfield, and its time zone."""

    name: str
    region: str
    country: str
    latitude_deg: float
    longitude_deg: float
    height_m: float
    timezone: str

    @property
    def words(self) -> str:
        """The town as one tells it from its namesakes."""
        return ", ".join(part for part in (self.name, self.region, self.country) if part)


def towns_called(text: str, *, most: int = MOST_SHOWN) -> tuple[Town, ...]:
    """Towns of that name, or beginning so, the likeliest first: "Perth" or "Perth, AU".

    UsageError when there is none.
    """
    name, _, region = (part.strip() for part in text.partition(","))
    wanted, where = _plain(name), _plain(region)
    found: dict[str, tuple[int, Town]] = {}
    for key, inside, rank, town in _towns():
        if not wanted or not key.startswith(wanted) or not (not where or where in inside):
            continue
        order = (0 if key == wanted else 2) + rank
        if town.words not in found or order < found[town.words][0]:
            found[town.words] = (order, town)
    if not found:
        raise UsageError(
            f"no town called “{text.strip()[:60]}” is in the offline list",
            "try the nearest larger town, or type latitude and longitude from a map",
        )
    ranked = sorted(found.values(), key=lambda pair: (pair[0], len(pair[1].name)))
    return tuple(town for _, town in ranked[:most])


def zone_at(latitude_deg: float, longitude_deg: float) -> tuple[str, float]:
    """(time zone, distance in km) of the nearest town with an airfield; a guess to be confirmed.

    Far from every town the zone is that of the longitude.
    """
    rows = _towns()
    places = np.radians([(town.latitude_deg, town.longitude_deg) for _, _, _, town in rows])
    lat, lon = np.radians(latitude_deg), np.radians(longitude_deg)
    half = (
        np.sin((places[:, 0] - lat) / 2.0) ** 2
        + np.cos(lat) * np.cos(places[:, 0]) * np.sin((places[:, 1] - lon) / 2.0) ** 2
    )
    nearest = int(np.argmin(half))
    km = float(2.0 * EARTH_KM * np.arcsin(np.sqrt(min(1.0, half[nearest]))))
    if km <= FAR_KM:
        return rows[nearest][3].timezone, km
    hours = round(longitude_deg / 15.0)
    # These names count west of Greenwich as positive.
    return ("Etc/GMT" if hours == 0 else f"Etc/GMT{-hours:+d}"), km


@lru_cache(maxsize=1)
def _towns() -> tuple[tuple[str, str, int, Town], ...]:
    """(name to compare, region to compare, rank, town); scheduled flights rank before none."""
    import airportsdata

    rows: list[tuple[str, str, int, Town]] = []
    for field in airportsdata.load("ICAO").values():
        row: dict[str, Any] = dict(field)
        if not row["city"] or not row["tz"]:
            continue
        town = Town(
            row["city"],
            row["subd"],
            row["country"],
            round(float(row["lat"]), 4),
            round(float(row["lon"]), 4),
            round(float(row["elevation"]) * FEET_M, -1),
            row["tz"],
        )
        inside = f"{_plain(town.region)} {town.country.casefold()}"
        rows.append((_plain(town.name), inside, 0 if row["iata"] else 1, town))
    return tuple(rows)


def _plain(text: str) -> str:
    """A name without case, accents and punctuation."""
    bare = unicodedata.normalize("NFKD", text.casefold())
    return " ".join("".join(c if c.isalnum() else " " for c in bare if c.isascii()).split())
