"""The fall of light toward the corners, told from the lights' own sky where flats are missing.

The sky is nearly even over a narrow field, so what its brightness does with the distance from
the centre is the optics' doing, and what it does along a line is the sky's. Both multiply, and
their logarithms are fitted at once, with a slope of its own for each light. Dust shadows are
out of reach; a nebula that fills the frame would mislead, so the four quarters of the frame
must tell the same.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from slowglass.finish.skyflat import Blocks

Plane = npt.NDArray[np.float32]
LEAST_DROP = 0.02
"""A smaller fall is left alone: the sky's own unevenness is no better known."""
DEEPEST_DROP = 0.8
AGREE = 0.35
"""Largest share by which a quarter's fall may differ from the whole frame's."""
LEFT = 0.12
"""Largest share of the fall that may be left over in four blocks of five."""


@dataclass(frozen=True)
class Fall:
    """Light relative to the centre: exp(a·r² + b·r⁴), r = 1 at the corners."""

    a: float
    b: float

    @property
    def corner(self) -> float:
        """Share of light lost in the corners."""
        return float(1.0 - np.exp(self.a + self.b))

    def plane(self, height_px: int, width_px: int) -> Plane:
        """The relative light of every pixel."""
        y = (np.arange(height_px) - (height_px - 1) / 2)[:, None]
        x = (np.arange(width_px) - (width_px - 1) / 2)[None, :]
        r2 = ((x**2 + y**2) / (((width_px - 1) ** 2 + (height_px - 1) ** 2) / 4)).astype(np.float32)
        return np.asarray(np.exp(np.float32(self.a) * r2 + np.float32(self.b) * r2**2))


def fall_of_light(skies: Sequence[Blocks], width_px: int, height_px: int) -> Fall | None:
    """The fall that the sky blocks of several lights tell, or None where they tell none.

    Levels must count from true darkness. Blocks that stand above their neighbours' fit hold
    objects and drop out.
    """
    x, y, level = (
        np.concatenate([getattr(s, name) for s in skies]) for name in ("x_px", "y_px", "level_adu")
    )
    if len(level) < 60 or level.min() <= 0:
        return None
    level = np.log(level)
    which = np.concatenate([np.full(len(s.level_adu), k) for k, s in enumerate(skies)])
    own = (which[:, None] == np.arange(len(skies))).astype(float)
    u = (x - (width_px - 1) / 2) / (width_px / 2)
    v = (y - (height_px - 1) / 2) / (height_px / 2)
    r2 = ((x - (width_px - 1) / 2) ** 2 + (y - (height_px - 1) / 2) ** 2) / (
        (width_px**2 + height_px**2) / 4
    )
    design = np.hstack([own, own * u[:, None], own * v[:, None], r2[:, None], r2[:, None] ** 2])
    keep = np.ones(len(level), dtype=bool)
    terms = np.zeros(design.shape[1])
    for _ in range(15):
        terms = np.linalg.lstsq(design[keep], level[keep], rcond=None)[0]
        rest = level - design @ terms
        sigma = max(1.4826 * float(np.median(np.abs(rest[keep]))), 1e-6)
        again = (rest < 2.0 * sigma) & (rest > -3.0 * sigma)
        if again.sum() < len(level) // 3 or (again == keep).all():
            break
        keep = again
    fall = Fall(float(terms[-2]), float(terms[-1]))
    if not LEAST_DROP <= fall.corner <= DEEPEST_DROP:
        return None
    even = level - design[:, :-2] @ terms[:-2]
    expected = fall.a * r2 + fall.b * r2**2
    if np.quantile(np.abs(even - expected), 0.8) > LEFT * abs(fall.a + fall.b):
        return None
    for right in (False, True):
        for low in (False, True):
            quarter = keep & ((u > 0) == right) & ((v > 0) == low) & (r2 > 0.3)
            if quarter.sum() < 5:
                return None
            told = float(even[quarter].mean() / expected[quarter].mean())
            if abs(told - 1.0) > AGREE:
                return None
    return fall
