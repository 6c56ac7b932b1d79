"""What series of frames say about the mount: the swing of its drive, the place of its axis."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from datetime import datetime
from typing import TYPE_CHECKING

import numpy as np

from slowglass.judge.axis import AxisFit, measure_axis
from slowglass.judge.sample import Sample
from slowglass.judge.worm import WormFit, measure_worm
from slowglass.learn.groups import Group
from slowglass.learn.logbook.records import LoggedFrame
from slowglass.learn.transfer import Measured
from slowglass.learn.values import KitValue, kit_value

if TYPE_CHECKING:
    from slowglass.kit.model import Kit, Site

SURE = 0.25
"""A swing known worse than to this share says less than the lengths of trails."""


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


def swing_of_worm(groups: Sequence[Group], kit: Kit) -> KitValue | None:
    """The drive's swing to each side from the wandering of the stars; None where series are short.

    Half of the whole swing, so that harmonics count as they trail.
    """
    if kit.mount.driven != "ra":
        return None
    fits = []
    for group in groups:
        fit = measure_worm([sample_from(frame) for frame in group.frames])
        if isinstance(fit, WormFit) and fit.fits_teeth(kit.mount.worm_teeth):
            fits.append(fit)
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
    )  # fmt: skip


def axis_values(groups: Sequence[Group], kit: Kit, site: Site) -> list[KitValue]:
    """Distance and direction of the mount's axis from the pole; empty where frames cannot tell.

    Each night is set up anew: the nights' axes are averaged as directions, and their scatter
    counts.
    """
    if kit.mount.driven != "ra":
        return []
    nights: dict[str, list[LoggedFrame]] = defaultdict(list)
    for group in groups:
        nights[group.night.evening] += group.frames
    fits = []
    for frames in nights.values():
        fit = measure_axis(
            [sample_from(frame) for frame in frames],
            latitude_deg=site.latitude_deg,
            longitude_deg=site.longitude_deg,
        )
        if isinstance(fit, AxisFit):
            fits.append(fit)
    if not fits:
        return []
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
    return [
        kit_value(kit, "mount.polar_error_arcmin", "axis from the pole", "′",
                  Measured(min(600.0, total), max(error, 0.2)), how),
        kit_value(kit, "mount.polar_error_direction_deg", "direction of that", "°",
                  Measured(direction, min(turn, 180.0)), how),
    ]  # fmt: skip


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
