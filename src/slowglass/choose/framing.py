"""Does it fit: an object's ellipse against the frame, at the best camera angle.

The bounding box of an ellipse of full axes a ≥ b, tilted by θ to the frame's long side, is
√(a²cos²θ + b²sin²θ) by √(a²sin²θ + b²cos²θ): its squared sides always add to a² + b². The best
tilt is therefore the one that shares the same frame fraction between both sides, or the end of
the range (θ = 0) when the object is too slender for that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import partial
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Answer = Literal["yes", "barely", "no"]

COMFORTABLE = 0.9
"""Share of the frame an object may span and still leave sky around it, where the mount is not
known: 5 % on each side, about what aiming by hand and a night's drift use up."""
AIM_ARCMIN = 1.5
"""How near to the middle one brings an object by hand with a test exposure or two."""
RECENTRE_MIN = 10.0
"""Drift of so many minutes is allowed for before the object is centred again."""
ROUND = 0.9
"""Minor over major axis above which a camera angle is not worth naming."""


@dataclass(frozen=True)
class Panels:
    """Two overlapping frames: where their centres lie from the object's, and their angle.

    ``offset_arcmin`` is (east, north) of the first; the second lies opposite. ``angle_deg`` is
    the position angle of the frames' longer side, ``fraction`` the share of both that it spans.
    """

    offset_arcmin: tuple[float, float]
    angle_deg: float
    fraction: float
    overlap: float
    text: str


@dataclass(frozen=True)
class Group:
    """One frame for an object and its neighbours.

    ``names`` are the neighbours, brightest first; ``offset_arcmin`` is the frame's centre
    (east, north) from the object, ``angle_deg`` the position angle of its longer side.
    """

    names: tuple[str, ...]
    offset_arcmin: tuple[float, float]
    angle_deg: float
    text: str


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
    seen_arcmin: tuple[float, float] | None = None
    """Full axes of what rises above the noise in the night; None when not asked or nothing does."""
    margin_arcmin: float | None = None
    """Room kept on each side for aim, dither and drift."""
    panels: Panels | None = None
    """Two frames that hold it together, where one does not and the light is enough for both."""
    group: Group | None = None
    """The frame that holds neighbours as well, where some fit."""

    def more_json(self) -> dict[str, Any]:
        """What the machine output says beside answer, fraction, angle and text."""
        seen, panels, group = self.seen_arcmin, self.panels, self.group
        return {
            "seen_arcmin": None if seen is None else [round(axis, 2) for axis in seen],
            "margin_arcmin": None if self.margin_arcmin is None else round(self.margin_arcmin, 2),
            "panels": None
            if panels is None
            else {
                "offset_arcmin": [round(part, 2) for part in panels.offset_arcmin],
                "angle_deg": round(panels.angle_deg, 1),
                "fraction": round(panels.fraction, 3),
                "overlap": panels.overlap,
                "text": panels.text,
            },
            "group": None
            if group is None
            else {
                "names": list(group.names),
                "offset_arcmin": [round(part, 2) for part in group.offset_arcmin],
                "angle_deg": round(group.angle_deg, 1),
                "text": group.text,
            },
        }


def margin_arcmin(*, dither_arcsec: float, drift_arcsec_per_min: float) -> float:
    """Room to keep on each side of the frame, arcmin: aim by hand, dithering, drift."""
    return AIM_ARCMIN + (dither_arcsec + RECENTRE_MIN * drift_arcsec_per_min) / 60.0


def comfortable_share(margin: float, field_deg: tuple[float, float]) -> float:
    """Share of the frame's shorter side that a margin (arcmin) on both leaves free."""
    return min(0.97, max(0.5, 1.0 - 2.0 * margin / (60.0 * min(field_deg))))


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
    seen_arcmin: tuple[float, float] | None = None,
    margin: float | None = None,
) -> Fit:
    """Whether an object of catalogue extent (arcmin) fits a field (degrees), and how.

    ``core_arcmin`` is the full major and minor axis of the part that holds the bright light,
    when the object has one: an object too large for the frame whose core fits is "barely".
    ``seen_arcmin`` is what rises above the noise tonight, for the words. ``margin`` is the
    room (arcmin) to keep on each side; None keeps a twentieth of the frame.
    """
    long, short = max(field_deg) * 60.0, min(field_deg) * 60.0
    comfortable = COMFORTABLE if margin is None else comfortable_share(margin, field_deg)
    if not major_arcmin or not math.isfinite(major_arcmin):
        return Fit("barely", None, None, "its size is not in the catalogue: expect a small object")
    minor = minor_arcmin if minor_arcmin and math.isfinite(minor_arcmin) else major_arcmin
    fraction = float(frame_fraction(major_arcmin, minor, long, short))
    size = size_words(major_arcmin, minor)
    core = None if core_arcmin is None else float(frame_fraction(*core_arcmin, long, short))
    made = partial(
        Fit, fraction=fraction, core_fraction=core, seen_arcmin=seen_arcmin, margin_arcmin=margin
    )

    if major_arcmin <= comfortable * short or minor >= ROUND * major_arcmin:
        angle, angle_text = None, "at any camera angle"
    elif position_angle_deg is None or not math.isfinite(position_angle_deg):
        angle, angle_text = None, "with the frame's long side along it"
    else:
        tilt = float(best_tilt_deg(major_arcmin, minor, long, short))
        angle = (position_angle_deg + tilt) % 180.0
        angle_text = f"with the frame's long side at position angle {angle:.0f}°"
        angle_text += _tilt_words(tilt, tilt_range_deg(major_arcmin, minor, long, short))
    seen = _seen_words(seen_arcmin, major_arcmin)

    if fraction <= comfortable:
        share = f"{fraction * 100:.0f} %" if fraction >= 0.01 else "under 1 %"
        text = f"{size}, {share} of the frame {angle_text}{seen}"
        return made(answer="yes", angle_deg=angle, text=text)
    if fraction <= 1.0:
        text = f"{size} just fits {angle_text}, {fraction * 100:.0f} % of the frame{seen}"
        return made(answer="barely", angle_deg=angle, text=text)
    if core is not None and core <= comfortable and core_arcmin is not None:
        text = f"the whole {size} does not fit, the bright core of about {core_arcmin[0]:.0f}′ does"
        return made(answer="barely", angle_deg=angle, text=text + seen)
    return made(answer="no", angle_deg=angle, text=f"{size} is {fraction:.1f} times the frame")


def _tilt_words(tilt_deg: float, allowed: tuple[float, float] | None) -> str:
    """How far off the object's own angle the frame is turned, and how far it may be."""
    words = []
    if tilt_deg > 0.5:
        words.append(f"{tilt_deg:.0f}° off the object's own")
    if allowed is not None and allowed != (0.0, 90.0):
        low, high = allowed
        words.append(
            f"it fits within {high:.0f}° of that"
            if low == 0.0 and tilt_deg <= 0.5
            else f"it fits from {low:.0f}° to {high:.0f}°"
        )
    return f" ({', '.join(words)})" if words else ""


def _seen_words(seen_arcmin: tuple[float, float] | None, major_arcmin: float) -> str:
    """What shows of an object, where that is clearly less than catalogued."""
    if seen_arcmin is None or seen_arcmin[0] >= 0.8 * major_arcmin:
        return ""
    return f"; the inner {size_words(*seen_arcmin)} rises above the noise"


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
