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

WORTHLESS_SNR, BEST_SNR = 1.5, 60.0
"""Signal to noise per resolution element at which there is nothing to see, and beyond which
detail gains little: twice that of a smooth picture."""
SMOOTH_DETAIL = 0.5
"""Of an elliptical or lenticular galaxy, which is a glow without structure however bright."""
FEW_STARS, MANY_STARS = 3.0, 60.0
"""Members at which a cluster is no sight yet, and from which more add little."""
WORTHLESS_WHOLE_SNR, BEST_WHOLE_SNR = 30.0, 500.0
"""The same two ends for the object as a whole, told of a hundredth of its area: a tenth of its
width across, what the eye takes for one part of it."""
PATIENCE_H = 4.0
LOSS_PER_H = 0.07
"""Few wait up: each hour beyond the fourth costs so much. What comes up late is an evening
object in another month."""
HIGH_ALT_DEG = 40.0
LOW_ALT_DEG = 30.0
LONG_HOP_LEGS = 7
UNNAMED = 0.8
"""Catalogued magnitudes and sizes are often wrong; a Messier number or a name in use is evidence
that there is something to see."""
LONG_WINDOW_MIN = 90.0


def fits_score(
    fraction: Floats, core_fraction: Floats, *, core_apart: bool | npt.NDArray = False
) -> Floats:
    """How well the frame holds it, 0 to 1; ``core_apart``: its core makes a picture of its own."""
    core_fits = core_fraction <= COMFORTABLE
    return np.select(
        [fraction <= COMFORTABLE, core_fits & core_apart, fraction <= 1.0, core_fits],
        [1.0, 0.95, 0.7, 0.5],
        default=0.1,
    )


def shows_score(
    snr_total: Floats,
    parts: Floats,
    *,
    stars: bool | npt.NDArray = False,
    smooth: bool | npt.NDArray = False,
) -> Floats:
    """What a sight it is after the session, 0 to 1: detail, and the object as a whole.

    ``parts`` are the star widths its outline holds, or a cluster's members (``stars``). Detail
    is the signal to noise of one part, or the number of members; the whole is signal to noise
    times the root of the parts. ``smooth`` ones have
    half the detail. The geometric mean asks for both: a speck has no parts, a vast
    nebula no detail, a bright star with company few members.
    """
    detail = np.where(smooth, SMOOTH_DETAIL, 1.0) * np.where(
        stars,
        _climb(parts, FEW_STARS, MANY_STARS),
        _climb(snr_total, WORTHLESS_SNR, BEST_SNR),
    )
    whole = snr_total * np.sqrt(np.maximum(parts, 0.0) / 100.0)
    return np.sqrt(detail * _climb(whole, WORTHLESS_WHOLE_SNR, BEST_WHOLE_SNR))


def _climb(value: Floats, nothing: float, full: float) -> Floats:
    """From 0 to 1 by the logarithm of a value between two ends."""
    return np.clip(np.log(np.maximum(value, 1e-6) / nothing) / np.log(full / nothing), 0.0, 1.0)


def holds_score(hold_time_s: Floats, wanted_s: Floats) -> Floats:
    """How well the mount serves it, 0.4 to 1: a tenth off for each halving below what it wants.

    Gentle, since the lost signal to noise counts as well.
    """
    with np.errstate(divide="ignore"):
        lack = np.log2(np.maximum(hold_time_s, 1e-3) / np.maximum(wanted_s, 1e-3))
    return np.clip(1.0 + np.minimum(lack, 0.0) / 10.0, 0.4, 1.0)


def reach_score(
    altitude_deg: Floats, minutes_up: Floats, hop_legs: Floats, wait_h: Floats
) -> Floats:
    """How easily it is reached, 0 to 1: height, time, hop and wait; 0 if it never comes up."""
    lift = np.sin(np.radians(altitude_deg)) / np.sin(np.radians(HIGH_ALT_DEG))
    height = np.sqrt(np.clip(lift, 0.0, 1.0))
    time = np.sqrt(np.clip(minutes_up / LONG_WINDOW_MIN, 0.0, 1.0))
    hop = 1.0 / (1.0 + 0.02 * np.maximum(hop_legs - 1.0, 0.0))
    late = np.clip(1.0 - LOSS_PER_H * np.maximum(wait_h - PATIENCE_H, 0.0), 0.5, 1.0)
    return np.where(minutes_up > 0, height * time * hop * late, 0.0)


def total_score(
    fits: Floats, shows: Floats, holds: Floats, reach: Floats, *, named: bool | npt.NDArray
) -> Floats:
    """The product of the four, 0 to 1, less a little for what nobody has given a name."""
    return fits * shows * holds * reach * np.where(named, 1.0, UNNAMED)


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
    late_from: str = "",
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
    return f"{looks}: {praise}. " + placed_words(
        against,
        altitude_deg=altitude_deg,
        direction=direction,
        clock=clock,
        moonlit_mag=moonlit_mag,
        hop_legs=hop_legs,
        start=start,
        late_from=late_from,
    )


def placed_words(
    against: list[str],
    *,
    altitude_deg: float,
    direction: str,
    clock: str,
    moonlit_mag: float,
    hop_legs: int | None,
    start: str,
    late_from: str = "",
) -> str:
    """When and where it stands, how far the hop is, and then all that speaks against it."""
    where = f"Best at {clock}, {altitude_deg:.0f}° up in the {direction}"
    if start and hop_legs:
        where += f", {'one leg' if hop_legs == 1 else f'{hop_legs} legs'} from {start}"
    faults = list(against)
    if altitude_deg < LOW_ALT_DEG:
        faults.append("it stays low")
    if late_from:
        faults.append(f"it is well placed only from {late_from}")
    if moonlit_mag > 0.5:
        faults.append(f"the Moon brightens the sky there by {moonlit_mag:.1f} mag")
    if hop_legs is not None and hop_legs > LONG_HOP_LEGS:
        faults.append("the hop is long")
    return f"{where}. But {'; '.join(faults)}." if faults else f"{where}."


def _span(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 120 else f"{seconds / 60:.0f} min"
