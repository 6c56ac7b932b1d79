"""What series of frames say about the mount: the swing of its drive, the place of its axis."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from datetime import datetime
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from slowglass.expose.tracking import polar_path_arcsec, refraction_path_arcsec
from slowglass.judge.axis import AxisFit, measure_axis
from slowglass.judge.drift import Drift, measure_drift
from slowglass.judge.sample import Sample
from slowglass.judge.silence import Silence
from slowglass.judge.worm import WormFit, measure_worm
from slowglass.learn.groups import Group
from slowglass.learn.logbook.records import LoggedFrame
from slowglass.learn.shared import Once, afresh
from slowglass.learn.transfer import Measured
from slowglass.learn.values import KitValue, kit_value
from slowglass.sky.coords import hour_angle_deg

if TYPE_CHECKING:
    from slowglass.kit.model import Kit, Mount, Site

SURE = 0.25
"""A swing or an axis known worse than to this share is not told."""
LEAST_DRIFT_ERROR = 0.03
"""Arcseconds a minute: tubes bend and refraction is modelled for usual air."""
LARGEST_AXIS_ERROR_ARCMIN = 2.0


def sample_from(frame: LoggedFrame) -> Sample:
    """A logged frame as a series sees it."""
    start = datetime.fromisoformat(frame.start_utc).timestamp() if frame.start_utc else None
    verdict = frame.verdict
    return Sample(
        mid_s=None if start is None else start + 0.5 * (frame.exposure_s or 0.0),
        exposure_s=frame.exposure_s,
        ra_deg=frame.ra_deg if frame.solved else None,
        dec_deg=frame.dec_deg if frame.solved else None,
        rotation_deg=verdict.get("rotation_deg") if frame.solved else None,
        scale_arcsec_per_px=verdict.get("scale_arcsec_per_px"),
        parity=verdict.get("parity"),
        width_px=verdict.get("width_px"),
        height_px=verdict.get("height_px"),
        matched=verdict.get("matched") or 0,
        rms_arcsec=verdict.get("rms_arcsec"),
        fwhm_px=verdict.get("fwhm_px"),
        name=frame.file,
    )


def swing_of_worm(groups: Sequence[Group], kit: Kit, once: Once = afresh) -> KitValue | None:
    """The drive's swing to each side from the wandering of the stars; None where series are short.

    Half of the whole swing, so that harmonics count as they trail.
    """
    if kit.mount.driven != "ra":
        return None
    fits, told = [], []
    for group in groups:
        samples = [sample_from(frame) for frame in group.frames]
        fit = once(("worm", group.key), partial(measure_worm, samples))
        if isinstance(fit, WormFit) and fit.fits_teeth(kit.mount.worm_teeth):
            fits.append(fit)
            told.append(group)
    if not fits:
        return None
    halves = np.array([fit.peak_to_peak_arcsec / 2.0 for fit in fits])
    errors = np.array([max(fit.peak_to_peak_error_arcsec / 2.0, 0.05 * h)
                       for fit, h in zip(fits, halves, strict=True)])  # fmt: skip
    middle = _weighted(halves, errors)
    if middle.sigma > SURE * middle.value or middle.value > 600.0:
        return None
    series = "one series" if len(fits) == 1 else f"{len(fits)} series"
    return kit_value(
        kit, "mount.periodic_error_arcsec", "swing of the drive", "″", middle,
        f"wandering of the stars in {series} of {sum(f.frames for f in fits)} frames",
        _evenings(told),
    )  # fmt: skip


def axis_values(
    groups: Sequence[Group], kit: Kit, site: Site, once: Once = afresh
) -> list[KitValue]:
    """Distance and direction of the mount's axis from the pole; empty where frames cannot tell.

    Each night is set up anew: the nights' axes are averaged as directions, and their scatter
    counts.
    """
    if kit.mount.driven != "ra":
        return []
    nights: dict[str, list[Group]] = defaultdict(list)
    for group in groups:
        nights[group.night.evening].append(group)
    fits = []
    for mine in nights.values():
        key = ("axis", *(group.key for group in mine))
        fit = once(key, partial(_axis_of_night, mine, site))
        if isinstance(fit, AxisFit):
            fits.append(fit)
    if not fits:
        return _axis_from_declinations(groups, kit, site, once)
    across = math.cos(math.radians(site.latitude_deg))
    high = _weighted(*_columns(fits, "altitude"))
    east = _weighted(*_columns(fits, "azimuth"))
    side, side_error = east.value * across, east.sigma * across
    total = math.hypot(high.value, side)
    error = math.hypot(high.value * high.sigma, side * side_error) / max(total, 1e-6)
    # Toward the zenith 0, west 90: as the kit file counts.
    direction = math.degrees(math.atan2(-side, high.value)) % 360.0
    turn = math.degrees(math.hypot(high.sigma, side_error) / max(total, 1e-6))
    how = f"stars' drift over {'one night' if len(fits) == 1 else f'{len(fits)} nights'}"
    return _axis_pair(kit, total, error, direction, turn, how, _evenings(groups))


def _axis_of_night(groups: Sequence[Group], site: Site) -> AxisFit | Silence:
    return measure_axis(
        [sample_from(frame) for group in groups for frame in group.frames],
        latitude_deg=site.latitude_deg,
        longitude_deg=site.longitude_deg,
    )


def _axis_from_declinations(
    groups: Sequence[Group], kit: Kit, site: Site, once: Once
) -> list[KitValue]:
    """The axis from drifts in declination at different hour angles, air taken off.

    Each series gives one equation in the axis' two components (the path of
    :func:`slowglass.expose.tracking.polar_path_arcsec` is linear in them); two series at hour
    angles far enough apart give both. Right ascension is left out: the drive's own errors are
    there.
    """
    equations = [
        once(("drift", group.key), partial(_drift_equation, group, kit, site)) for group in groups
    ]
    known = [equation for equation in equations if equation is not None]
    if len(known) < 2:
        return []
    rows, drifts, errors = (np.array(column) for column in zip(*known, strict=True))
    weight = 1.0 / errors
    design = rows * weight[:, None]
    normal = design.T @ design
    if np.linalg.cond(normal) > 1e4:
        return []
    covariance = np.linalg.inv(normal)
    high, west = covariance @ (design.T @ (drifts * weight))
    left = design @ np.array([high, west]) - drifts * weight
    swell = max(1.0, float(left @ left) / max(1, len(rows) - 2))
    total = math.hypot(high, west)
    across = np.array([high, west]) / max(total, 1e-6)
    error = math.sqrt(swell * float(across @ covariance @ across))
    sideways = np.array([-across[1], across[0]])
    turn = math.degrees(
        math.sqrt(swell * float(sideways @ covariance @ sideways)) / max(total, 1e-6)
    )
    if error > max(LARGEST_AXIS_ERROR_ARCMIN, SURE * total) or total > 600.0:
        return []
    direction = math.degrees(math.atan2(west, high)) % 360.0
    how = f"drift in declination of {len(rows)} series at different hour angles"
    return _axis_pair(kit, total, error, direction, turn, how, _evenings(groups))


def _drift_equation(group: Group, kit: Kit, site: Site) -> tuple[list[float], float, float] | None:
    """(drift of an axis 1′ high and 1′ west, drift of the stars without the air's, its error).

    All in declination, arcseconds a minute.
    """
    drift = measure_drift([sample_from(frame) for frame in group.frames])
    middle = group.frames[len(group.frames) // 2]
    if not isinstance(drift, Drift) or middle.ra_deg is None or middle.dec_deg is None:
        return None
    start = min(datetime.fromisoformat(f.start_utc or "") for f in group.frames).timestamp()
    hour = hour_angle_deg(middle.ra_deg, longitude_deg=site.longitude_deg, unix_s=start)
    where = {
        "dec_deg": middle.dec_deg,
        "hour_angle_deg": float(hour),
        "latitude_deg": site.latitude_deg,
    }
    times = np.linspace(0.0, 60.0 * drift.minutes, 9)

    def slope(path: np.ndarray) -> float:
        return float(np.polyfit(times / 60.0, path, 1)[0])

    unit = [
        slope(polar_path_arcsec(times, _tilted(kit, direction), **where)[1])
        for direction in (0.0, 90.0)
    ]
    air = slope(refraction_path_arcsec(times, **where)[1])
    # The frame's centre goes the other way than its stars.
    return (
        unit,
        -drift.dec_arcsec_per_min - air,
        max(drift.dec_error_arcsec_per_min, LEAST_DRIFT_ERROR),
    )


def _tilted(kit: Kit, direction_deg: float) -> Mount:
    """The mount with its axis one arcminute off in a direction."""
    return kit.mount.model_copy(
        update={"polar_error_arcmin": 1.0, "polar_error_direction_deg": direction_deg}
    )


def _axis_pair(
    kit: Kit,
    total: float,
    error: float,
    direction: float,
    turn: float,
    how: str,
    evenings: tuple[str, ...],
) -> list[KitValue]:
    return [
        kit_value(kit, "mount.polar_error_arcmin", "axis from the pole", "′",
                  Measured(min(600.0, total), max(error, 0.2)), how, evenings),
        kit_value(kit, "mount.polar_error_direction_deg", "direction of that", "°",
                  Measured(direction, min(turn, 180.0)), how, evenings),
    ]  # fmt: skip


def _evenings(groups: Sequence[Group]) -> tuple[str, ...]:
    return tuple(sorted({group.night.evening for group in groups}))


def _columns(fits: Sequence[AxisFit], name: str) -> tuple[np.ndarray, np.ndarray]:
    values = np.array([getattr(fit, f"{name}_arcmin") for fit in fits])
    errors = np.array([getattr(fit, f"{name}_error_arcmin") for fit in fits])
    return values, errors


def _weighted(values: np.ndarray, errors: np.ndarray) -> Measured:
    """Weighted mean; its error grows with what the values scatter beyond their own."""
    weight = 1.0 / np.maximum(errors, 1e-6) ** 2
    mean = float(np.sum(weight * values) / np.sum(weight))
    chi2 = float(np.sum(weight * (values - mean) ** 2)) / max(1, values.size - 1)
    return Measured(mean, float(math.sqrt(max(1.0, chi2) / np.sum(weight))))
