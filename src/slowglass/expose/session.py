"""What a series of exposures takes: time, dithering by hand, calibration frames, card, battery."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

from slowglass.expose.suggest import BETWEEN_FRAMES_S, seconds_words, span_words
from slowglass.kit.model import Kit

LONGEST_SESSION_MIN = 120.0
"""The longest one object is planned for in a night."""
LEAST_SESSION_MIN = 20.0
"""Fewer minutes make no stack worth the walk outside, whatever the core's signal to noise."""
MOST_FRAMES = 1000
"""More wear the shutter and fill the card for little."""
DITHER_PX = (10.0, 20.0)
"""Far enough for hot pixels and colour noise to fall on other sky, near enough to lose no edge."""
DITHER_PLACES = 10
"""So many places let a rejection tell what stays with the sensor from what stays with the sky."""
LEAST_BETWEEN_S = 180.0
"""Nobody walks to the telescope more often than that."""
SETTLE_S = 10.0
"""A tube touched by hand swings this long."""
MASTER_FLAT_ERROR = 0.002
"""Noise of the combined flat over its level: half of what flats are good for in practice."""
FLAT_LEVEL = 0.5
DARKS, BIAS = (16, 40), 30
"""Fewest and most darks, and bias frames: enough that they add little noise to the stack."""
CARD_SPARE = 1.2
BATTERY_SHARE_BY_C = ((-20.0, 0.4), (-10.0, 0.55), (0.0, 0.75), (10.0, 0.9), (20.0, 1.0))
"""What a lithium battery gives in the cold over its stated energy (common practice, no source)."""
DRIFT_DITHERS_PX = 4.0


@dataclass(frozen=True)
class Session:
    """A series of one length with all that it needs.

    ``frames`` are taken, ``keepers`` of them are expected to stay round. ``dither_every`` frames
    the stars are moved by ``dither_arcsec`` by hand. ``recentre_min`` says when drift has used
    up the room beside the object (None: not within the session). ``card_gb`` holds everything
    uncompressed, ``batteries`` is how many full ones the night takes at its temperature.
    """

    exposure_s: float
    frames: int
    keepers: int
    minutes: float
    dither_every: int
    dither_arcsec: tuple[float, float]
    drift_arcsec_per_min: float
    recentre_min: float | None
    darks: int
    dark_s: float
    flats: int
    flat_level: float
    bias: int
    card_gb: float
    batteries: int
    text: tuple[str, ...]


