"""Where the mount's axis points, from frames turned about it, with its error or silence.

Every solved frame is an attitude of the camera over the ground. Attitudes Aᵢ of one camera on
one axis n are Aᵢ = R(n, θᵢ)·A₀, whatever turned it: a hand on the RA axis or the drive through
half an hour. A least-squares fit over n, A₀ and the θᵢ (the drive's own errors are turns about
n and do no harm) gives n with its covariance. Aim: the true pole, not the refracted one, as the
stars turn about that.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from slowglass.judge.attitude import Attitude, attitude_of, rotation_vector, turn_about
from slowglass.judge.sample import Sample
from slowglass.judge.silence import Silence

Floats = npt.NDArray[np.float64]

LARGEST_ERROR_ARCMIN = 3.0
"""Standard error beyond which nothing is said: bolts turned on such a word may make it worse."""
WORST_FIT = 4.0
"""Scatter over the expected (root of reduced chi-square) beyond which something else moved."""
LEAST_TURN_DEG = 2.0
MOST_FRAMES = 60
"""More cost time with the cube of their number and add little."""


@dataclass(frozen=True, eq=False)
class AxisFit:
    """The error of the mount's axis and how sure that is, arcminutes.

    ``altitude_arcmin`` is positive when the axis points too high, ``azimuth_arcmin`` when it
    points east of the pole, as an angle on the horizon: what the azimuth bolts must turn.
    """

    altitude_arcmin: float
    azimuth_arcmin: float
    altitude_error_arcmin: float
    azimuth_error_arcmin: float
    latitude_deg: float
    longitude_deg: float
    turned_deg: float
    frames: int
    scatter: float
    """Root of the reduced chi-square: 1 when the frames agree as well as they should."""
    axis: Floats
    last: Attitude

    @property
    def total_arcmin(self) -> float:
        """Distance of the axis from the pole on the sky."""
        return math.hypot(
            self.altitude_arcmin, self.azimuth_arcmin * math.cos(math.radians(self.latitude_deg))
        )

    @property
    def total_error_arcmin(self) -> float:
        """Standard error along the worse direction on the sky."""
        across = self.azimuth_error_arcmin * math.cos(math.radians(self.latitude_deg))
        return max(self.altitude_error_arcmin, across)

    @property
    def bolts(self) -> tuple[str, str]:
        """What to do at the altitude and the azimuth bolts, in words."""
        return bolt_words(self.altitude_arcmin, self.azimuth_arcmin, self.latitude_deg)

    @property
    def text(self) -> str:
        """The error in words."""
        high = "high" if self.altitude_arcmin > 0 else "low"
        side = "east" if self.azimuth_arcmin > 0 else "west"
        return (
            f"the mount's axis points {abs(self.altitude_arcmin):.1f}′ ± "
            f"{self.altitude_error_arcmin:.1f}′ too {high} and {abs(self.azimuth_arcmin):.1f}′ ± "
            f"{self.azimuth_error_arcmin:.1f}′ too far {side} (on the horizon), "
            f"{self.total_arcmin:.1f}′ from the pole"
        )


def bolt_words(
    altitude_arcmin: float, azimuth_arcmin: float, latitude_deg: float
) -> tuple[str, str]:
    """Instructions for the altitude and the azimuth bolts, for either hemisphere.

    Right and left are those of someone behind the mount who faces the pole.
    """
    lower = "lower" if altitude_arcmin > 0 else "raise"
    westward = azimuth_arcmin > 0
    # Facing south, west is on the right.
    right = westward == (latitude_deg < 0)
    return (
        f"{lower} the axis by {abs(altitude_arcmin):.1f}′",
        f"turn it {abs(azimuth_arcmin):.1f}′ {'west' if westward else 'east'} "
        f"({'right' if right else 'left'} as you face the pole)",
    )


_EIGHTHS = ("", "⅛", "¼", "⅜", "½", "⅝", "¾", "⅞")


def turns_text(way_arcmin: float, turn_arcmin: float) -> str:
    """A way as turns of a bolt to an eighth: "1 ¼ turns"; less than a sixteenth is "a touch"."""
    eighths = round(8.0 * abs(way_arcmin) / turn_arcmin)
    if not eighths:
        return "a touch"
    whole, part = divmod(eighths, 8)
    written = " ".join(text for text in (str(whole) if whole else "", _EIGHTHS[part]) if text)
    return f"{written} turn" if eighths <= 8 else f"{written} turns"


def measure_axis(
    samples: Iterable[Sample], *, latitude_deg: float, longitude_deg: float
) -> AxisFit | Silence:
    """The axis from three or more solved frames, turned in RA by hand or by the drive."""
    attitudes = []
    used = []
    for sample in samples:
        made = attitude_of(sample, latitude_deg=latitude_deg, longitude_deg=longitude_deg)
        if made is not None:
            attitudes.append(made)
            used.append(sample)
    if len(attitudes) < 3:
        return Silence(
            f"{len(attitudes)} solved frames with a time and above 5°, 3 needed for the axis"
        )
    if len({s.parity for s in used}) > 1:
        return Silence("some frames are mirrored and some not: they are not of one camera")
    order = np.argsort([a.time_s for a in attitudes], kind="stable")
    # First and last stay in: the longest turn tells most.
    wanted = np.linspace(0, len(order) - 1, min(len(order), MOST_FRAMES)).round().astype(int)
    return fit_axis([attitudes[order[i]] for i in wanted], latitude_deg, longitude_deg)


def fit_axis(
    attitudes: Sequence[Attitude], latitude_deg: float, longitude_deg: float
) -> AxisFit | Silence:
    """The axis behind three or more attitudes."""
    first = attitudes[0].matrix
    turns = [rotation_vector(a.matrix @ first.T) for a in attitudes]
    pairs = [rotation_vector(a.matrix @ b.matrix.T) for b, a in pairwise(attitudes)]
    largest = max((*turns, *pairs), key=lambda r: float(np.linalg.norm(r)))
    turned = math.degrees(float(np.linalg.norm(largest)))
    if turned < LEAST_TURN_DEG:
        return Silence(
            f"the frames are turned by {turned:.1f}° only, at least {LEAST_TURN_DEG:.0f}° needed: "
            "turn the RA axis between frames or go on for longer"
        )
    pole = elevated_pole(latitude_deg)
    axis = largest / np.linalg.norm(largest)
    axis = axis if axis @ pole > 0 else -axis
    angles = np.array([float(t @ axis) for t in turns])
    start = first
    frame = _tangents(axis)
    errors = np.concatenate([a.error_rad for a in attitudes])
    for _ in range(12):
        residual, jacobian = _linearised(attitudes, axis, frame, start, angles)
        weighted = jacobian / errors[:, None]
        # θ₁ is held at 0 by leaving it out; A₀ takes its place.
        step, *_ = np.linalg.lstsq(weighted, residual / errors, rcond=None)
        axis = axis + frame @ step[:2]
        axis = axis / np.linalg.norm(axis)
        turn = step[2:5]
        size = float(np.linalg.norm(turn))
        if size > 0:
            start = turn_about(turn / size, size) @ start
        angles[1:] += step[5:]
        frame = _tangents(axis)
        if float(np.abs(step).max()) < 1e-10:
            break
    residual, jacobian = _linearised(attitudes, axis, frame, start, angles)
    weighted = jacobian / errors[:, None]
    covariance = np.linalg.pinv(weighted.T @ weighted)[:2, :2]
    chi2 = float(np.sum((residual / errors) ** 2))
    freedom = max(1, residual.size - jacobian.shape[1])
    scatter = math.sqrt(chi2 / freedom)
    if axis @ pole < 0:
        axis = -axis
    return _report(attitudes, axis, frame, covariance, scatter, turned, latitude_deg, longitude_deg)


def elevated_pole(latitude_deg: float) -> Floats:
    """Direction of the pole above the horizon, east, north, up."""
    lat = math.radians(abs(latitude_deg))
    return np.array([0.0, math.copysign(math.cos(lat), latitude_deg), math.sin(lat)])


def axis_error_arcmin(axis: Floats, latitude_deg: float) -> tuple[float, float]:
    """(altitude, azimuth) error of an axis: too high, and east of the pole on the horizon."""
    altitude = math.degrees(math.atan2(axis[2], math.hypot(axis[0], axis[1])))
    side = axis[1] * math.copysign(1.0, latitude_deg)
    east = math.degrees(math.atan2(axis[0], side))
    return 60.0 * (altitude - abs(latitude_deg)), 60.0 * east


def _tangents(axis: Floats) -> Floats:
    """Two unit vectors across the axis, columns: sideways and upward."""
    side = np.cross(np.array([0.0, 0.0, 1.0]), axis)
    if np.linalg.norm(side) < 1e-6:
        side = np.array([1.0, 0.0, 0.0])
    side = side / np.linalg.norm(side)
    return np.column_stack([side, np.cross(axis, side)])


def _linearised(
    attitudes: Sequence[Attitude], axis: Floats, frame: Floats, start: Floats, angles: Floats
) -> tuple[Floats, Floats]:
    """Residual rotations in each camera's own axes, and their derivatives.

    Unknowns: the axis' two tangent steps, a turn of A₀ (3), and θ of all but the first frame.
    """
    count = len(attitudes)
    residual = np.empty(3 * count)
    jacobian = np.zeros((3 * count, 5 + count - 1))
    for i, seen in enumerate(attitudes):
        turn = turn_about(axis, float(angles[i]))
        model = turn @ start
        rows = slice(3 * i, 3 * i + 3)
        residual[rows] = model.T @ rotation_vector(seen.matrix @ model.T)
        # Moving the axis by d turns the model by (1 − R)(n × d) (to first order).
        moved = (np.eye(3) - turn) @ np.cross(axis, frame.T).T
        jacobian[rows, :2] = model.T @ moved
        jacobian[rows, 2:5] = model.T @ turn
        if i:
            jacobian[rows, 4 + i] = model.T @ axis
    return residual, jacobian


def _report(
    attitudes: Sequence[Attitude],
    axis: Floats,
    frame: Floats,
    covariance: Floats,
    scatter: float,
    turned_deg: float,
    latitude_deg: float,
    longitude_deg: float,
) -> AxisFit | Silence:
    if len(attitudes) * 3 - 4 - len(attitudes) > 0 and scatter > WORST_FIT:
        return Silence(
            f"the frames do not turn about one axis (they miss it by {scatter:.0f} times what "
            "the stars allow): something else moved, such as the Dec axis, a bolt or the tripod"
        )
    inflate = max(1.0, scatter) ** 2
    to_arcmin = math.degrees(1.0) * 60.0
    side, up = np.sqrt(np.diag(covariance) * inflate) * to_arcmin
    altitude, azimuth = axis_error_arcmin(axis, latitude_deg)
    cos_lat = max(0.02, math.cos(math.radians(latitude_deg)))
    worst = math.sqrt(float(np.linalg.eigvalsh(covariance * inflate)[-1])) * to_arcmin
    if worst > LARGEST_ERROR_ARCMIN:
        return Silence(
            f"the axis is only known to ±{worst:.0f}′ along one direction from frames turned by "
            f"{turned_deg:.0f}°: turn farther in RA, or use more stars"
        )
    return AxisFit(
        altitude_arcmin=altitude,
        azimuth_arcmin=azimuth,
        altitude_error_arcmin=float(up),
        azimuth_error_arcmin=float(side) / cos_lat,
        latitude_deg=latitude_deg,
        longitude_deg=longitude_deg,
        turned_deg=turned_deg,
        frames=len(attitudes),
        scatter=scatter,
        axis=axis,
        last=attitudes[-1],
    )
