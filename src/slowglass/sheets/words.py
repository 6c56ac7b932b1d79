"""The blocks of words on a night sheet."""

from __future__ import annotations

import math
from datetime import datetime
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np

from slowglass.choose.service import moon_words
from slowglass.expose.plan import ExposurePlan
from slowglass.find.direction import clock_words
from slowglass.find.nudge import format_angle, format_ra_time
from slowglass.find.result import Route, moves_words
from slowglass.find.sheet import (
    Block,
)
from slowglass.kit.model import Kit, Site
from slowglass.sky.night import Night

if TYPE_CHECKING:
    from slowglass.sheets.plan import NightPage

FEWEST_DARKS, MOST_DARKS = 15, 40
"""Half as many darks as lights within these (common practice): the mount's drift between frames
spreads what noise they add."""
SESSION_MIN = 20.0
"""A stack shorter than this is not worth the walk outside."""
FLATS = 25
"""Frames of a white screen: their noise is then a fortieth of one light's (common practice)."""


def darks_wanted(lights: int) -> int:
    """How many dark frames go with so many lights."""
    return int(np.clip(math.ceil(lights / 2), FEWEST_DARKS, MOST_DARKS))


def steps(route: Route) -> tuple[str, ...]:
    """The way in short lines."""
    if not route.legs:
        return (route.reason,)
    lines = [f"{route.note}."] if route.note and route.when is not None else []
    lines.append(route.anchor_text)
    for number, leg in enumerate(route.legs, 1):
        turns = []
        if abs(leg.ra_move_deg) >= 0.005:
            turns.append(f"RA {format_ra_time(leg.ra_move_deg)} {_sign(leg.ra_move_deg, 'E', 'W')}")
        if abs(leg.dec_move_deg) >= 0.005:
            turns.append(
                f"Dec {format_angle(leg.dec_move_deg)} {_sign(leg.dec_move_deg, 'N', 'S')}"
            )
        if abs(leg.dec_move_deg) > abs(leg.ra_move_deg):
            turns.reverse()
        way = f"{leg.fields:.1f} field"
        if leg.clock is not None:
            way += f" toward {clock_words(leg.clock)}"
        line = f"{number}. {', '.join(turns)} ({way}). {leg.arrival}"
        lines.append(f"{line} {leg.wrong}" if leg.ambiguity >= 0.3 else line)
    return tuple(lines)


def _sign(value: float, positive: str, negative: str) -> str:
    return positive if value > 0 else negative


def hours_block(page: NightPage, site: Site, tonight: Night) -> Block:
    """When it is up, how dark it is, and the Moon."""
    zone = ZoneInfo(site.timezone)
    lines = []
    if page.when is None or not page.spans:
        lines.append(f"{page.route.note or 'Not up in darkness that night'}.")
    else:
        spans = " and ".join(f"{clock(a, zone)}–{clock(b, zone)}" for a, b in page.spans)
        stands = ""
        if page.route.altitude_deg is not None:
            stands = f", {page.route.altitude_deg:.0f}° high"
        lines.append(f"Clear of the skyline in darkness {spans}; best at "
                     f"{clock(page.when, zone)}{stands}.")  # fmt: skip
        limits = page.route.limits
        if limits is not None:
            field = "" if limits.field_mag is None else f", eyepiece {limits.field_mag:.1f}"
            finder = "" if limits.finder_mag is None else f", finder {limits.finder_mag:.1f}"
            lines.append(
                f"Sky {limits.sky_mag_arcsec2:.1f} mag/arcsec²; faintest star by eye "
                f"{limits.eye_mag:.1f}{finder}{field}."
            )
    lines.append(
        f"Moon {tonight.moon_illuminated_fraction:.0%} lit, {moon_words(tonight, site.timezone)}"
        f"{page.moon_text}."
    )
    return Block("When", tuple(lines))


