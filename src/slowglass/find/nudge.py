"""The nudge: how far to turn each axis to bring a target from where it is to mid-frame.

An equatorial mount has two axes and no computer here: the person turns one, then the other.
So the nudge is told in axis turns (the RA axis turns by the full difference of right ascension,
whatever the declination), in frame widths, and as a direction on the picture they look at.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from slowglass.sky.coords import position_angle_deg, separation_deg
from slowglass.sky.wcs import TanWcs

ON_TARGET_FRACTION = 0.05
"""Centred is within this share of the frame's shorter side: nobody can turn by hand finer."""
ON_TARGET_DEG = 2.0 / 60.0
"""Centred, when the frame's size is unknown: 2′ is about 3 % of a field of one degree."""
STILL_DEG = 0.005
"""An axis that needs less than this (18″) is left alone."""


@dataclass(frozen=True)
class Nudge:
    """The correction from where the telescope points to a target.

    ``ra_deg`` and ``dec_deg`` are turns of the RA and Dec axes (east and north positive), not
    distances on the sky; ``separation_deg`` is the distance on the sky. ``first`` is the axis
    to turn first, the one with further to go. ``past_pole`` says that the Dec turn runs
    over the pole, as the shorter way.
    """

    ra_deg: float
    dec_deg: float
    separation_deg: float
    text: str
    first: Literal["ra", "dec"] = "ra"
    past_pole: bool = False
    frame_widths: float | None = None
    on_target: bool = False


def axis_turns(
    ra_deg: float, dec_deg: float, target_ra_deg: float, target_dec_deg: float
) -> tuple[float, float, bool]:
    """Turns in degrees of the RA axis (east +) and the Dec axis (north +), and "past the pole".

    Of the two ways an equatorial mount can reach a place (straight, or with the Dec axis turned
    over the nearer pole and the RA axis half a turn less) the one with less turning is given.
    A turn past the pole keeps the sign of its start: north over the north pole.
    """
    ra_turn = (target_ra_deg - ra_deg + 180.0) % 360.0 - 180.0
    dec_turn = target_dec_deg - dec_deg
    north = dec_deg + target_dec_deg >= 0.0
    over = 180.0 - dec_deg - target_dec_deg if north else -180.0 - dec_deg - target_dec_deg
    ra_over = (ra_turn + 360.0) % 360.0 - 180.0
    if abs(ra_over) + abs(over) < abs(ra_turn) + abs(dec_turn) - 1e-9:
        return ra_over, over, True
    return ra_turn, dec_turn, False


def nudge_text(
    ra_deg: float,
    dec_deg: float,
    target_ra_deg: float,
    target_dec_deg: float,
    *,
    wcs: TanWcs | None = None,
    width_px: int | None = None,
    height_px: int | None = None,
    target_name: str = "the target",
) -> Nudge:
    """The nudge from a pointing to a target, all in ICRS degrees.

    With the frame's ``wcs`` and size it also counts frame widths (of the longer side) and says
    where on the picture, first stored row on top, the target lies.
    """
    separation = float(separation_deg(ra_deg, dec_deg, target_ra_deg, target_dec_deg))
    ra_turn, dec_turn, past_pole = axis_turns(ra_deg, dec_deg, target_ra_deg, target_dec_deg)
    dec_first = past_pole or abs(dec_turn) > abs(ra_turn)
    first: Literal["ra", "dec"] = "dec" if dec_first else "ra"

    widths: float | None = None
    centred_deg = ON_TARGET_DEG
    if wcs is not None and width_px and height_px:
        scale_deg = wcs.scale_arcsec_per_px / 3600.0
        widths = separation / (max(width_px, height_px) * scale_deg)
        centred_deg = ON_TARGET_FRACTION * min(width_px, height_px) * scale_deg
    on_target = separation <= centred_deg

    if on_target:
        text = f"On target: {format_angle(separation)} from centre."
    else:
        text = turn_words(ra_turn, dec_turn, past_pole=past_pole)
        text += (
            f": about {_format_widths(widths)}."
            if widths is not None
            else (f": {format_angle(separation)} on the sky.")
        )
        if wcs is not None and width_px and height_px:
            pa = float(position_angle_deg(ra_deg, dec_deg, target_ra_deg, target_dec_deg))
            x, y = wcs.sky_to_pixel(target_ra_deg, target_dec_deg)
            inside = 0 <= float(x) <= width_px - 1 and 0 <= float(y) <= height_px - 1
            where = "On the frame" if inside else "Off the frame,"
            text += f" {where} {target_name} lies {picture_direction(wcs, pa)}."
    return Nudge(ra_turn, dec_turn, separation, text, first, past_pole, widths, on_target)


def picture_direction(wcs: TanWcs, position_angle_deg: float) -> str:
    """Words for the way a position angle points on the stored picture, first row on top.

    One of eight: "up", "up and to the right", "to the right", "down and to the right", …
    """
    (a, b), (c, d) = wcs.cd
    east = math.sin(math.radians(position_angle_deg))
    north = math.cos(math.radians(position_angle_deg))
    sign = math.copysign(1.0, a * d - b * c)
    right = sign * (d * east - b * north)
    down = sign * (a * north - c * east)
    eighth = round(math.degrees(math.atan2(right, -down)) / 45.0) % 8
    return (
        "up",
        "up and to the right",
        "to the right",
        "down and to the right",
        "down",
        "down and to the left",
        "to the left",
        "up and to the left",
    )[eighth]


def format_angle(angle_deg: float) -> str:
    """An angle as a person reads it: 12°, 1.32°, 24.5′ or 38″."""
    size = abs(angle_deg)
    if size >= 9.995:
        return f"{size:.1f}°"
    if size >= 0.995:
        return f"{size:.2f}°"
    if size >= 1.0 / 60.0:
        return f"{size * 60.0:.1f}′"
    return f"{size * 3600.0:.0f}″"


def format_ra_time(ra_turn_deg: float) -> str:
    """A turn of the RA axis in hours and minutes of right ascension, to a tenth of a minute."""
    tenths = round(abs(ra_turn_deg) * 40.0)
    hours, rest = divmod(tenths, 600)
    return f"{hours} h {rest / 10:.1f} min"


def _format_widths(widths: float) -> str:
    shown = f"{widths:.1f}" if widths < 9.95 else f"{widths:.0f}"
    return f"{shown} frame width" + ("" if shown == "1.0" else "s")


def turn_words(ra_turn: float, dec_turn: float, *, past_pole: bool = False) -> str:
    """The two axis turns as an instruction, larger first (over the pole: Dec first)."""
    dec_first = past_pole or abs(dec_turn) > abs(ra_turn)
    ra = f"the RA axis {format_angle(ra_turn)} {'east' if ra_turn > 0 else 'west'}"
    ra += f" ({format_ra_time(ra_turn)})"
    dec = f"the Dec axis {format_angle(dec_turn)} {'north' if dec_turn > 0 else 'south'}"
    if past_pole:
        dec += ", past the pole,"
    if abs(dec_turn) < STILL_DEG:
        return f"Turn {ra}"
    if abs(ra_turn) < STILL_DEG:
        return f"Turn {dec.rstrip(',')}"
    return f"Turn {dec} and {ra}" if dec_first else f"Turn {ra} and {dec}"
