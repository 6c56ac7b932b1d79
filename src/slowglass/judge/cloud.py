"""Cloud and dew in a series: zero points that drop, suddenly or steadily."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from slowglass.judge.focus import theil_sen
from slowglass.judge.sample import Sample
from slowglass.judge.silence import Silence

FEWEST_FRAMES = 4
CLOUD_MAG = 0.25
"""A drop from which it costs: a fifth of the light."""
CLEAR_SHARE = 0.8
"""The zero point that a fifth of the frames exceed is taken for clear air."""


@dataclass(frozen=True)
class Clouds:
    """How many magnitudes of light each frame lost against the series' clear air.

    ``lost_mag`` is in the order given, None where a frame has no zero point. ``fading`` says the
    loss grew steadily, as with dew or an object that sinks into thicker air.
    """

    lost_mag: tuple[float | None, ...]
    cloudy: tuple[int, ...]
    worst_mag: float
    fading: bool
    fading_mag_per_hour: float

    @property
    def text(self) -> str:
        """What the light did, in words."""
        if self.fading:
            return (
                f"the stars fade steadily, {self.fading_mag_per_hour:.1f} mag an hour: dew on the "
                "glass, haze, or the object sinks"
            )
        if self.cloudy:
            plural = "s" if len(self.cloudy) > 1 else ""
            return (
                f"cloud in {len(self.cloudy)} frame{plural}, up to {self.worst_mag:.1f} mag "
                f"({1.0 - 10 ** (-0.4 * self.worst_mag):.0%} of the light)"
            )
        return f"clear throughout: no frame lost more than {max(self.worst_mag, 0.0):.2f} mag"


def find_clouds(samples: Iterable[Sample]) -> Clouds | Silence:
    """The light lost in each frame; silence for fewer than four zero points."""
    listed = list(samples)
    known = [i for i, s in enumerate(listed) if s.zero_point_mag is not None]
    if len(known) < FEWEST_FRAMES:
        return Silence(
            f"{len(known)} frames with a zero point, {FEWEST_FRAMES} needed to see cloud pass"
        )
    zero = np.array([listed[i].zero_point_mag for i in known], dtype=np.float64)
    clear = float(np.quantile(zero, CLEAR_SHARE))
    lost = clear - zero
    fading, rate = _fading([listed[i] for i in known], lost)
    every: list[float | None] = [None] * len(listed)
    for place, value in zip(known, lost, strict=True):
        every[place] = float(value)
    cloudy = tuple(i for i, value in zip(known, lost, strict=True) if value > CLOUD_MAG)
    return Clouds(tuple(every), cloudy, float(lost.max()), fading, rate)


def _fading(samples: list[Sample], lost: np.ndarray) -> tuple[bool, float]:
    """(steady loss, magnitudes an hour): a line that explains nearly all of the change."""
    if len(samples) < 6 or any(s.mid_s is None for s in samples):
        return False, 0.0
    hours = np.array([s.mid_s for s in samples], dtype=np.float64) / 3600.0
    hours = hours - hours[0]
    if not np.ptp(hours) > 0:
        return False, 0.0
    slope, error, scatter = theil_sen(hours, lost)
    change = slope * float(np.ptp(hours))
    steady = change > CLOUD_MAG and slope > 5.0 * error and scatter < 0.15 * change
    return steady, slope if math.isfinite(slope) else 0.0