def plan_session(
    kit: Kit,
    *,
    exposure_s: float,
    keeper_fraction: float,
    wanted_frames: int | None,
    minutes_up: float | None,
    drift_arcsec_per_min: float,
    temperature_c: float,
    room_arcsec: float | None = None,
) -> Session:
    """The series that reaches the wanted number of good frames, within the night.

    ``drift_arcsec_per_min`` is how fast the polar axis and the air carry the field away;
    ``room_arcsec`` how far the object may wander before it touches an edge.
    """
    camera, scale = kit.camera, kit.scale_arcsec_per_px
    share = max(keeper_fraction, 0.05)
    step = exposure_s + BETWEEN_FRAMES_S
    window = LONGEST_SESSION_MIN if minutes_up is None else min(minutes_up, LONGEST_SESSION_MIN)
    needed = 0.0 if wanted_frames is None else wanted_frames / share * step / 60.0
    frames = max(1, int(min(max(needed, LEAST_SESSION_MIN), window) * 60.0 / step))
    frames = min(frames, MOST_FRAMES)
    every = max(math.ceil(LEAST_BETWEEN_S / step), min(20, round(frames / DITHER_PLACES)))
    nudges = (frames - 1) // every
    minutes = (frames * step + nudges * SETTLE_S) / 60.0
    flats = math.ceil(1.0 / (MASTER_FLAT_ERROR**2 * FLAT_LEVEL * camera.saturation_e))
    flats = min(max(flats, 12), 60)
    darks = min(max(DARKS[0], frames // 4), DARKS[1])
    recentre = None
    if room_arcsec is not None and drift_arcsec_per_min > 0:
        recentre = room_arcsec / drift_arcsec_per_min
        recentre = None if recentre >= minutes else recentre
    raw_gb = camera.width_px * camera.height_px * camera.bits / 8.0 / 1e9
    card = CARD_SPARE * raw_gb * (frames + darks + flats + BIAS)
    wh = (frames + darks) * step / 3600.0 * camera.power_w
    batteries = max(1, math.ceil(wh / (camera.battery_wh * battery_share(temperature_c))))
    keepers = max(1, round(frames * keeper_fraction))
    dither = DITHER_PX[0] * scale, DITHER_PX[1] * scale
    drifted = drift_arcsec_per_min * every * step / 60.0
    lines = (
        _frames_words(frames, exposure_s, minutes, keepers),
        _dither_words(every, step, dither, drifted, scale, frames)
        if kit.mount.driven != "none"
        else STILL_WORDS,
        _recentre_words(recentre),
        f"Darks: {darks} of {seconds_words(exposure_s)} with the cap on, at the end, as cold as "
        f"the pictures. Flats: {flats} of an even white screen with the same focus and camera "
        f"angle, exposed to about {FLAT_LEVEL:.0%} of full. Bias: {BIAS} at the shortest time, "
        "cap on.",
        f"Card: {card:.1f} GB of uncompressed raw files. Batteries: {batteries} full "
        f"{'one' if batteries == 1 else 'ones'} at {temperature_c:.0f} °C.",
    )
    return Session(
        exposure_s=exposure_s,
        frames=frames,
        keepers=keepers,
        minutes=minutes,
        dither_every=every,
        dither_arcsec=dither,
        drift_arcsec_per_min=drift_arcsec_per_min,
        recentre_min=recentre,
        darks=darks,
        dark_s=exposure_s,
        flats=flats,
        flat_level=FLAT_LEVEL,
        bias=BIAS,
        card_gb=card,
        batteries=batteries,
        text=tuple(line for line in lines if line),
    )


STILL_WORDS = (
    "Without a motor the sky itself moves the stars from frame to frame: no dithering is needed. "
    "Aim a little ahead of the object and let it cross the frame."
)


def battery_share(temperature_c: float) -> float:
    """Share of its stated energy that a lithium battery gives at a temperature."""
    low, high = BATTERY_SHARE_BY_C[0], BATTERY_SHARE_BY_C[-1]
    if temperature_c <= low[0]:
        return low[1]
    for (cold, less), (warm, more) in pairwise(BATTERY_SHARE_BY_C):
        if temperature_c <= warm:
            return less + (more - less) * (temperature_c - cold) / (warm - cold)
    return high[1]


def _frames_words(frames: int, exposure_s: float, minutes: float, keepers: int) -> str:
    lost = f", of which about {keepers} stay round" if keepers < frames else ""
    return (
        f"Take {frames} × {seconds_words(exposure_s)}{lost}: {span_words(60.0 * minutes)} in all."
    )


def _dither_words(
    every: int,
    step_s: float,
    dither_arcsec: tuple[float, float],
    drifted_arcsec: float,
    scale: float,
    frames: int,
) -> str:
    if frames <= every:
        return ""
    low, high = dither_arcsec
    if drifted_arcsec >= DRIFT_DITHERS_PX * scale:
        return (
            f"Dithering: the drift itself carries the stars {drifted_arcsec / scale:.0f} px in "
            f"{every} frames; nudge the other axis as well every {every} frames "
            f"({span_words(every * step_s)}), so that they do not walk along one line."
        )
    return (
        f"Dithering by hand: every {every} frames ({span_words(every * step_s)}) pause, turn the "
        "declination knob by a hair and tap the right-ascension buttons, a different way each "
        f"time, so that the stars move {low:.0f}–{high:.0f}″ ({DITHER_PX[0]:.0f}–"
        f"{DITHER_PX[1]:.0f} px); wait {SETTLE_S:.0f} s before the next frame."
    )


def _recentre_words(recentre_min: float | None) -> str:
    if recentre_min is None:
        return ""
    return (
        "Drift carries the object toward the edge: centre it again every "
        f"{span_words(60.0 * recentre_min)}."
    )
