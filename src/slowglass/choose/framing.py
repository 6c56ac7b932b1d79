"""Does it fit: an object's ellipse against the frame, at the best camera angle.

The bounding box of an ellipse of full axes a ≥ b, tilted by θ to the frame's long side, is
√(a²cos²θ + b²sin²θ) by √(a²sin²θ + b²cos²θ): its squared sides always add to a² + b². The best
tilt is therefore the one that shares the same frame fraction between both sides, or the end of
the range (θ = 0) when the object is too slender for that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Answer = Literal["yes", "barely", "no"]

COMFORTABLE = 0.9
"""Share of the frame an object may span and still leave sky around it: 5 % on each side, about
what aiming by hand and a night's drift use up."""
ROUND = 0.9
"""Minor over major axis above which a camera angle is not worth naming."""


@dataclass(frozen=True)
class Fit:
    """How an object sits in the frame.

    ``fraction`` is the share of the frame spanned in the tighter direction at the best camera
    angle: 1 touches both edges, more runs out. ``angle_deg`` is the position angle to give the
    frame's longer side, 0 to 180 (None when any angle will do, or the object's own angle is
    not known). ``core_fraction`` is the same for the bright core.
    """

    answer: Answer
    fraction: float | None
    angle_deg: float | None
    text: str
    core_fraction: float | None = None


def best_tilt_deg(
    major: npt.ArrayLike, minor: npt.ArrayLike, frame_long: float, frame_short: float
) -> Floats:
    """Tilt in degrees, 0 to 90, between the major axis and the frame's long side that fits best."""
    a2, b2 = np.square(np.asarray(major, float)), np.square(np.asarray(minor, float))
    wanted = (a2 + b2) * frame_long**2 / (frame_long**2 + frame_short**2)
    spread = a2 - b2
    with np.errstate(divide="ignore", invalid="ignore"):
        cos2 = np.where(spread > 1e-12 * a2, (wanted - b2) / spread, 1.0)
    return np.degrees(np.arccos(np.sqrt(np.clip(cos2, 0.0, 1.0))))


def frame_fraction(
    major: npt.ArrayLike,
    minor: npt.ArrayLike,
    frame_long: float,
    frame_short: float,
    *,
    tilt_deg: npt.ArrayLike | None = None,
) -> Floats:
    """Share of the frame spanned in the tighter direction, at a tilt or at the best one.

    Sizes in any one unit. NaN in, NaN out.
    """
    a, b = np.asarray(major, float), np.asarray(minor, float)
    tilt = best_tilt_deg(a, b, frame_long, frame_short) if tilt_deg is None else tilt_deg
    cos, sin = np.cos(np.radians(tilt)), np.sin(np.radians(tilt))
    return np.maximum(
        np.hypot(a * cos, b * sin) / frame_long, np.hypot(a * sin, b * cos) / frame_short
    )


def tilt_range_deg(
    major: float, minor: float, frame_long: float, frame_short: float
) -> tuple[float, float] | None:
    """Smallest and largest tilt in degrees (0 to 90) at which the ellipse fits; None if none."""
    a2, b2 = major**2, minor**2
    spread = a2 - b2
    if spread <= 0:
        return (0.0, 90.0) if a2 <= min(frame_long, frame_short) ** 2 else None
    # a²cos² + b²sin² ≤ long² bounds cos² above; a²sin² + b²cos² ≤ short² bounds it below
    most = min(1.0, (frame_long**2 - b2) / spread)
    least = max(0.0, (a2 - frame_short**2) / spread)
    if most < 0.0 or least > 1.0 or least > most:
        return None
    return math.degrees(math.acos(math.sqrt(most))), math.degrees(math.acos(math.sqrt(least)))


def fit_frame(
    *,
    major_arcmin: float | None,
    minor_arcmin: float | None,
    position_angle_deg: float | None,
    core_arcmin: tuple[float, float] | None,
    field_deg: tuple[float, float],
) -> Fit:
    """Whether an object of catalogue extent (arcmin) fits a field (degrees), and how.

    ``core_arcmin`` is the full major and minor axis of the part that holds the bright light,
    when the object has one: an object too large for the frame whose core fits is "barely".
    """
    long, short = max(field_deg) * 60.0, min(field_deg) * 60.0
    if not major_arcmin or not math.isfinite(major_arcmin):
        return Fit("barely", None, None, "its size is not in the catalogue: expect a small object")
    minor = minor_arcmin if minor_arcmin and math.isfinite(minor_arcmin) else major_arcmin
    fraction = float(frame_fraction(major_arcmin, minor, long, short))
    size = size_words(major_arcmin, minor)
    core = None if core_arcmin is None else float(frame_fraction(*core_arcmin, long, short))

    if major_arcmin <= COMFORTABLE * short or minor >= ROUND * major_arcmin:
        angle, angle_text = None, "at any camera angle"
    elif position_angle_deg is None or not math.isfinite(position_angle_deg):
        angle, angle_text = None, "with the frame's long side along it"
    else:
        tilt = float(best_tilt_deg(major_arcmin, minor, long, short))
        angle = (position_angle_deg + tilt) % 180.0
        angle_text = f"with the frame's long side at position angle {angle:.0f}°"
        if tilt > 0.5:
            angle_text += f" ({tilt:.0f}° off the object's own)"

    if fraction <= COMFORTABLE:
        share = f"{fraction * 100:.0f} %" if fraction >= 0.01 else "under 1 %"
        return Fit("yes", fraction, angle, f"{size}, {share} of the frame {angle_text}", core)
    if fraction <= 1.0:
        text = f"{size} just fits {angle_text}, {fraction * 100:.0f} % of the frame"
        return Fit("barely", fraction, angle, text, core)
    if core is not None and core <= COMFORTABLE and core_arcmin is not None:
        text = f"the whole {size} does not fit, the bright core of about {core_arcmin[0]:.0f}′ does"
        return Fit("barely", fraction, angle, text, core)
    return Fit("no", fraction, angle, f"{size} is {fraction:.1f} times the frame", core)


def size_words(major_arcmin: float, minor_arcmin: float) -> str:
    """An object's size as a person says it: "28″ across", "1.3′ across", "62′ × 37′"."""
    if major_arcmin < 1.0:
        if minor_arcmin >= ROUND * major_arcmin:
            return f"{major_arcmin * 60:.0f}″ across"
        return f"{major_arcmin * 60:.0f}″ × {minor_arcmin * 60:.0f}″"
    digits = 1 if major_arcmin < 20 else 0
    if minor_arcmin >= ROUND * major_arcmin:
        return f"{major_arcmin:.{digits}f}′ across"
    return f"{major_arcmin:.{digits}f}′ × {minor_arcmin:.{digits}f}′"
