"""The score: one number from 0 to 1 out of the four answers, and a reason to say out loud.

The four part scores multiply, so that an object that fails one question cannot win on the other
three. Each part falls smoothly where its question turns from yes to no.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from slowglass.choose.framing import COMFORTABLE
from slowglass.choose.visibility import BARE_SNR, GOOD_SNR

Floats = npt.NDArray[np.float64]

FULL_DETAIL_PARTS = 100.0
"""Separate things to see (star widths of a surface, or members of a cluster) from which more
add little."""
LEAST_PARTS = 4.0
BEST_SNR = 400.0
"""Signal to noise per resolution element beyond which a picture gains little."""
WORTHLESS_SNR = 1.5
HIGH_ALT_DEG = 50.0
LOW_ALT_DEG = 30.0
LONG_HOP_LEGS = 7
LONG_WINDOW_MIN = 90.0


def fits_score(fraction: Floats, core_fraction: Floats, parts: Floats) -> Floats:
    """How well it fills the frame, 0 to 1: room around it, and parts enough to be worth one."""
    room = np.select(
        [fraction <= COMFORTABLE, fraction <= 1.0, core_fraction <= COMFORTABLE],
        [1.0, 0.7, 0.5],
        default=0.1,
    )
    detail = np.log(np.maximum(parts, 0.1) / LEAST_PARTS) / np.log(FULL_DETAIL_PARTS / LEAST_PARTS)
    return room * np.clip(0.4 + 0.6 * detail, 0.2, 1.0)


def shows_score(snr_total: Floats) -> Floats:
    """How well it shows after the session, 0 to 1, by the logarithm of signal to noise."""
    scale = np.log(BEST_SNR / WORTHLESS_SNR)
    return np.clip(np.log(np.maximum(snr_total, 1e-6) / WORTHLESS_SNR) / scale, 0.0, 1.0)


def holds_score(hold_time_s: Floats, wanted_s: Floats) -> Floats:
    """How well the mount serves it, 0.4 to 1: a sixth off for each halving below what it wants."""
    with np.errstate(divide="ignore"):
        lack = np.log2(np.maximum(hold_time_s, 1e-3) / np.maximum(wanted_s, 1e-3))
    return np.clip(1.0 + np.minimum(lack, 0.0) / 6.0, 0.4, 1.0)


def reach_score(altitude_deg: Floats, minutes_up: Floats, hop_legs: Floats) -> Floats:
    """How easily it is reached, 0 to 1: height, time and hop; 0 when it never comes up."""
    lift = np.sin(np.radians(altitude_deg)) / np.sin(np.radians(HIGH_ALT_DEG))
    height = np.sqrt(np.clip(lift, 0.0, 1.0))
    time = np.sqrt(np.clip(minutes_up / LONG_WINDOW_MIN, 0.0, 1.0))
    hop = 1.0 / (1.0 + 0.02 * np.maximum(hop_legs - 1.0, 0.0))
    return np.where(minutes_up > 0, height * time * hop, 0.0)


def total_score(fits: Floats, shows: Floats, holds: Floats, reach: Floats) -> Floats:
    """The product of the four, 0 to 1."""
    return fits * shows * holds * reach


def reason_words(
    *,
    looks: str,
    fits: str,
    fraction: float | None,
    snr_single: float,
    minutes_to_target: float,
    session_min: float,
    snr_total: float,
    exposure_s: float,
    hold_time_s: float,
    wanted_s: float,
    altitude_deg: float,
    direction: str,
    clock: str,
    moonlit_mag: float,
    hop_legs: int | None,
    start: str,
) -> str:
    """One or two sentences for a person: what speaks for the object tonight, then what against."""
    if snr_single >= GOOD_SNR:
        praise = f"shows well in a single {exposure_s:g} s exposure"
    elif minutes_to_target <= session_min:
        minutes = max(2, round(minutes_to_target))
        praise = f"smooth after {minutes} minutes of {exposure_s:g} s exposures"
    elif snr_total >= GOOD_SNR:
        praise = f"shows, with some grain, after {session_min:.0f} minutes"
    elif snr_total >= BARE_SNR:
        praise = f"{session_min:.0f} minutes of {exposure_s:g} s exposures bring it out faintly"
    else:
        praise = f"{session_min:.0f} minutes of exposures leave it lost in the noise"
    where = f"Best at {clock}, {altitude_deg:.0f}° up in the {direction}"
    if start and hop_legs:
        where += f", {'one leg' if hop_legs == 1 else f'{hop_legs} legs'} from {start}"
    against: list[str] = []
    if fits == "no":
        against.append("it is too large for the frame")
    elif fits == "barely":
        tight = fraction is None or fraction <= 1.0
        against.append("it is a tight fit" if tight else "only its bright core fits the frame")
    if hold_time_s < 0.5 * wanted_s:
        against.append(
            f"it wants exposures of {_span(wanted_s)} and the mount holds {hold_time_s:.0f} s"
        )
    if altitude_deg < LOW_ALT_DEG:
        against.append("it stays low")
    if moonlit_mag > 0.5:
        against.append(f"the Moon brightens the sky there by {moonlit_mag:.1f} mag")
    if hop_legs is not None and hop_legs > LONG_HOP_LEGS:
        against.append("the hop is long")
    text = f"{looks}: {praise}. {where}."
    return f"{text} But {'; '.join(against)}." if against else text


def _span(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 120 else f"{seconds / 60:.0f} min"