def exposure_block(plan: ExposurePlan) -> Block:
    """The plan in few lines: what to set, how many, and what to expect of them."""
    lights = lights_wanted(plan)
    lines = [
        f"{lights} frames of {plan.exposure_s:g} s ({lights * plan.exposure_s / 60.0:.0f} min of "
        f"light); {plan.keeper_fraction:.0%} of them keep round stars."
    ]
    if plan.frames_in_window is not None:
        lines[0] += f" The hours hold {plan.frames_in_window}."
    if plan.snr is not None:
        lines.append(
            f"Signal to noise {plan.snr:.1f} in one, {plan.snr * math.sqrt(lights):.0f} in all, "
            f"for {plan.measures}."
        )
    sky = (
        f"{plan.sky_limited_s:.0f} s"
        if plan.sky_limited_s < 120
        else (f"{plan.sky_limited_s / 60.0:.0f} min")
    )
    lines.append(
        f"Stars reach magnitude {plan.faintest_mag:.1f} in one frame. The sky’s own noise rules "
        f"beyond {sky}; the mount holds {plan.hold_time_s:.0f} s."
    )
    lines += [f"{note[:1].upper()}{note[1:]}." for note in plan.notes]
    if plan.saturates:
        lines.append(f"Clips: {'; '.join(plan.saturates)}.")
    return Block("Exposures", tuple(lines))


def lights_wanted(plan: ExposurePlan) -> int:
    """How many lights of the suggested length to take: enough, and no more than the night holds."""
    wanted = max(math.ceil(60.0 * SESSION_MIN / plan.exposure_s), plan.suggested_frames or 1)
    return wanted if plan.frames_in_window is None else max(1, min(wanted, plan.frames_in_window))


def calibration_block(plan: ExposurePlan) -> Block:
    """How many darks, flats and bias frames to take, and how."""
    darks = darks_wanted(lights_wanted(plan))
    minutes = max(1.0, darks * plan.exposure_s / 60.0)
    return Block(
        "Darks and flats",
        (
            f"{darks} darks of {plan.exposure_s:g} s with the cap on, as warm as the lights "
            f"({minutes:.0f} min).",
            f"{FLATS} flats of an even white screen at half of full, focus and camera untouched; "
            f"{FLATS} bias frames at the shortest exposure with the cap on.",
        ),
    )


def other_ways(route: Route) -> tuple[str, ...]:
    """The aim by eye, the drift, the setting circles and hops from other stars."""
    lines = [] if route.sight_line is None else [route.sight_line.text]
    if route.drift is not None:
        lines.append(route.drift.text)
    if route.circles is not None:
        lines.append(route.circles.text)
    lines += [
        f"Another hop: {moves_words(other)} from {other.anchor_title}."
        for other in route.alternatives
    ]
    return tuple(lines)


def packing(kit: Kit) -> tuple[str, ...]:
    """What to carry out, from what the kit has and what a night without power needs."""
    finder = "red dot, its battery" if kit.finder.kind == "red-dot" else "finder, its caps"
    drive = "mount, counterweight, slow-motion knobs"
    if kit.mount.driven == "ra":
        drive += ", RA motor with its battery"
    things = [
        f"tube of {kit.optics.aperture_mm:g} mm with cap and dew shield",
        f"{drive}, tripod",
        finder,
        "camera, adapter, charged batteries, empty cards, remote release",
        "these sheets, pencil, red light",
        "white screen or shirt for the flats",
        "watch on the right time",
        "warm clothes, something hot, telephone",
    ]
    if kit.eyepieces:
        names = ", ".join(f"{e.focal_length_mm:g} mm" for e in kit.eyepieces)
        things.insert(3, f"eyepieces {names}, star diagonal if used")
    return tuple(things)


def clock(moment: datetime, zone: ZoneInfo) -> str:
    """A moment on the site's clock, to the minute."""
    return f"{moment.astimezone(zone):%H:%M}"


def coordinates(ra_deg: float, dec_deg: float) -> str:
    """A place as one sets circles to it: “21 h 30.0 min +12° 10′”."""
    minutes = round(ra_deg * 4.0, 1)
    size = round(abs(dec_deg) * 60.0)
    return (
        f"{int(minutes // 60):d} h {minutes % 60:04.1f} min "
        f"{'−' if dec_deg < 0 else '+'}{size // 60}° {size % 60:02d}′"
    )
