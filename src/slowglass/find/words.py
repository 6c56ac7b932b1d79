"""The hop in words: what to turn, which way, and what then stands in the field."""

from __future__ import annotations

from slowglass.find.moves import UsableMove
from slowglass.find.nudge import axis_turns, format_angle, turn_words
from slowglass.find.route import Leg, compass_words
from slowglass.sky.coords import position_angle_deg, separation_deg
from slowglass.sky.objects import SkyObject

SEEN_BY_EYE_MAG = 9.5
"""Small objects brighter than this in all are usually seen in a 100 mm tube under a fair sky."""


def leg_between(
    start: tuple[str, float, float],
    end: tuple[str, float, float],
    *,
    move: UsableMove,
    arrival: str,
) -> Leg:
    """The leg between two named places (name, ra, dec); ``arrival`` says what one sees there."""
    start_name, ra1, dec1 = start
    end_name, ra2, dec2 = end
    distance = float(separation_deg(ra1, dec1, ra2, dec2))
    direction = float(position_angle_deg(ra1, dec1, ra2, dec2))
    ra_turn, dec_turn, past_pole = axis_turns(ra1, dec1, ra2, dec2)
    text = (
        f"{turn_words(ra_turn, dec_turn, past_pole=past_pole)}: {format_angle(distance)} to the "
        f"{compass_words(direction)}, {distance / move.field_deg:.1f} of the {move.field_name}. "
        f"{arrival}"
    )
    return Leg(start_name, end_name, distance, direction, ra_turn, dec_turn, text, ra2, dec2)


def star_arrival(name: str, mag: float, brighter: int, alike: int) -> str:
    """What one sees on reaching a star, with how it ranks among its neighbours."""
    rank = ("the brightest star", "the second brightest star", "the third brightest star")
    text = f"Stop on {name}, magnitude {mag:.1f}"
    if brighter < len(rank):
        text += f", {rank[brighter]} within half a field"
    text += "."
    if alike:
        others = "another star" if alike == 1 else f"{alike} other stars"
        text += f" Beware: {others} of like brightness nearby."
    return text


def target_arrival(name: str, obj: SkyObject | None) -> str:
    """What one sees on reaching the target, or what to do when the eye sees nothing."""
    if obj is None:
        return f"{name} is in mid-field. Take a short frame and judge it."
    what = obj.kind
    if obj.mag is not None:
        what += f", magnitude {obj.mag:.1f}"
    if obj.major_arcmin:
        what += f", {format_angle(obj.major_arcmin / 60.0)} across"
    if obj.mag is not None and obj.mag <= SEEN_BY_EYE_MAG:
        return f"{name} is in mid-field: {what}."
    return f"{name} is in mid-field: {what}. Too faint to count on by eye: judge a short frame."


def anchor_words(
    name: str,
    mag: float,
    landmark: str,
    sight: tuple[float, ...] | None,
    *,
    red_dot: bool,
) -> str:
    """How to begin: which star, how bright, and where it stands (altitude, azimuth)."""
    text = f"Start at {name}, magnitude {mag:.1f}"
    if landmark:
        text += f", {landmark}"
    if sight is not None:
        text += f"; it stands {sight[0]:.0f}° high in the {compass_words(sight[1])}"
    aim = "Put the red dot on it and centre it in the eyepiece" if red_dot else "Centre it"
    return f"{text}. {aim}."
