"""The series report as JSON values, in the project's own words and units."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from slowglass.judge.silence import Silence

if TYPE_CHECKING:
    from slowglass.judge.axis import AxisFit
    from slowglass.judge.report import SeriesReport
    from slowglass.judge.worm import WormFit


def report_json(report: SeriesReport) -> dict[str, Any]:
    """The report as dicts, lists and numbers; silent parts hold their ``reason`` only."""
    return {
        "frames": report.frames,
        "solved": report.solved,
        "keepers": report.keepers,
        "focus": _part(report.focus),
        "focus_curve": None if report.curve is None else _part(report.curve),
        "field": _part(report.field),
        "drift": _part(report.drift),
        "worm": worm_json(report.worm),
        "hold": _part(report.hold),
        "axis": axis_json(report.axis),
        "clouds": _part(report.clouds),
        "sky_mag_arcsec2": report.sky_mag_arcsec2,
        "exposure": _part(report.exposure),
        "causes": [_cause(cause) for cause in report.causes],
        "cause_order": list(report.order),
    }


def _part(value: Any) -> dict[str, Any]:
    if isinstance(value, Silence):
        return {"reason": value.reason}
    made = asdict(value)
    if hasattr(value, "text"):
        made["text"] = value.text
    return made


def _cause(value: Any) -> dict[str, Any]:
    if isinstance(value, Silence):
        return {"reason": value.reason}
    made: dict[str, Any] = value.to_json()
    return made


def worm_json(worm: WormFit | Silence) -> dict[str, Any]:
    """The drive's swing without its raw points."""
    if isinstance(worm, Silence):
        return {"reason": worm.reason}
    low, high = worm.teeth_range
    return {
        "period_s": worm.period_s,
        "period_error_s": worm.period_error_s,
        "amplitude_arcsec": list(worm.amplitude_arcsec),
        "amplitude_error_arcsec": list(worm.amplitude_error_arcsec),
        "phase_rad": list(worm.phase_rad),
        "peak_to_peak_arcsec": worm.peak_to_peak_arcsec,
        "peak_to_peak_error_arcsec": worm.peak_to_peak_error_arcsec,
        "drift_arcsec_per_min": worm.drift_arcsec_per_min,
        "residual_arcsec": worm.residual_arcsec,
        "cycles": worm.cycles,
        "frames": worm.frames,
        "teeth": worm.teeth,
        "teeth_range": [low, high],
        "text": worm.text,
    }


def axis_json(axis: AxisFit | Silence) -> dict[str, Any]:
    """The axis error and what to do at the bolts."""
    if isinstance(axis, Silence):
        return {"reason": axis.reason}
    altitude, azimuth = axis.bolts
    return {
        "altitude_arcmin": axis.altitude_arcmin,
        "altitude_error_arcmin": axis.altitude_error_arcmin,
        "azimuth_arcmin": axis.azimuth_arcmin,
        "azimuth_error_arcmin": axis.azimuth_error_arcmin,
        "total_arcmin": axis.total_arcmin,
        "turned_deg": axis.turned_deg,
        "frames": axis.frames,
        "scatter": axis.scatter,
        "altitude_bolt": altitude,
        "azimuth_bolts": azimuth,
        "text": axis.text,
    }
