"""The hop in words: what to turn, which way, what then stands in the field, what if it does not."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from slowglass.find.direction import clock_words, compass_words
from slowglass.find.moves import UsableMove
from slowglass.find.nudge import axis_turns, format_angle, turn_words
from slowglass.find.route import Leg
from slowglass.sky.coords import position_angle_deg, separation_deg
from slowglass.sky.objects import SkyObject

SEEN_BY_EYE_MAG = 9.5
"""Small objects brighter than this in all are usually seen in a 100 mm tube under a fair sky."""
ALIKE_AT_ALL = 0.3
"""Ambiguity from which a twin is warned of."""


@dataclass(frozen=True)
class Stop:
    """A place of the hop: its name, where it is, what it is made of.

    ``stars`` are (ra, dec, V), brightest first; none for the target.
    """

    name: str
    ra_deg: float
    dec_deg: float
    kind: str = "target"
    stars: tuple[tuple[float, float, float], ...] = ()
    ambiguity: float = 0.0


@dataclass(frozen=True)
class Bearings:
    """How a move lies on the sky at that hour: clock hour (12 up) and a star it goes toward."""

    clock: float | None = None
    toward: str = ""


NO_BEARINGS = Bearings()


def leg_between(
    start: Stop,
    end: Stop,
    *,
    move: UsableMove,
    arrival: str,
    wrong: str = "",
    bearings: Bearings = NO_BEARINGS,
) -> Leg:
    """The leg between two places; ``arrival`` says what one sees there."""
    distance = float(separation_deg(start.ra_deg, start.dec_deg, end.ra_deg, end.dec_deg))
    direction = float(position_angle_deg(start.ra_deg, start.dec_deg, end.ra_deg, end.dec_deg))
    ra_turn, dec_turn, past_pole = axis_turns(start.ra_deg, start.dec_deg, end.ra_deg, end.dec_deg)
    fields = distance / move.field_deg
    way = f"{format_angle(distance)} to the {compass_words(direction)}"
    if bearings.clock is not None:
        way += f", toward {clock_words(bearings.clock)} on the sky"
    if bearings.toward:
        way += f" (the way to {bearings.toward})"
    text = (
        f"{turn_words(ra_turn, dec_turn, past_pole=past_pole)}: {way}, "
        f"{fields:.1f} of the {move.field_name}. {arrival}"
    )
    if wrong:
        text += f" {wrong}"
    return Leg(
        start.name,
        end.name,
        distance,
        direction,
        ra_turn,
        dec_turn,
        text,
        end.ra_deg,
        end.dec_deg,
        kind=end.kind,
        ambiguity=end.ambiguity,
        clock=bearings.clock,
        arrival=arrival,
        wrong=wrong,
        ra_move_min=ra_turn * 4.0,
        fields=fields,
        toward=bearings.toward,
        stars=end.stars,
    )


def arrival_words(stop: Stop, brighter: int = 9) -> str:
    """What one sees on reaching a place; ``brighter`` stars outshine its first in half a field."""
    mags = [star[2] for star in stop.stars]
    if stop.kind == "star":
        rank = ("the brightest star", "the second brightest star", "the third brightest star")
        text = f"Stop on {stop.name}, magnitude {mags[0]:.1f}"
        if brighter < len(rank):
            text += f", {rank[brighter]} within half a field"
        return f"{text}."
    if stop.kind == "pair":
        apart, direction = _between(stop.stars[0], stop.stars[1])
        return (
            f"Stop midway in {stop.name}: magnitudes {_listed(mags)}, {format_angle(apart)} "
            f"apart, the fainter {compass_words(direction)} of the brighter."
        )
    if stop.kind == "group":
        width = 2.0 * max(_between((stop.ra_deg, stop.dec_deg, 0.0), s)[0] for s in stop.stars)
        return (
            f"Stop on {stop.name}: {len(stop.stars)} stars or more within {format_angle(width)}, "
            f"the brightest of magnitude {mags[0]:.1f}."
        )
    longest, direction = _longest(stop.stars)
    if stop.kind == "triangle":
        lead = position_angle_deg(stop.ra_deg, stop.dec_deg, stop.stars[0][0], stop.stars[0][1])
        return (
            f"Stop in {stop.name}: magnitudes {_listed(mags)}, longest side "
            f"{format_angle(longest)}, the brightest at its {compass_words(float(lead))} corner."
        )
    shape = "a straight row" if stop.kind == "row" else "a bent row"
    return (
        f"Stop on {stop.name}: {shape} of three, magnitudes {_listed(mags)}, "
        f"{format_angle(longest)} long, running {compass_words(direction)} to "
        f"{compass_words(direction + 180.0)}."
    )


def wrong_words(
    stop: Stop,
    before: str,
    twin: Stop | None,
    beyond: tuple[float, float] | None,
) -> str:
    """What tells that one missed: a twin to beware of, a star that says too far, or nothing there.

    ``beyond`` is (distance in degrees, magnitude) of a bright star past the place in the
    direction of the move.
    """
    if twin is not None:
        away, direction = _between(
            (stop.ra_deg, stop.dec_deg, 0.0), (twin.ra_deg, twin.dec_deg, 0.0)
        )
        which = "star" if stop.kind == "star" else stop.kind
        return (
            f"Beware of a like {which} {format_angle(away)} to the {compass_words(direction)}: "
            f"{_difference(stop, twin)}."
        )
    if beyond is not None:
        return (
            f"Too far if a star of magnitude {beyond[1]:.1f} comes to mid-field: that one is "
            f"{format_angle(beyond[0])} beyond."
        )
    thing = "such star" if stop.kind == "star" else f"such {stop.kind}"
    return f"No {thing} in view: go back to {before} and move again."


def _difference(stop: Stop, twin: Stop) -> str:
    fainter = twin.stars[0][2] - stop.stars[0][2]
    if abs(fainter) >= 0.15:
        return f"it is {abs(fainter):.1f} magnitudes {'fainter' if fainter > 0 else 'brighter'}"
    if stop.kind == "pair":
        ours, theirs = _between(*stop.stars[:2])[0], _between(*twin.stars[:2])[0]
        if abs(theirs / ours - 1.0) >= 0.1:
            return f"it is {'wider' if theirs > ours else 'closer'} ({format_angle(theirs)})"
    return "only its place tells them apart"


def _between(a: tuple[float, float, float], b: tuple[float, float, float]) -> tuple[float, float]:
    return (
        float(separation_deg(a[0], a[1], b[0], b[1])),
        float(position_angle_deg(a[0], a[1], b[0], b[1])),
    )


def _longest(stars: tuple[tuple[float, float, float], ...]) -> tuple[float, float]:
    sides = [_between(stars[a], stars[b]) for a, b in ((0, 1), (0, 2), (1, 2))]
    return sides[int(np.argmax([side[0] for side in sides]))]


def _listed(mags: list[float]) -> str:
    words = [f"{mag:.1f}" for mag in mags]
    return f"{', '.join(words[:-1])} and {words[-1]}"


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
