"""Best focus from frames taken while the focuser is turned by hand, with its uncertainty.

Away from focus the image is the pupil's shadow, whose half-flux diameter grows in proportion to
the distance from focus; air and diffraction add in quadrature. So the squares lie on a parabola,
HFD² = a² + b²·(x − x₀)², which is linear in its unknowns.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from slowglass.judge.silence import Silence

Floats = npt.NDArray[np.float64]

FEWEST_STEPS = 5
NOISE_SHARE = 0.04
"""A frame's half-flux diameter repeats to about this in ordinary seeing (a working value; the
scatter about the curve replaces it when larger)."""
TURN_WORDS = {
    Fraction(1, 8): "an eighth of a turn",
    Fraction(1, 4): "a quarter turn",
    Fraction(1, 2): "half a turn",
    Fraction(3, 4): "three quarters of a turn",
    Fraction(1): "one turn",
}


@dataclass(frozen=True)
class FocusCurve:
    """The curve through hand-turned focus: best place, its error, the width there.

    Places are in the user's unit (turns, or steps counted), ``from_last`` is the way from the
    last frame to best focus (negative: back against the direction turned last).
    """

    best: float
    best_error: float
    from_last: float
    best_hfd_px: float
    slope_px_per_unit: float
    """Growth of HFD far from focus."""
    scatter_px: float
    frames: int
    unit: str
    passed: bool
    """True when best focus lies behind the last frame."""

    @property
    def text(self) -> str:
        """What to do, in words."""
        way = amount_words(abs(self.from_last), self.unit)
        sure = f"± {self.best_error:.2g} {self.unit}{'s' if self.best_error != 1 else ''}"
        if abs(self.from_last) <= max(self.best_error, 1e-9):
            return f"this is best focus, {self.best_hfd_px:.1f} px ({sure})"
        if self.passed:
            return f"you passed best focus: {way} back ({sure})"
        return f"best focus is {way} farther on ({sure})"


def fit_focus(
    positions: Sequence[float], hfd_px: Sequence[float], *, unit: str = "step"
) -> FocusCurve | Silence:
    """Best focus from half-flux diameters at focuser places, in the order taken.

    Silence where the frames do not bend enough: it says which way to go on.
    """
    x = np.asarray(positions, dtype=np.float64)
    y = np.asarray(hfd_px, dtype=np.float64)
    known = np.isfinite(x) & np.isfinite(y) & (y > 0)
    x, y = x[known], y[known]
    if len(np.unique(x)) < FEWEST_STEPS:
        return Silence(
            f"{len(np.unique(x))} focuser places with a star width, {FEWEST_STEPS} needed: go on "
            "turning a little between frames"
        )
    origin, span = float(x.mean()), float(np.ptp(x))
    z = (x - origin) / span
    square = y**2
    noise = 2.0 * y**2 * NOISE_SHARE
    weight = 1.0 / noise
    design = np.column_stack([np.ones_like(z), z, z * z])
    for _ in range(6):
        c, *_ = np.linalg.lstsq(design * weight[:, None], square * weight, rcond=None)
        away = np.abs(square - design @ c) / noise
        scale = max(1.0, 1.4826 * float(np.median(away)))
        weight = np.sqrt(np.minimum(1.0, 2.0 * scale / np.maximum(away, 1e-9))) / noise
    freedom = max(1, len(z) - 3)
    chi2 = float(np.sum(((square - design @ c) * weight) ** 2)) / freedom
    covariance = np.linalg.pinv((design * weight[:, None]).T @ (design * weight[:, None]))
    covariance = covariance * max(1.0, chi2)
    if not c[2] > 3.0 * math.sqrt(float(covariance[2, 2])):
        return _no_bend(z, y, x)
    best = -c[1] / (2.0 * c[2])
    slope = np.array([0.0, -1.0 / (2.0 * c[2]), c[1] / (2.0 * c[2] ** 2)])
    error = math.sqrt(float(slope @ covariance @ slope))
    if not -1.0 <= best <= 1.0:
        return _no_bend(z, y, x)
    floor = float(c[0] - c[1] ** 2 / (4.0 * c[2]))
    place = origin + span * float(best)
    direction = math.copysign(1.0, x[-1] - x[-2]) if x[-1] != x[-2] else 1.0
    from_last = direction * (place - float(x[-1]))
    return FocusCurve(
        best=place,
        best_error=span * error,
        from_last=from_last,
        best_hfd_px=math.sqrt(max(floor, float(y.min()) ** 2 * 0.25)),
        slope_px_per_unit=math.sqrt(float(c[2])) / span,
        scatter_px=float(np.std(y - np.sqrt(np.maximum(design @ c, 0.01)))),
        frames=len(z),
        unit=unit,
        passed=from_last < 0,
    )


def _no_bend(z: Floats, y: Floats, x: Floats) -> Silence:
    slope = float(np.polyfit(z, y, 1)[0])
    forward = x[-1] >= x[0]
    change = slope if forward else -slope
    if abs(slope) < 0.1 * float(np.median(y)):
        return Silence("the star width hardly changes: turn the focuser farther between frames")
    if change < 0:
        return Silence("still getting sharper: go on turning the same way")
    return Silence("getting softer all the way: turn the other way, past where you began")


def amount_words(amount: float, unit: str) -> str:
    """An amount of turning as one says it: "about a quarter turn", "3 steps"."""
    if unit == "turn":
        for size in (0.125, 0.25, 0.5, 0.75, 1.0):
            if abs(amount - size) <= 0.25 * min(size, 0.25) + 0.01:
                return "about " + TURN_WORDS[Fraction(size)]
        return f"about {amount:.2g} turns"
    return f"about {amount:.2g} {unit}{'' if round(amount, 1) == 1.0 else 's'}"
