"""How long one exposure should be: the trade between read noise, sky, wells, mount and hours.

The merit of an exposure of t seconds is the square of the signal to noise that faint light gains
in an hour at the telescope: keepers(t) · t² / ((t + pause)·(background·t + R²)). Its best value
over customary lengths wins, among those that neither fill the wells nor leave too few frames.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from slowglass.expose.noise import READ_NOISE_SHARE, read_noise_cost

Limit = Literal["read noise", "sky", "saturation", "tracking", "hours"]

STEPS_S = (
    *(0.0167, 0.0333, 0.0667, 0.125, 0.25, 0.5, 1, 2, 3, 5, 8, 10, 15, 20, 25, 30, 40, 50),
    *(60, 80, 90, 120, 150, 180, 240, 300),
)
"""Customary exposures: what a release or an interval timer is set to."""
BETWEEN_FRAMES_S = 2.0
"""Read-out and shutter between two exposures."""
LEAST_FRAMES = 12
"""Fewer frames than this cannot tell a satellite or a hot pixel from the sky."""
NEARLY_BEST = 0.97
"""Of two lengths that differ by less, the shorter one loses less to a passing car."""


@dataclass(frozen=True)
class Suggestion:
    """A length for one exposure and what keeps it from being longer.

    ``read_noise_cost`` is the total exposure as a multiple of what one unbroken frame would
    need; ``time_cost`` the hours at the telescope as a multiple of those with no read noise, no
    pause and no lost frame; ``keeper_fraction`` the share of the frames that stay round.
    """

    exposure_s: float
    limit: Limit
    read_noise_cost: float
    text: str
    keeper_fraction: float = 1.0
    time_cost: float = 1.0


def round_down_s(seconds: float) -> float:
    """The longest customary exposure not above ``seconds`` (never below the shortest)."""
    return float(max((step for step in STEPS_S if step <= seconds), default=STEPS_S[0]))


def suggest_exposure(
    *,
    sky_limited_s: float,
    saturation_s: float,
    background_e_per_px_s: float,
    read_noise_e: float,
    keepers: Callable[[float], float],
    window_s: float = math.inf,
) -> Suggestion:
    """The exposure that gathers most in an hour, what binds it, and what that costs.

    ``keepers`` gives the share of round frames for a length in seconds; ``window_s`` is the time
    the object can be photographed. The limit is what a better kit, sky or night would have to
    change: "sky" when read noise no longer matters, "tracking", "saturation" or "hours" when
    that keeps the frame short, or "read noise" when even the longest customary exposure is
    limited by it.
    """
    ends: dict[Limit, float] = {
        "sky": sky_limited_s,
        "saturation": saturation_s,
        "hours": window_s / LEAST_FRAMES - BETWEEN_FRAMES_S,
        "read noise": float(STEPS_S[-1]),
    }
    bound = min(ends, key=lambda name: ends[name])
    longest = round_down_s(ends[bound])

    def merit(seconds: float, share: float) -> float:
        noise = background_e_per_px_s * seconds + read_noise_e**2
        return share * seconds**2 / ((seconds + BETWEEN_FRAMES_S) * max(noise, 1e-12))

    merits = {t: merit(t, keepers(t)) for t in STEPS_S if t <= longest} or {STEPS_S[0]: 0.0}
    enough = NEARLY_BEST * max(merits.values())
    exposure = float(next(t for t, value in merits.items() if value >= enough))
    share = keepers(exposure)
    # What the next longer customary length would do on a mount that held, tells who is to blame.
    limit: Limit = bound
    if exposure < longest and merit(longest, 1.0) > 1.1 * merits[exposure]:
        limit = "tracking"
    cost = read_noise_cost(read_noise_e, background_e_per_px_s * exposure)
    best = merits[exposure] * background_e_per_px_s
    time_cost = 1.0 / best if best > 0 else math.inf
    words = _limit_words(limit, exposure, cost, share, sky_limited_s)
    if limit == "tracking":
        saved = merits[exposure] / merit(longest, 1.0)
        need = "under 1%" if saved < 0.01 else f"{saved:.0%}"
        words += f"; a mount that held for {longest:g} s would need {need} of the hours"
    return Suggestion(exposure, limit, cost, words, share, time_cost)


def _limit_words(
    limit: Limit, exposure: float, cost: float, share: float, sky_limited_s: float
) -> str:
    noise, this = read_noise_words(cost), seconds_words(exposure)
    if limit == "sky":
        return f"{this}: the sky drowns the read noise by then; longer exposures gain nothing"
    if limit == "tracking":
        return (
            f"{this}: with longer ones the mount loses more frames than they gain ({share:.0%} "
            f"stay round at this length). The frame is {noise} (the sky's own noise would take "
            f"over after {span_words(sky_limited_s)})"
        )
    if limit == "saturation":
        return f"{this}: the bright core fills the wells after that. The frame is {noise}"
    if limit == "hours":
        return (
            f"{this}: the time it is up leaves too few frames of longer ones. The frame is {noise}"
        )
    return f"{this}, the longest customary exposure. The frame is still {noise}"


def read_noise_words(cost: float) -> str:
    """What limits a frame, and what that costs: from the total time over the ideal one."""
    if cost < (1.0 + READ_NOISE_SHARE) ** 2:
        return "limited by the sky, as it should be"
    if not math.isfinite(cost) or cost > 99:
        return "limited by read noise alone"
    return (
        f"read-noise limited: faint light needs {cost:.1f} times the total exposure that one "
        "unbroken frame would"
    )


def seconds_words(seconds: float) -> str:
    """An exposure as a camera shows it: "1/15 s", "0.5 s", "30 s"."""
    return f"1/{round(1.0 / seconds)} s" if seconds < 0.4 else f"{seconds:g} s"


def span_words(seconds: float) -> str:
    """A time as one says it: "90 s", "12 min", "forever"."""
    if not math.isfinite(seconds):
        return "forever"
    return f"{seconds:.0f} s" if seconds < 120 else f"{seconds / 60:.0f} min"
