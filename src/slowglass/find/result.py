"""A route as a record: anchor, legs, other ways, and the limits it was planned under."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from slowglass.find.aids import CircleOffset, Drift
from slowglass.find.limits import Limits
from slowglass.find.route import Leg
from slowglass.find.sightline import SightLine
from slowglass.sky.objects import SkyObject


@dataclass(frozen=True)
class Route:
    """A hop from an anchor star to a target, or the ``reason`` there is none (no legs then)."""

    target: str
    target_ra_deg: float
    target_dec_deg: float
    anchor: str | None
    legs: tuple[Leg, ...]
    reason: str = ""
    note: str = ""
    anchor_mag: float | None = None
    anchor_ra_deg: float | None = None
    anchor_dec_deg: float | None = None
    anchor_title: str = ""
    """The anchor as one would name it aloud: "Enif", "the magnitude 3.5 star 9.1° north of …"."""
    anchor_text: str = ""
    when: datetime | None = None
    altitude_deg: float | None = None
    field_name: str = ""
    field_deg: float = 0.0
    object: SkyObject | None = None
    cost: float | None = None
    """What the search minimised, in legs."""
    limits: Limits | None = None
    alternatives: tuple[Route, ...] = ()
    """Hops from other anchors, best first; they have no alternatives of their own."""
    drift: Drift | None = None
    circles: CircleOffset | None = None
    sight_line: SightLine | None = None
    zenith_angle_deg: float | None = None
    """Position angle of the way up at the target."""

    @property
    def worst_ambiguity(self) -> float:
        """The largest ambiguity of a place walked over, 0 without legs."""
        return max((leg.ambiguity for leg in self.legs), default=0.0)

    @property
    def length_deg(self) -> float:
        """The legs' lengths added up."""
        return sum(leg.distance_deg for leg in self.legs)

    def as_json(self) -> dict[str, Any]:
        """The route with the names of the machine output."""
        return {
            "target": self.target,
            "anchor": self.anchor,
            "legs": [leg.as_json() for leg in self.legs],
            "reason": self.reason or None,
            "note": self.note or None,
            "target_ra_deg": self.target_ra_deg,
            "target_dec_deg": self.target_dec_deg,
            "anchor_mag": self.anchor_mag,
            "anchor_ra_deg": self.anchor_ra_deg,
            "anchor_dec_deg": self.anchor_dec_deg,
            "anchor_title": self.anchor_title,
            "anchor_text": self.anchor_text,
            "when": self.when,
            "altitude_deg": _rounded(self.altitude_deg, 1),
            "field_name": self.field_name,
            "field_deg": round(self.field_deg, 4),
            "cost": _rounded(self.cost, 2),
            "worst_ambiguity": round(self.worst_ambiguity, 3),
            "zenith_angle_deg": _rounded(self.zenith_angle_deg, 1),
            "limits": None if self.limits is None else self.limits.as_json(),
            "alternatives": [
                {
                    "anchor": other.anchor,
                    "anchor_title": other.anchor_title,
                    "anchor_text": other.anchor_text,
                    "cost": _rounded(other.cost, 2),
                    "worst_ambiguity": round(other.worst_ambiguity, 3),
                    "legs": [leg.as_json() for leg in other.legs],
                }
                for other in self.alternatives
            ],
            "drift": None if self.drift is None else self.drift.as_json(),
            "circles": None if self.circles is None else self.circles.as_json(),
            "sight_line": None if self.sight_line is None else self.sight_line.as_json(),
        }


def moves_words(route: Route) -> str:
    """How many legs: "1 move", "7 moves"."""
    return f"{len(route.legs)} move{'' if len(route.legs) == 1 else 's'}"


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)
