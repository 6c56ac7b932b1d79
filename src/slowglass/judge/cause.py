"""Why a frame's stars are long or wide: causes with their probabilities, in sky axes.

Two questions, answered one after the other. Which pattern over the field spoils the frame most
(:mod:`cause_field`)? If it is a common trail: which motion (:mod:`cause_path`), given where the
series' other frames stand and how they are trailed? Alone, a frame only has its direction.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from slowglass.judge.cause_field import FieldShares, Sharp, field_shares
from slowglass.judge.cause_path import Motion, weigh_paths
from slowglass.judge.pattern import Pattern
from slowglass.judge.sample import Sample, place_error_arcsec
from slowglass.judge.silence import Silence
from slowglass.kit.optics import FWHM_PER_SIGMA
from slowglass.sky.wcs import TanWcs, project_tan

Floats = npt.NDArray[np.float64]

CauseName = Literal[
    "round",
    "drive",
    "polar axis",
    "wind",
    "slip",
    "focus",
    "tilt",
    "coma",
    "astigmatism",
    "field rotation",
]
CAUSES: tuple[CauseName, ...] = (
    "round", "drive", "polar axis", "wind", "slip",
    "focus", "tilt", "coma", "astigmatism", "field rotation",
)  # fmt: skip

SURE = 0.9
"""From this probability on a cause is named without "probably"."""
NEIGHBOURS = 6
"""Frames before and after that are asked: longer ago, conditions were others."""
LARGEST_STEP_DEG = 0.5
"""Frames farther off show another field."""

SERIES_SPREAD, PROMISE_SPREAD = 0.22, 0.35
"""Seeing varies within a series by 11 % of width, from night to night by a fifth."""
PROMISE_FACTOR = 2.0
"""A whole series this much wider (in variance) than promised is out of focus throughout."""

WORDS: dict[CauseName, tuple[str, str]] = {
    "round": ("nothing stretches the stars", "Keep shooting"),
    "drive": ("the RA drive runs unevenly", "Expose shorter: the RA drive swings"),
    "polar axis": ("the polar axis is off", "Realign the polar axis: stars drift"),
    "wind": ("wind or a shake", "Shield the tube, touch nothing, shoot again"),
    "slip": ("something slipped or sags", "Tighten clamps and cables, then shoot again"),
    "focus": ("the focus is off, or the air got worse", "Refocus"),
    "tilt": ("the sensor is tilted to the focus", "Square the camera on the focuser"),
    "coma": ("coma: stars are comets away from a centre", "Check collimation and spacing"),
    "astigmatism": (
        "astigmatism: stars are stretched toward or around a centre",
        "Refocus; if it stays, check for pinched optics",
    ),
    "field rotation": ("the field turned during the exposure", "Realign the polar axis"),
}


@dataclass(frozen=True)
class Cause:
    """The probable causes of a frame's faults; ``odds`` sum to 1, likeliest first.

    ``alone`` says that no other frame could be asked.
    """

    name: CauseName
    probability: float
    odds: tuple[tuple[CauseName, float], ...]
    alone: bool
    text: str
    advice: str

    @property
    def sure(self) -> bool:
        """True where the likeliest cause has 90 %."""
        return self.probability >= SURE

    def to_json(self) -> dict[str, object]:
        """The JSON object: the likeliest, its probability, all the odds."""
        return {
            "name": self.name,
            "probability": round(self.probability, 3),
            "odds": {name: round(p, 3) for name, p in self.odds},
            "alone": self.alone,
            "text": self.text,
            "advice": self.advice,
        }


def find_cause(
    samples: Sequence[Sample],
    judged: int,
    *,
    worm_period_s: float | None = None,
    sharp_fwhm_px: float | None = None,
) -> Cause | Silence:
    """The causes of one frame's star shapes, from it and from the frames around it.

    ``samples`` are in order of time. ``sharp_fwhm_px`` is the width of a star in focus from kit
    and site; without it the series' sharpest frames serve.
    """
    own = samples[judged]
    if own.pattern is None:
        return Silence("too few stars were measured for a cause")
    sharp = _sharp(samples, sharp_fwhm_px)
    shares = field_shares(own.pattern, sharp=sharp)
    near = _neighbours(samples, judged)
    chance: dict[CauseName, float] = dict.fromkeys(CAUSES, 0.0)
    chance["round"] = shares.chance["round"]
    chance["focus"] = shares.chance["focus"]
    chance["tilt"] = shares.chance["tilt"]
    radial, tangential = shares.chance["radial"], shares.chance["tangential"]
    if radial > 0:
        coma = _coma_share(own.pattern)
        chance["coma"] += radial * coma
        chance["astigmatism"] += radial * (1.0 - coma)
    if tangential > 0:
        turning = _turning_share(own, [samples[i] for i in near], shares)
        chance["field rotation"] += tangential * turning
        chance["astigmatism"] += tangential * (1.0 - turning)
    alone = len(near) < 2
    if shares.chance["trail"] > 0:
        for name, part in _trail_causes(samples, judged, near, shares, worm_period_s).items():
            chance[name] += shares.chance["trail"] * part
    order = sorted(CAUSES, key=lambda name: -chance[name])
    odds = tuple((name, chance[name]) for name in order if chance[name] > 0.0005)
    best = order[0]
    what, advice = WORDS[best]
    sure = chance[best] >= SURE
    text = what if sure else f"probably {what} ({chance[best]:.0%})"
    if not sure and len(odds) > 1:
        text += f", or {WORDS[odds[1][0]][0]} ({odds[1][1]:.0%})"
    return Cause(best, chance[best], odds, alone, text, advice)


def _sharp(samples: Sequence[Sample], sharp_fwhm_px: float | None) -> Sharp | None:
    """A star in focus: the sharper of what the series shows and kit and site promise."""
    known = sorted(
        s.pattern.round_px2 - math.hypot(s.pattern.shape[0], s.pattern.shape[1])
        for s in samples
        if s.pattern is not None
    )
    promised = (sharp_fwhm_px / FWHM_PER_SIGMA) ** 2 if sharp_fwhm_px else None
    if len(known) >= 3:
        seen = known[len(known) // 4]
        if promised is None or seen < PROMISE_FACTOR * promised:
            return Sharp(seen, SERIES_SPREAD)
    return None if promised is None else Sharp(promised, PROMISE_SPREAD)


def _neighbours(samples: Sequence[Sample], judged: int) -> list[int]:
    """Placed frames of the same field close in order, the judged one among them."""
    own = samples[judged]
    if not own.placed:
        return [judged]
    near = []
    for i in range(max(0, judged - NEIGHBOURS), min(len(samples), judged + NEIGHBOURS + 1)):
        other = samples[i]
        if not other.placed:
            continue
        xi, eta = project_tan(
            other.ra_deg or 0.0, other.dec_deg or 0.0, own.ra_deg or 0.0, own.dec_deg or 0.0
        )
        if math.hypot(float(xi), float(eta)) <= LARGEST_STEP_DEG:
            near.append(i)
    return near


def _coma_share(pattern: Pattern) -> float:
    """Chance that a pattern toward the centre is coma: its images are lopsided outward.

    Third-order coma of geometrical optics spreads light 3 : 1 in variance, radial to across,
    and all to one side; astigmatism and trails look the same upside down.
    """
    if math.isnan(pattern.skew_error[2]) or pattern.round_px2 <= 0:
        return 0.5
    seen, error = abs(pattern.skew[2]), pattern.skew_error[2]
    expected = COMA_SKEW * min(1.0, abs(pattern.shape[6]) / pattern.round_px2)
    wide_coma = math.hypot(error, 0.35 * expected)
    wide_none = math.hypot(error, 0.10 * expected)
    coma = math.exp(-0.5 * (min(0.0, seen - expected) / wide_coma) ** 2) / wide_coma
    none = math.exp(-0.5 * (seen / wide_none) ** 2) / wide_none
    return (coma + 1e-3) / (coma + none + 2e-3)


COMA_SKEW = 0.2
"""Windowed skew at the full reach over E/T there, for coma: measured on rendered spot diagrams
(0.15 to 0.27 for E/T of 0.4 to 0.9; astigmatism shows 0.00 to 0.01)."""


def _turning_share(own: Sample, near: Sequence[Sample], shares: FieldShares) -> float:
    """Chance that a pattern around the centre is the field's turning, from the frames' angles."""
    known = [s for s in near if s.rotation_deg is not None and s.mid_s is not None]
    if len(known) < 3 or own.exposure_s is None or own.pattern is None:
        return 0.6
    times = np.array([s.mid_s for s in known], dtype=np.float64)
    angles = np.array([s.rotation_deg for s in known], dtype=np.float64)
    angles = (angles - angles[0] + 180.0) % 360.0 - 180.0
    if np.ptp(times) <= 0:
        return 0.6
    rate = float(np.polyfit(times - times.mean(), angles, 1)[0])
    turned = math.radians(rate * own.exposure_s) * own.pattern.reach_px
    foretold = turned**2 / 24.0
    seen = -shares.radial_px2
    wide = math.hypot(shares.radial_error, 0.25 * max(seen, foretold))
    match = math.exp(-0.5 * ((seen - foretold) / wide) ** 2)
    still = math.exp(-0.5 * (foretold / wide) ** 2)
    return (match + 1e-3) / (match + still + 2e-3)


def _trail_causes(
    samples: Sequence[Sample],
    judged: int,
    near: Sequence[int],
    shares: FieldShares,
    worm_period_s: float | None,
) -> dict[CauseName, float]:
    """Which motion, for a trail; drive, polar axis, wind or slip."""
    own = samples[judged]
    axes = _sky_axes(own)
    if axes is None or own.exposure_s is None or own.exposure_s <= 0:
        # Without sky axes no motion can be told from another.
        return {"drive": 0.4, "polar axis": 0.15, "wind": 0.2, "slip": 0.25}
    motions: list[Motion] = []
    place = -1
    for i in near if judged in near else [judged]:
        if i == judged:
            place = len(motions)
        motions.append(_motion(samples[i], own, shares if i == judged else None))
    found = weigh_paths(motions, place, dec_deg=own.dec_deg or 0.0, worm_period_s=worm_period_s)
    return {"drive": found["drive"], "polar axis": found["polar axis"],
            "wind": found["wind"], "slip": found["slip"]}  # fmt: skip


def _motion(sample: Sample, own: Sample, shares: FieldShares | None) -> Motion:
    where = None
    if sample.placed:
        xi, eta = project_tan(
            sample.ra_deg or 0.0, sample.dec_deg or 0.0, own.ra_deg or 0.0, own.dec_deg or 0.0
        )
        where = np.array([float(xi), float(eta)]) * 3600.0
    tensor, error = None, 0.0
    axes = _sky_axes(sample)
    if axes is not None and sample.pattern is not None:
        e1, e2 = shares.trail if shares is not None else sample.pattern.shape[:2]
        moved = axes @ np.array([[e1, e2], [e2, -e1]]) @ axes.T
        tensor = np.array([0.5 * (moved[0, 0] - moved[1, 1]), moved[0, 1]])
        error = math.hypot(*sample.pattern.shape_error[:2]) * (sample.scale_arcsec_per_px or 1) ** 2
    return Motion(
        time_s=(sample.mid_s or 0.0) - (own.mid_s or 0.0),
        exposure_s=sample.exposure_s or own.exposure_s or 1.0,
        place=where,
        place_error=place_error_arcsec(sample),
        tensor=tensor,
        tensor_error=error,
        skew=_common_skew(sample.pattern),
    )


def _common_skew(pattern: Pattern | None) -> float | None:
    """Lopsidedness that the stars share, its noise taken off."""
    if pattern is None or math.isnan(pattern.skew_error[0]):
        return None
    seen2 = pattern.skew[0] ** 2 + pattern.skew[1] ** 2
    return math.sqrt(max(0.0, seen2 - pattern.skew_error[0] ** 2 - pattern.skew_error[1] ** 2))


def _sky_axes(sample: Sample) -> Floats | None:
    """Matrix from pixel offsets to (east, north) arcsec."""
    if sample.rotation_deg is None or sample.scale_arcsec_per_px is None or sample.parity is None:
        return None
    wcs = TanWcs.from_simple(
        ra_deg=0.0,
        dec_deg=0.0,
        width_px=2,
        height_px=2,
        scale_arcsec_per_px=sample.scale_arcsec_per_px,
        rotation_deg=sample.rotation_deg,
        parity=sample.parity,
    )
    return wcs.matrix * 3600.0
