"""The plan of an exposure in sentences."""

from __future__ import annotations

import math

from slowglass.expose.conditions import Conditions
from slowglass.expose.session import LEAST_SESSION_MIN
from slowglass.expose.suggest import Suggestion, seconds_words, span_words
from slowglass.kit.model import Site

WANTED_SNR = 30.0
"""Signal to noise per resolution element at which an object looks smooth in the stack."""
MOST_FRAMES = 999
FEW_FRAMES = 20
TOLD_MAG = 0.2
"""A sky brightened by less is not worth a word."""


def conditions_notes(site: Site, conditions: Conditions) -> list[str]:
    """What of sky, air and wind is worse than the site's best, a phrase each."""
    notes = []
    if conditions.brightened_mag >= TOLD_MAG:
        notes.append(
            f"Moon or twilight makes the sky {conditions.brightened_mag:.1f} magnitudes brighter "
            "than this site's dark sky"
        )
    if conditions.domes_mag >= TOLD_MAG:
        notes.append(
            f"the light of towns makes the sky there {conditions.domes_mag:.1f} magnitudes brighter"
        )
    if site.air in ("humid", "dusty"):
        lost = conditions.extinction_mag * conditions.airmass
        notes.append(f"{site.air} air takes {lost:.1f} magnitudes at that height")
    if site.wind != "calm":
        words = {"breeze": "a breeze", "windy": "wind"}[site.wind]
        notes.append(f"{words} widens the stars and spoils some of the frames")
    return notes


def plan_words(
    *,
    seconds: float,
    frames: int,
    singles: list[tuple[str, float]],
    keepers: float,
    untrailed_s: float | None,
    suggestion: Suggestion,
    wanted: int | None,
    at_suggested: float | None,
    window: int | None,
) -> str:
    """The plan as a short paragraph; ``singles`` are what is told of, with its ratio."""
    lines = []
    for number, (what, value) in enumerate(singles):
        many = f", {value * math.sqrt(frames):.1f} after {frames}" if frames > 1 else ""
        of = f" of {what}" if len(singles) > 1 else ""
        start = "Signal to noise" if number == 0 else "That"
        lines.append(f"{start}{of}: {value:.1f} in one frame of {seconds_words(seconds)}{many}.")
    if untrailed_s is not None:
        lines.append(
            f"Without a motor the sky carries a star out of round in {untrailed_s:.2g} s there."
        )
    lines.append(f"{keepers:.0%} of frames this long keep round stars.")
    lines.append(f"Suggested: {suggestion.text}.")
    if 1.3 < suggestion.time_cost < 1000.0:
        lines.append(
            f"All told, read noise, pauses and lost frames make it {suggestion.time_cost:.1f} "
            "times the hours of a perfect kit of this aperture."
        )
    if wanted is None or at_suggested is None:
        return " ".join(lines)
    if wanted >= MOST_FRAMES:
        lines.append(
            f"Even {MOST_FRAMES} such frames do not reach signal to noise {WANTED_SNR:g}: "
            "too faint for this kit."
        )
        return " ".join(lines)
    lines += _wanted_words(suggestion, wanted)
    if window:
        reached = at_suggested * math.sqrt(max(1, int(window * suggestion.keeper_fraction)))
        told = f" and together reach {reached:.0f}" if reached < 10.0 * WANTED_SNR else ""
        lines.append(f"{window} such frames fit into the night's window{told}.")
    return " ".join(lines)


def _wanted_words(suggestion: Suggestion, wanted: int) -> list[str]:
    lines = []
    if wanted == 1:
        lines.append(
            f"One such frame reaches signal to noise {WANTED_SNR:g} per resolution element."
        )
    else:
        taken = math.ceil(wanted / max(suggestion.keeper_fraction, 0.05))
        spare = f" (take {taken}, some will trail)" if taken > wanted else ""
        light = span_words(wanted * suggestion.exposure_s)
        lines.append(
            f"{wanted} good frames of that length{spare}, {light} of light, reach signal to noise "
            f"{WANTED_SNR:g} per resolution element."
        )
    if wanted < FEW_FRAMES:
        lines.append(
            f"That is the least: take {LEAST_SESSION_MIN:.0f} min or more, for faint outskirts; "
            "noise falls with the root of their number."
        )
    return lines
