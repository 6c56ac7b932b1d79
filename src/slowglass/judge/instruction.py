"""The one thing to do next, in a line short enough to read in the cold: ten words at most."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from slowglass.expose.session import BIAS, DARKS
from slowglass.find.nudge import Nudge, format_angle
from slowglass.judge.quality import Quality

if TYPE_CHECKING:
    from slowglass.judge.live_enough import Enough
    from slowglass.judge.verdict import Verdict
    from slowglass.judge.watch_sort import Entry

MOST_WORDS = 10

FIRST = ("not a light", "blank", "too small", "bright sky", "no stars", "faint", "out of focus")
"""Faults to mend before aim matters."""
STEADY = 2
"""After so many keepers in a row one bad frame is bad luck, not a thing to mend."""
CALIBRATION = {"dark": DARKS[0], "flat": 16, "bias": BIAS}
"""How many of each, where no plan says it."""
LATE_FACTOR, LATE_S = 3.0, 45.0
"""The camera has stopped when nothing came for so many usual steps, and so many seconds."""

Cue = Literal["act", "done", ""]


@dataclass(frozen=True)
class Say:
    """One instruction, what it rests on, and whether it is worth a sound.

    ``cue`` is "act" when something has to be done, "done" when the work is, else "".
    """

    text: str
    evidence: tuple[str, ...] = ()
    cue: Cue = ""


def one_instruction(
    quality: Quality, nudge: Nudge | None, *, solved: bool, hinted: bool = False
) -> str:
    """The most pressing instruction that one frame alone gives.

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
        return "No match there: check the place and the scale"
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
    return f"Turn {', '.join(turns)}, then shoot again"


def say_next(
    entries: Sequence[Entry],
    *,
    enough: Enough | None = None,
    quiet_s: float | None = None,
    step_s: float | None = None,
    warnings: Sequence[Say] = (),
    cause: Say | None = None,
    calibration: Mapping[str, int] = CALIBRATION,
) -> Say:
    """The one instruction for a night so far, ``entries`` in the order they were taken.

    ``quiet_s`` is the time since the last new file and ``step_s`` the usual time between
    frames. ``warnings`` are what the series as a whole shows (focus, drift, sky), most
    pressing first; they count when the newest frame itself is in order. ``cause`` is the
    advice against a trailed newest frame, where the series makes its cause sure;
    ``calibration`` how many darks, flats and bias frames are wanted.
    """
    there = [e for e in entries if not e.gone and e.role not in ("twin", "copy")]
    if not there:
        return Say("Take a test frame", ("no frame has come yet",))
    newest = there[-1]
    if newest.role == "unreadable":
        return Say("Copy the last frame again: it is damaged", (newest.why,), "act")
    if quiet_s is not None and step_s and quiet_s > max(LATE_FACTOR * step_s, LATE_S):
        done = newest.role != "light" or (enough is not None and enough.reached)
        if not done:
            minutes = max(1, round(quiet_s / 60.0))
            return Say(
                f"No new frame for {minutes} min: check the camera",
                (f"frames came every {step_s:.0f} s; the last was {newest.name}",),
                "act",
            )
    if newest.role in ("dark", "flat", "bias"):
        return _say_of_calibration(newest, there, calibration[newest.role])
    return _say_of_light(newest, there, enough, warnings, cause)


def _say_of_calibration(newest: Entry, there: Sequence[Entry], wanted: int) -> Say:
    count = sum(e.role == newest.role for e in there)
    noun = "bias frame" if newest.role == "bias" else newest.role
    if count >= wanted:
        return Say(f"{count} {noun}s: enough of them", (newest.why,), "done")
    return Say(f"{count} of {wanted} {noun}s: keep going", (newest.why,))


def _say_of_light(
    newest: Entry,
    there: Sequence[Entry],
    enough: Enough | None,
    warnings: Sequence[Say],
    cause: Say | None,
) -> Say:
    verdict = newest.verdict
    proof = evidence_of(verdict)
    off = verdict.nudge is not None and verdict.instruction.startswith("Turn")
    if not verdict.keeper and not off and newest.role == "light":
        before = [e for e in there[:-1] if e.role == "light"][-STEADY:]
        if len(before) == STEADY and all(e.verdict.keeper for e in before):
            return Say("One frame lost: keep shooting", proof)
    if cause is not None and not off and verdict.reasons and "trailed" in verdict.reasons[0]:
        return Say(cause.text, (*cause.evidence, *proof), "act")
    if not verdict.keeper or off:
        return Say(verdict.instruction, proof, "act")
    if warnings:
        return warnings[0]
    if newest.role != "light" or enough is None or not enough.frames:
        return Say(verdict.instruction, proof)
    if enough.reached:
        told = f"signal to noise {enough.snr:.0f}, {enough.wanted_snr:.0f} wanted"
        return Say("Enough light: take darks, or choose the next", (told, *proof), "done")
    if enough.minutes_left:
        minutes = enough.minutes_left
        left = f"{minutes:.0f} min" if minutes < 90 else f"{minutes / 60:.1f} h"
        told = (
            f"signal to noise {enough.snr:.1f} after {enough.frames} keepers, "
            f"{enough.wanted_snr:.0f} wanted; {enough.frames_left} more to go"
        )
        if enough.snr is not None and enough.snr >= enough.wanted_snr:
            told += ", for what is fainter than the core"
        return Say(f"Keep shooting: {left} to go", (told, *proof))
    return Say(verdict.instruction, proof)


def evidence_of(verdict: Verdict) -> tuple[str, ...]:
    """What a frame's instruction rests on, most telling first."""
    lines = [*verdict.reasons]
    if verdict.nudge is not None:
        lines.append(verdict.nudge.text)
    lines += verdict.cautions
    if not verdict.solved and verdict.reason and verdict.kind in ("light", "unknown"):
        lines.append(f"place unknown: {verdict.reason}")
    return tuple(lines)
