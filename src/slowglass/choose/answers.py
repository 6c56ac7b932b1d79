"""The answers to the four questions about one object on one night."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from slowglass.choose.framing import Answer, Fit
from slowglass.sky.objects import SkyObject


@dataclass(frozen=True)
class Shows:
    """Signal to noise per resolution element in one exposure and after the session's keepers."""

    answer: Answer
    snr_single: float
    snr_total: float
    minutes_to_target_snr: float
    text: str
    exposure_s: float
    frames: int


@dataclass(frozen=True)
class Holds:
    """Share of exposures of that length that stay round, and the longest that mostly do.

    ``wanted_s`` is the exposure from which read noise costs less than half of the time.
    """

    answer: Answer
    keeper_fraction: float
    hold_time_s: float
    text: str
    wanted_s: float


@dataclass(frozen=True)
class Reachable:
    """When and how high it stands, how long it is up in darkness, and how hard the hop is."""

    answer: Answer
    best_time: datetime | None
    altitude_deg: float
    minutes_up: float
    hop_legs: int | None
    text: str
    hop_is_estimate: bool = False
    anchor: str | None = None
    difficulty: str = ""
    """Of the hop: "easy", "fair", "hard", or "none" when no hop was found; "" when not asked."""
    up_from: datetime | None = None
    up_to: datetime | None = None
    """The unbroken stay in darkness above the skyline around the best time."""
    moonless_minutes: float | None = None
    meridian: datetime | None = None
    """When it crosses the meridian, if it does during that stay."""
    change_by: datetime | None = None
    """When the tube has to have changed sides of the mount, if it must."""
    blocked_minutes: float = 0.0
    """Minutes lost because the tube would meet the tripod on either side."""


@dataclass(frozen=True)
class Candidate:
    """One object with its four answers, its score from 0 to 1, and the reason in words."""

    object: SkyObject
    fits: Fit
    shows: Shows
    holds: Holds
    reachable: Reachable
    score: float
    reason: str

    def as_json(self) -> dict[str, Any]:
        """The object with the names of the machine output (times left to ``documents``)."""
        obj, fits, shows = self.object, self.fits, self.shows
        holds, reach = self.holds, self.reachable
        return {
            "id": obj.id,
            "name": obj.name,
            "common_name": obj.common_names[0] if obj.common_names else None,
            "type": obj.kind,
            "constellation": obj.constellation,
            "ra_deg": obj.ra_deg,
            "dec_deg": obj.dec_deg,
            "mag": obj.mag,
            "size_arcmin": [obj.major_arcmin, obj.minor_arcmin],
            "fits": {
                "answer": fits.answer,
                "fraction": _rounded(fits.fraction, 3),
                "angle_deg": _rounded(fits.angle_deg, 1),
                "text": fits.text,
                **fits.more_json(),
            },
            "shows": {
                "answer": shows.answer,
                "snr_single": _rounded(shows.snr_single, 2),
                "snr_total": _rounded(shows.snr_total, 1),
                "minutes_to_target_snr": _rounded(shows.minutes_to_target_snr, 1),
                "text": shows.text,
                "exposure_s": shows.exposure_s,
                "frames": shows.frames,
            },
            "holds": {
                "answer": holds.answer,
                "keeper_fraction": _rounded(holds.keeper_fraction, 3),
                "hold_time_s": _rounded(holds.hold_time_s, 1),
                "text": holds.text,
                "wanted_s": _rounded(holds.wanted_s, 1),
            },
            "reachable": {
                "answer": reach.answer,
                "best_time": reach.best_time,
                "altitude_deg": _rounded(reach.altitude_deg, 1),
                "minutes_up": round(reach.minutes_up),
                "hop_legs": reach.hop_legs,
                "text": reach.text,
                "hop_is_estimate": reach.hop_is_estimate,
                "anchor": reach.anchor,
                "difficulty": reach.difficulty or None,
                "up_from": reach.up_from,
                "up_to": reach.up_to,
                "moonless_minutes": _rounded(reach.moonless_minutes, 0),
                "meridian": reach.meridian,
                "change_by": reach.change_by,
                "blocked_minutes": round(reach.blocked_minutes),
            },
            "score": round(self.score, 4),
            "reason": self.reason,
        }


@dataclass(frozen=True)
class MoonTonight:
    """The Moon over the night; ``text`` says when it is up, on the site's clock."""

    illuminated_fraction: float
    rises: datetime | None
    sets: datetime | None
    text: str = ""


@dataclass(frozen=True)
class Choice:
    """A night's objects, best first. ``note`` says when the night is not fully dark, ``reason``
    why the list is empty, ``limits`` what was asked for."""

    night: date
    dark_from: datetime | None
    dark_to: datetime | None
    darkness: str
    moon: MoonTonight
    objects: tuple[Candidate, ...]
    considered: int = 0
    note: str = ""
    reason: str = ""
    limits: str = ""
    moonless_from: datetime | None = None
    moonless_to: datetime | None = None
    """The longest part of the darkness with the Moon down; None when there is none."""

    def as_json(self) -> dict[str, Any]:
        """The choice with the names of the machine output (times left to ``documents``)."""
        return {
            "night": self.night,
            "dark_from": self.dark_from,
            "dark_to": self.dark_to,
            "darkness": self.darkness,
            "moon": {
                "illuminated_fraction": round(self.moon.illuminated_fraction, 3),
                "rises": self.moon.rises,
                "sets": self.moon.sets,
                "text": self.moon.text,
            },
            "objects": [candidate.as_json() for candidate in self.objects],
            "considered": self.considered,
            "note": self.note or None,
            "reason": self.reason or None,
            "limits": self.limits or None,
            "moonless_from": self.moonless_from,
            "moonless_to": self.moonless_to,
        }


def _rounded(value: float | None, digits: int) -> float | None:
    if value is None or not math.isfinite(value):
        return None
    return round(value, digits)
