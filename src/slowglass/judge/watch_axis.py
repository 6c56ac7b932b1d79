"""Setting the polar axis with the watch: three frames turned in RA, then bolt by bolt. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

from slowglass.judge.axis import AxisFit, measure_axis
from slowglass.judge.axis_aim import AxisAim, aim_axis
from slowglass.judge.instruction import Say
from slowglass.judge.sample import Sample
from slowglass.judge.silence import Silence

FEWEST_TURNED = 3
WANTED_TURN_DEG = 30.0
"""Turned this far in all, three good frames tell the axis to about an arcminute."""

Stage = Literal["turn", "bolts", "done"]


@dataclass(frozen=True)
class AxisSession:
    """How far the setting is, what to do next, and the live target once there is one."""

    stage: Stage
    say: Say
    fit: AxisFit | None = None
    aim: AxisAim | None = None
    frame: str = ""
    """The frame whose pixels the target is given in."""

    def to_json(self) -> dict[str, Any]:
        """Plain values: the stage, the error left and where the frame's middle must go."""
        left = self.aim or self.fit
        found: dict[str, Any] = {"stage": self.stage, "altitude_arcmin": None,
                                 "azimuth_arcmin": None, "to_px": None}  # fmt: skip
        if left is not None:
            found["altitude_arcmin"] = left.altitude_arcmin
            found["azimuth_arcmin"] = left.azimuth_arcmin
        if self.aim is not None:
            found["to_px"] = [self.aim.to_x_px, self.aim.to_y_px]
        return found


def follow_axis(
    samples: Sequence[Sample], *, latitude_deg: float, longitude_deg: float, driven: bool
) -> AxisSession:
    """The setting after the frames taken since it began, in the order they were taken."""
    session = _turning([], "")
    turned: list[Sample] = []
    for sample in samples:
        if session.fit is None:
            turned.append(sample)
            session = _turned(turned, latitude_deg, longitude_deg, driven)
            continue
        aim = aim_axis(session.fit, sample, driven=driven)
        if isinstance(aim, Silence):
            if sample.placed:  # the axes were moved: begin again with this frame
                turned = [sample]
                session = _turning(turned, aim.reason)
            else:
                say = Say("Shoot again: that frame has no place", (aim.reason,), "act")
                session = AxisSession("bolts", say, session.fit, session.aim, session.frame)
            continue
        session = _bolts(aim, sample.name)
    return session


def _turned(
    turned: list[Sample], latitude_deg: float, longitude_deg: float, driven: bool
) -> AxisSession:
    placed = [s for s in turned if s.placed]
    if len(placed) < FEWEST_TURNED:
        reason = "" if turned[-1].placed else "the last frame has no place or no time"
        return _turning(placed, reason)
    fit = measure_axis(placed, latitude_deg=latitude_deg, longitude_deg=longitude_deg)
    if isinstance(fit, Silence):
        return _turning(placed, fit.reason)
    if fit.turned_deg < WANTED_TURN_DEG:
        return _turning(placed, f"turned {fit.turned_deg:.0f}° in all so far")
    aim = aim_axis(fit, placed[-1], driven=driven)
    if isinstance(aim, Silence):
        return _turning(placed, aim.reason)
    return _bolts(aim, placed[-1].name)


def _turning(placed: Sequence[Sample], reason: str) -> AxisSession:
    told = (
        f"{len(placed)} of {FEWEST_TURNED} frames; turn the RA axis only, the Dec axis stays as "
        f"it is, {WANTED_TURN_DEG:.0f}° in all or more"
    )
    proof = (told, reason) if reason else (told,)
    if not placed:
        return AxisSession("turn", Say("Shoot a first frame, well above the horizon", proof, "act"))
    return AxisSession("turn", Say("Turn RA 20° or more, then shoot again", proof, "act"))


def _bolts(aim: AxisAim, name: str) -> AxisSession:
    if aim.done:
        proof = (f"{aim.total_arcmin:.1f}′ ± {aim.error_arcmin:.1f}′ from the pole",)
        say = Say("The polar axis is set: clamp the bolts", proof, "done")
        return AxisSession("done", say, aim.fit, aim, name)
    altitude, azimuth = aim.bolts
    first = altitude
    if abs(aim.azimuth_arcmin) > abs(aim.altitude_arcmin):
        first = azimuth.replace("turn it", "turn the axis").partition(" (")[0]
    say = Say(
        f"{first[:1].upper()}{first[1:]}, then shoot again",
        (f"{altitude}; {azimuth}", aim.fit.text, "by the bolts alone: leave RA and Dec clamped"),
        "act",
    )
    return AxisSession("bolts", say, aim.fit, aim, name)
