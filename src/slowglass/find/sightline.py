"""Aiming by eye between two stars: "a third of the way from η Her to ζ Her"."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from slowglass.find.nudge import format_angle
from slowglass.sky.catalogue import Stars
from slowglass.sky.wcs import project_tan

REACH_DEG = 15.0
MOST_STARS = 16
SHORTEST_DEG, LONGEST_DEG = 1.5, 16.0
OFF_SHARE = 0.5
"""The line may miss the target by this share of the field: it is then still in view."""
SHARES = {
    1 / 4: "a quarter of the way",
    1 / 3: "a third of the way",
    1 / 2: "half way",
    4 / 3: "a third as far again",
    3 / 2: "half as far again",
    2.0: "as far again",
}
"""Divisions of a line that an eye makes well (common practice)."""


@dataclass(frozen=True)
class SightLine:
    """A point on the line through two naked-eye stars that shows the target in the field.

    ``share`` is where, in lengths from the first star to the second; ``off_deg`` how far from
    there the target lies.
    """

    from_star: str
    to_star: str
    share: float
    length_deg: float
    off_deg: float
    text: str

    def as_json(self) -> dict[str, Any]:
        """The line with the names of the machine output."""
        return {
            "from": self.from_star,
            "to": self.to_star,
            "share": round(self.share, 4),
            "length_deg": round(self.length_deg, 3),
            "off_deg": round(self.off_deg, 4),
            "text": self.text,
        }


def sight_line(
    anchors: Stars,
    name_of: Callable[[int], str],
    target: tuple[str, float, float],
    *,
    field_deg: float,
) -> SightLine | None:
    """The best pair of naked-eye stars to aim by at a target (name, ra, dec), or None.

    Judged flat about the target: over 15° a great circle is straight there.
    """
    xi, eta = project_tan(anchors.ra_deg, anchors.dec_deg, target[1], target[2])
    places = np.column_stack([xi, eta])
    away = np.hypot(xi, eta)
    near = np.flatnonzero(np.isfinite(away) & (away <= REACH_DEG))
    near = near[np.argsort(anchors.v_mag[near], kind="stable")][:MOST_STARS]
    best: tuple[float, int, int, float, float, float] | None = None
    for a in near:
        for b in near:
            line = places[b] - places[a]
            length = float(np.hypot(*line))
            if a == b or not SHORTEST_DEG <= length <= LONGEST_DEG:
                continue
            for share in SHARES:
                off = float(np.hypot(*(places[a] + share * line)))
                # an eye misjudges a line by a fortieth of its length
                cost = off / field_deg + length / 40.0 / field_deg
                cost += 0.15 * float(anchors.v_mag[a] + anchors.v_mag[b]) + 0.3 * (share > 1.0)
                if off <= OFF_SHARE * field_deg and (best is None or cost < best[0]):
                    best = cost, int(a), int(b), share, length, off
    if best is None:
        return None
    _, i, j, share, length, off = best
    first, second = name_of(i), name_of(j)
    if share < 1.0:
        text = f"By eye: aim {SHARES[share]} from {first} to {second} ({length:.0f}° apart)"
    else:
        text = f"By eye: go from {first} to {second} ({length:.0f}°) and {SHARES[share]}"
    if off >= 0.05:
        text += f"; {target[0]} lies {format_angle(off)} from there"
    return SightLine(first, second, share, length, off, f"{text}.")
