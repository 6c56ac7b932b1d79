"""The one thing to do next, in a line short enough to read in the cold."""

from __future__ import annotations

from slowglass.find.nudge import Nudge, format_angle
from slowglass.judge.quality import Quality

FIRST = ("not a light", "blank", "too small", "bright sky", "no stars", "faint", "out of focus")
"""Faults to mend before aim matters."""


def one_instruction(
    quality: Quality, nudge: Nudge | None, *, solved: bool, hinted: bool = False
) -> str:
    """The most pressing instruction, 15 words at most.

    A picture that shows nothing comes first, then focus (without it nothing else can be
    judged), then aim, then the rest.
    """
    for fault in quality.faults:
        if fault.code in FIRST:
            return fault.instruction
    if nudge is not None and not nudge.on_target:
        return aim_instruction(nudge)
    if quality.faults:
        return quality.faults[0].instruction
    if nudge is not None:
        return "On target and sharp: keep shooting"
    if solved:
        return "Good frame: keep shooting"
    if hinted:
        return "Good stars, no match there: check the place and the pixel scale"
    return "Good stars, place unknown: say roughly where it points"


def aim_instruction(nudge: Nudge) -> str:
    """The turn of one or both axes, the longer first."""
    ra = f"RA {format_angle(nudge.ra_deg)} {'east' if nudge.ra_deg > 0 else 'west'}"
    dec = f"Dec {format_angle(nudge.dec_deg)} {'north' if nudge.dec_deg > 0 else 'south'}"
    larger = max(abs(nudge.ra_deg), abs(nudge.dec_deg))
    # An axis that is a twentieth of the other's way off is put right by the next nudge.
    turns = [
        text
        for text, size in ((ra, abs(nudge.ra_deg)), (dec, abs(nudge.dec_deg)))
        if size > 0.05 * larger
    ]
    if nudge.first == "dec":
        turns.reverse()
    return f"Turn {' and '.join(turns)}, then shoot again"
