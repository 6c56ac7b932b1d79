"""Longer, shorter, more of the same, or stop for the Moon: what the light of a frame asks for."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from slowglass.judge.quality import friendly_s
from slowglass.judge.sky import SkyLight
from slowglass.judge.worm import HoldTimes

Step = Literal["stop", "shorter", "longer", "more"]

MOON_MAG = 1.0
"""Brightening of the sky from which faint objects are better left: noise 1.6 times, time 2.5."""
FULL_SHARE = 0.5
"""Sky over clipping level: beyond, stars have no room left."""
READ_SHARE = 0.3
"""Read noise's share of the variance from which longer exposures pay (30 % of time at most)."""
CLIPPED_STARS = 12
LONGEST_S = 600.0


@dataclass(frozen=True)
class ExposureAdvice:
    """The next exposure: what to do, for how long (s, None: as now), and why."""

    step: Step
    exposure_s: float | None
    text: str


def advise_exposure(
    light: SkyLight,
    *,
    exposure_s: float,
    hold: HoldTimes | None = None,
    moon_mag: float | None = None,
) -> ExposureAdvice:
    """What the sky, the clipping and the mount together ask of the next exposure.

    ``moon_mag`` is by how much Moon and twilight brighten the sky, magnitudes.
    """
    if moon_mag is not None and moon_mag >= MOON_MAG:
        return ExposureAdvice(
            "stop",
            None,
            f"stop for the Moon: it makes the sky {moon_mag:.1f} mag brighter, each picture worth "
            f"a {10 ** (0.4 * moon_mag):.1f}th of its time",
        )
    share = light.histogram_share
    if share is not None and share > FULL_SHARE:
        better = exposure_s * 0.25 / share
        return ExposureAdvice(
            "shorter",
            better,
            f"shorter, {friendly_s(better)}: the sky alone fills {share:.0%} of the range",
        )
    cores = light.clipped_stars or {}
    worst = max(cores, key=lambda name: cores[name], default=None)
    if worst is not None and cores[worst] >= CLIPPED_STARS:
        better = 0.5 * exposure_s
        return ExposureAdvice(
            "shorter",
            better,
            f"shorter, {friendly_s(better)}: {cores[worst]} stars have clipped cores in {worst}",
        )
    noise = light.read_noise_share
    if noise is None or noise <= READ_SHARE:
        return ExposureAdvice("more", None, "more of the same: the exposure suits sky and camera")
    # Variance per time is (S·t + R²)/t: the time at which R² has the wanted share.
    wanted = exposure_s * (noise / (1.0 - noise)) * (1.0 - READ_SHARE) / READ_SHARE
    limit = min(LONGEST_S, hold.keep_80_s if hold is not None else LONGEST_S)
    better = min(wanted, limit)
    if better < 1.25 * exposure_s:
        return ExposureAdvice(
            "more",
            None,
            f"more frames: read noise is {noise:.0%} of the background, but the mount holds no "
            "longer exposure",
        )
    return ExposureAdvice(
        "longer",
        better,
        f"longer, {friendly_s(better)}: read noise is {noise:.0%} of the background",
    )
