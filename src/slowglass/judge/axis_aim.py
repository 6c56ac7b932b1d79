"""The live target while the bolts are turned: where the axis points now, where the picture must go.

Turning the bolts swings the whole mount: the azimuth bolts about the plumb line, the altitude
bolt about the level line across the axis. One solved frame after a turn of the bolts tells the
swing from where it points, if nobody touched the RA and Dec axes meanwhile.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from slowglass.judge.attitude import Attitude, attitude_of, rotation_vector, turn_about
from slowglass.judge.axis import AxisFit, axis_error_arcmin, bolt_words
from slowglass.judge.sample import Sample
from slowglass.judge.silence import Silence
from slowglass.kit.model import SIDEREAL_ARCSEC_S

Floats = npt.NDArray[np.float64]

DRIVE_SLACK_ARCSEC = 20.0
"""How far a drive may stray between two frames by its own error."""
LARGEST_SWING_DEG = 20.0
"""A longer way than bolts have: somebody moved the axes or the tripod."""


@dataclass(frozen=True, eq=False)
class AxisAim:
    """The axis after a turn of the bolts and the way the picture still has to go.

    A star at the frame's centre now must come to (``to_x_px``, ``to_y_px``) by the bolts alone;
    ``done`` says that what remains is within the error of the measurement.
    """

    altitude_arcmin: float
    azimuth_arcmin: float
    total_arcmin: float
    error_arcmin: float
    to_x_px: float
    to_y_px: float
    fit: AxisFit
    """For the next frame."""

    @property
    def done(self) -> bool:
        """True where turning on would be chasing noise."""
        return self.total_arcmin <= max(1.0, self.error_arcmin)

    @property
    def bolts(self) -> tuple[str, str]:
        """What is left to do at the altitude and the azimuth bolts."""
        return bolt_words(self.altitude_arcmin, self.azimuth_arcmin, self.fit.latitude_deg)


def aim_axis(fit: AxisFit, sample: Sample, *, driven: bool = True) -> AxisAim | Silence:
    """The axis after the bolts were turned, from one frame taken since; ``driven``: motor on.

    With the fit's own last frame it gives the way to go before the first turn.
    """
    seen = attitude_of(sample, latitude_deg=fit.latitude_deg, longitude_deg=fit.longitude_deg)
    if seen is None:
        return Silence("this frame is unsolved, without a time, or too low: shoot again")
    if not (sample.width_px and sample.height_px and sample.scale_arcsec_per_px):
        return Silence("this frame's size or scale is unknown")
    expected = _left_alone(fit, seen, driven)
    swing = _swing(fit, seen, expected)
    if float(np.abs(swing[:2]).max()) > math.radians(LARGEST_SWING_DEG):
        return Silence(
            f"the picture moved by more than {LARGEST_SWING_DEG:.0f}°: that is no turn of the "
            "bolts; measure the axis anew"
        )
    axis = _bolted(swing[0], swing[1], fit.axis) @ fit.axis
    altitude, azimuth = axis_error_arcmin(axis, fit.latitude_deg)
    moved = replace(fit, altitude_arcmin=altitude, azimuth_arcmin=azimuth, axis=axis, last=seen)
    to_x, to_y = _destination(moved, sample)
    return AxisAim(
        altitude_arcmin=altitude,
        azimuth_arcmin=azimuth,
        total_arcmin=moved.total_arcmin,
        error_arcmin=moved.total_error_arcmin,
        to_x_px=to_x,
        to_y_px=to_y,
        fit=moved,
    )


def _left_alone(fit: AxisFit, seen: Attitude, driven: bool) -> Floats:
    """The attitude at the new frame's time had nobody touched the bolts."""
    angle = 0.0
    if driven:
        turned = math.radians(SIDEREAL_ARCSEC_S * (seen.time_s - fit.last.time_s) / 3600.0)
        # Stars run westward: backward about the north pole, forward about the south pole.
        angle = -math.copysign(turned, fit.latitude_deg * turned)
    return turn_about(fit.axis, angle) @ fit.last.matrix


def _bolted(altitude_rad: float, azimuth_rad: float, axis: Floats) -> Floats:
    """The swing of the mount: altitude up, then azimuth clockwise seen from above."""
    level = np.array([axis[1], -axis[0], 0.0])
    level = level / np.linalg.norm(level)
    return turn_about(np.array([0.0, 0.0, 1.0]), -azimuth_rad) @ turn_about(level, altitude_rad)


def _swing(fit: AxisFit, seen: Attitude, expected: Floats) -> Floats:
    """Altitude and azimuth turns of the bolts and the drive's own stray (rad).

    Three unknowns against three angles of the frame; the drive's stray is held near 0 by what
    drives do, so that a frame with a poor roll still gives the two that matter.
    """
    unknown = np.zeros(3)
    prior = math.radians(DRIVE_SLACK_ARCSEC / 3600.0)
    for _ in range(20):

        def residual(p: Floats) -> Floats:
            model = (
                _bolted(float(p[0]), float(p[1]), fit.axis)
                @ turn_about(fit.axis, float(p[2]))
                @ expected
            )
            turn = model.T @ rotation_vector(seen.matrix @ model.T)
            return np.append(turn / seen.error_rad, -p[2] / prior)

        here = residual(unknown)
        step = 1e-6
        slope = np.column_stack(
            [(residual(unknown + step * unit) - here) / step for unit in np.eye(3)]
        )
        change, *_ = np.linalg.lstsq(slope, -here, rcond=None)
        unknown = unknown + change
        if float(np.abs(change).max()) < 1e-9:
            break
    return unknown


def _destination(fit: AxisFit, sample: Sample) -> tuple[float, float]:
    """Pixel to which the star now at the frame's centre must be brought by the bolts."""
    altitude = math.radians(-fit.altitude_arcmin / 60.0)
    # East of the pole means too far clockwise in the north, too little in the south.
    azimuth = math.radians(
        -math.copysign(fit.azimuth_arcmin, fit.latitude_deg * fit.azimuth_arcmin) / 60.0
    )
    after = _bolted(altitude, azimuth, fit.axis) @ fit.last.matrix
    star = fit.last.matrix[:, 0]
    view, up, across = after.T @ star
    scale = math.radians((sample.scale_arcsec_per_px or 1.0) / 3600.0)
    # View × up lies on the right of an unmirrored sky seen from inside: against stored +x.
    x = across / view / scale * (-1.0 if sample.parity == 1 else 1.0)
    y = up / view / scale
    return (
        (float(sample.width_px or 0) - 1.0) / 2.0 + x,
        (float(sample.height_px or 0) - 1.0) / 2.0 + y,
    )
