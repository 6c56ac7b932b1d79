"""From a solved frame to the object in mid-frame at the wanted camera angle, frame by frame.

A hand misses by a tenth of a turn and some 3′, so a last turn of RA by hand would seldom end
within 2′. The sky does it better: with the motor off the view drifts east at 15.04″ a second. A
turn of RA by hand is therefore given a lead to the west, and the rest is waited for.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from slowglass.find.nudge import Nudge, format_angle, nudge_text, turn_words
from slowglass.find.route import HAND_ERROR_DEG, HAND_ERROR_SHARE
from slowglass.kit.model import SIDEREAL_ARCSEC_S
from slowglass.sky.wcs import TanWcs

CENTRED_DEG = 2.0 / 60.0
ANGLE_OFF_DEG = 3.0
"""A camera turned this near to the wanted angle is left alone: it costs 1 % of the frame."""
DEC_STILL_DEG = 1.7 / 60.0
RA_STILL_DEG = 0.8 / 60.0
"""An axis this near is left alone: another turn would sooner make it worse."""
LONGEST_WAIT_S = 180.0


@dataclass(frozen=True)
class HuntStep:
    """What to do after one frame.

    ``ra_turn_deg`` and ``dec_turn_deg`` are axis turns by hand, east and north positive, 0 for an
    axis to leave alone; ``wait_s`` how long to leave the motor off. ``camera_turn_deg`` turns the
    camera, clockwise positive as seen from behind it. ``nudge`` is the plain correction.
    """

    nudge: Nudge
    ra_turn_deg: float
    dec_turn_deg: float
    wait_s: float
    camera_turn_deg: float
    centred: bool
    done: bool
    text: str

    def as_json(self) -> dict[str, Any]:
        """The step with the names of the machine output."""
        return {
            "ra_deg": round(self.nudge.ra_deg, 5),
            "dec_deg": round(self.nudge.dec_deg, 5),
            "separation_deg": round(self.nudge.separation_deg, 5),
            "frame_widths": round(self.nudge.frame_widths or 0.0, 3),
            "ra_turn_deg": round(self.ra_turn_deg, 5),
            "dec_turn_deg": round(self.dec_turn_deg, 5),
            "wait_s": round(self.wait_s, 1),
            "camera_turn_deg": round(self.camera_turn_deg, 2),
            "centred": self.centred,
            "done": self.done,
            "text": self.text,
        }


def hunt_step(
    wcs: TanWcs,
    size_px: tuple[int, int],
    target: tuple[str, float, float],
    *,
    camera_angle_deg: float | None = None,
    mirrored: bool | None = None,
) -> HuntStep:
    """The next step from a solved frame (width, height) to a target (name, ra, dec).

    ``camera_angle_deg`` is the wanted position angle of the frame's long side (None: any).
    ``mirrored`` says whether the picture on the camera is a mirror image; None takes the frame's
    parity, which is right for files stored top row first.
    """
    width, height = size_px
    ra, dec = (float(x) for x in wcs.pixel_to_sky((width - 1) / 2, (height - 1) / 2))
    name, target_ra, target_dec = target
    nudge = nudge_text(
        ra, dec, target_ra, target_dec, wcs=wcs, width_px=width, height_px=height, target_name=name
    )
    turn = 0.0
    if camera_angle_deg is not None:
        flipped = wcs.parity < 0 if mirrored is None else mirrored
        turn = camera_turn_deg(frame_angle_deg(wcs, size_px), camera_angle_deg, mirrored=flipped)
    turned = abs(turn) <= ANGLE_OFF_DEG
    centred = nudge.separation_deg <= CENTRED_DEG
    if centred:
        ra_turn, dec_turn, wait = 0.0, 0.0, 0.0
    else:
        ra_turn, dec_turn, wait = _moves(nudge, dec, target_dec)
    turn = 0.0 if turned else turn
    text = _words(name, nudge, ra_turn, dec_turn, wait, turn, centred)
    return HuntStep(nudge, ra_turn, dec_turn, wait, turn, centred, centred and turned, text)


def _moves(nudge: Nudge, dec_deg: float, target_dec_deg: float) -> tuple[float, float, float]:
    """(RA turn, Dec turn, wait) for a nudge: what hands do, and what the sky does after."""
    dec_turn = nudge.dec_deg if abs(nudge.dec_deg) > DEC_STILL_DEG else 0.0
    if nudge.past_pole:
        return nudge.ra_deg, nudge.dec_deg, 0.0
    squeeze = max(0.05, math.cos(math.radians(target_dec_deg)))
    wait = nudge.ra_deg * 3600.0 / SIDEREAL_ARCSEC_S
    if abs(nudge.ra_deg) * squeeze <= RA_STILL_DEG:
        return 0.0, dec_turn or nudge.dec_deg, 0.0
    if 0.0 < wait <= LONGEST_WAIT_S:
        return 0.0, dec_turn, wait
    # The error grows with the turn itself, which the lead makes longer to the west.
    share = 1.0 + math.copysign(HAND_ERROR_SHARE, nudge.ra_deg)
    lead = (HAND_ERROR_SHARE * abs(nudge.ra_deg) + HAND_ERROR_DEG / squeeze) / share
    return nudge.ra_deg - lead, dec_turn, 0.0


def frame_angle_deg(wcs: TanWcs, size_px: tuple[int, int]) -> float:
    """Position angle of a frame's longer side, 0 to 180."""
    (a, b), (c, d) = wcs.cd
    east, north = (a, c) if size_px[0] >= size_px[1] else (b, d)
    return math.degrees(math.atan2(east, north)) % 180.0


def camera_turn_deg(now_deg: float, wanted_deg: float, *, mirrored: bool) -> float:
    """How far to turn the camera, clockwise positive as seen from behind it, −90 to 90.

    Behind the camera one sees the picture as its screen shows it. Turning the camera
    counter-clockwise carries its sides counter-clockwise over that picture, where position angles
    grow that way too, unless the picture is a mirror image.
    """
    grow = (wanted_deg - now_deg + 90.0) % 180.0 - 90.0
    return grow if mirrored else -grow


def _words(
    name: str,
    nudge: Nudge,
    ra_turn: float,
    dec_turn: float,
    wait: float,
    camera_turn: float,
    centred: bool,
) -> str:
    parts: list[str] = []
    if centred:
        parts.append(f"{name} is centred, {format_angle(nudge.separation_deg)} off.")
    elif ra_turn or dec_turn:
        words = turn_words(ra_turn, dec_turn, past_pole=nudge.past_pole)
        if ra_turn and not nudge.past_pole:
            words += ". That is a little far west on purpose: the sky brings the rest"
        parts.append(f"{words}.")
    if wait:
        parts.append(f"Leave the RA motor off for {wait:.0f} s.")
    if camera_turn:
        way = "clockwise" if camera_turn > 0 else "counter-clockwise"
        parts.append(f"Turn the camera {abs(camera_turn):.0f}° {way}, seen from behind it.")
    if not centred or camera_turn:
        parts.append("Then take another frame.")
    return " ".join(parts)
