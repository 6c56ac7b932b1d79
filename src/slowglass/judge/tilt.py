"""How focus changes over the frame: a map of star widths, tilt and curvature with their errors."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from slowglass.judge.pattern import Pattern
from slowglass.judge.sample import Sample
from slowglass.judge.silence import Silence
from slowglass.kit.optics import FWHM_PER_SIGMA

Floats = npt.NDArray[np.float64]

MATTERS = 0.08
"""Difference of width across the frame, as a share, from which it shows."""
SURE_SIGMAS = 4.0


@dataclass(frozen=True)
class FieldMap:
    """Star widths over the frame, px (FWHM, geometric mean), rows from the first stored.

    ``tilt_share`` is how much wider stars are at one end of the frame's half-diagonal than in the
    middle, toward ``tilt_angle_deg`` (from +x toward +y); ``curve_share`` how much wider at the
    corners than in the middle, whatever the direction. Shares of the middle's width.
    """

    widths_px: tuple[tuple[float, ...], ...]
    tilt_share: float
    tilt_error: float
    tilt_angle_deg: float
    curve_share: float
    curve_error: float
    stars: int
    frames: int

    @property
    def tilted(self) -> bool:
        """True where one side is surely and visibly softer."""
        return self.tilt_share > max(MATTERS, SURE_SIGMAS * self.tilt_error)

    @property
    def curved(self) -> bool:
        """True where the corners are surely and visibly softer (or sharper) than the middle."""
        return abs(self.curve_share) > max(MATTERS, SURE_SIGMAS * self.curve_error)

    @property
    def text(self) -> str:
        """The map in words."""
        parts = []
        if self.tilted:
            side = side_words(self.tilt_angle_deg)
            parts.append(
                f"the {side} is {self.tilt_share:.0%} ± {self.tilt_error:.0%} softer than the "
                "middle: the sensor is tilted to the focus"
            )
        if self.curved:
            how = "softer" if self.curve_share > 0 else "sharper"
            parts.append(
                f"the corners are {abs(self.curve_share):.0%} ± {self.curve_error:.0%} {how} than "
                "the middle: a curved field, or coma"
            )
        return "; ".join(parts) or (
            f"the frame is evenly sharp (tilt {self.tilt_share:.1%} ± {self.tilt_error:.1%})"
        )


def side_words(angle_deg: float) -> str:
    """The side of the picture, as stored, that lies in a direction from +x toward +y."""
    names = (
        "right side", "lower right corner", "lower side", "lower left corner",
        "left side", "upper left corner", "upper side", "upper right corner",
    )  # fmt: skip
    return names[round((angle_deg % 360.0) / 45.0) % 8]


def field_map(samples: Sequence[Sample]) -> FieldMap | Silence:
    """The map from the frames' patterns taken together; silence without stars over the field."""
    fitted = [s.pattern for s in samples if s.pattern is not None and _full(s.pattern)]
    if not fitted:
        return Silence("too few stars over the field for a map of its focus: 14 in one frame")
    sizes = np.array([p.size for p in fitted])
    relative = sizes / sizes[:, :1]
    middle = np.median(relative, axis=0)
    errors = np.array([p.size_error for p in fitted]) / sizes[:, :1]
    error = np.median(errors, axis=0) / math.sqrt(len(fitted))
    if len(fitted) > 2:
        error = np.maximum(error, relative.std(axis=0, ddof=1) / math.sqrt(len(fitted)))
    base_px = FWHM_PER_SIGMA * math.sqrt(float(np.median(sizes[:, 0])))
    shape = next((s for s in samples if s.width_px and s.height_px), None)
    wide = shape.width_px if shape and shape.width_px else 3
    high = shape.height_px if shape and shape.height_px else 2
    reach = math.hypot(wide, high)
    us, vs = np.array([-0.8, 0.0, 0.8]) * wide / reach, np.array([-0.8, 0.0, 0.8]) * high / reach
    # A width is the root of a variance, so shares of variance count half.
    return FieldMap(
        widths_px=tuple(
            tuple(base_px * math.sqrt(max(0.05, _value(middle, u, v))) for u in us) for v in vs
        ),
        tilt_share=0.5 * math.hypot(middle[1], middle[2]),
        tilt_error=0.5 * float(np.hypot(error[1], error[2])) / math.sqrt(2.0),
        tilt_angle_deg=math.degrees(math.atan2(middle[2], middle[1])) % 360.0,
        curve_share=0.25 * float(middle[3] + middle[5]),
        curve_error=0.25 * float(np.hypot(error[3], error[5])),
        stars=sum(p.stars for p in fitted),
        frames=len(fitted),
    )


def _full(pattern: Pattern) -> bool:
    return math.isfinite(pattern.size_error[5]) and pattern.size[0] > 0


def _value(c: Floats, u: float, v: float) -> float:
    return float(c @ np.array([1.0, u, v, u * u, u * v, v * v]))
