"""What the frames say about the air and the lights of towns: extinction, and sky by direction."""

from __future__ import annotations

import itertools
import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from typing import Any

import numpy as np
import numpy.typing as npt

from slowglass.expose.conditions import conditions_at
from slowglass.judge.light import CLOUDED
from slowglass.kit.model import Site
from slowglass.learn.groups import Group, sky_of_frame
from slowglass.learn.shared import Once, afresh
from slowglass.learn.transfer import Measured
from slowglass.learn.values import KitValue, kit_value
from slowglass.sky.brightness import dark_sky_nl, domes_nl, mag_arcsec2
from slowglass.sky.coords import alt_az
from slowglass.sky.extinction import airmass

Floats = npt.NDArray[np.float64]
Dome = tuple[float, float, float]

LEAST_SPAN = 0.4
"""Air masses a night must span for its extinction to be told."""
FEWEST = 6
LARGEST_ERROR = 0.1
SKY_ERROR_MAG = 0.08
MOST_DOMES = 3
WIDTHS_DEG = (30.0, 50.0, 80.0, 120.0)
LEAST_BRIGHTER_MAG = 0.15
LEAST_GAIN_CHI2 = 15.0
"""How much better the frames must fit for a dome to be believed."""
SECTOR_DEG = 45.0


@dataclass(frozen=True)
class SkyByDirection:
    """The site's sky as its frames show it."""

    azimuth_deg: Floats
    altitude_deg: Floats
    offset_mag: Floats
    """Sky measured less that of the site without domes: negative where brighter."""
    domes: tuple[Dome, ...]
    """Towns that explain it, as the site file writes them."""
    chi2_before: float
    """With the site's present domes, a degree of freedom."""
    chi2_after: float

    @property
    def sectors(self) -> list[tuple[float, float, int]]:
        """(middle azimuth, mean offset in magnitudes, frames) of each eighth of the horizon."""
        sector = np.round(self.azimuth_deg / SECTOR_DEG).astype(int) % 8
        return [
            (SECTOR_DEG * n, float(np.mean(self.offset_mag[sector == n])), int(np.sum(sector == n)))
            for n in range(8)
            if np.any(sector == n)
        ]

    def to_json(self) -> dict[str, Any]:
        """A JSON-serialisable mapping."""
        return {
            "domes": [list(dome) for dome in self.domes],
            "chi2_before": self.chi2_before, "chi2_after": self.chi2_after,
            "sectors": [{"azimuth_deg": a, "offset_mag": o, "frames": n}
                        for a, o, n in self.sectors],
        }  # fmt: skip


def extinction_value(groups: Sequence[Group], site: Site, once: Once = afresh) -> KitValue | None:
    """Magnitudes a air mass from the zero points of nights that span enough of them."""
    nights: dict[str, list[Group]] = defaultdict(list)
    for group in groups:
        nights[group.night.evening].append(group)
    found = [
        once(("air", *(group.key for group in mine)), partial(_extinction_of_night, mine))
        for mine in nights.values()
    ]
    slopes, errors = [], []
    for slope, error in (fit for fit in found if fit is not None):
        if error < LARGEST_ERROR and 0.05 <= -slope <= 1.5:
            slopes.append(-slope)
            errors.append(error)
    if not slopes:
        return None
    weight = 1.0 / np.maximum(np.array(errors), 0.01) ** 2
    mean = float(np.sum(weight * slopes) / np.sum(weight))
    chi2 = float(np.sum(weight * (np.array(slopes) - mean) ** 2)) / max(1, len(slopes) - 1)
    sigma = math.sqrt(max(1.0, chi2) / float(np.sum(weight)))
    how = f"stars' light at different heights, {len(slopes)} night{'s' * (len(slopes) > 1)}"
    return kit_value(
        site, "extinction_mag", "extinction of the air", "mag/airmass", Measured(mean, sigma), how,
        tuple(nights),
    )  # fmt: skip


def _extinction_of_night(groups: Sequence[Group]) -> tuple[float, float] | None:
    """Slope of the zero point with air mass, and its error; None for a night of one height."""
    points = [
        (float(airmass(frame.altitude_deg)), frame.zero_point_mag)
        for group in groups
        for frame in group.frames
        if frame.zero_point_mag is not None and frame.altitude_deg and frame.altitude_deg > 10
    ]
    if len(points) < FEWEST:
        return None
    mass, zero = (np.array(column) for column in zip(*points, strict=True))
    return None if np.ptp(mass) < LEAST_SPAN else _robust_slope(mass, zero)


def sky_by_direction(groups: Sequence[Group], site: Site) -> SkyByDirection | None:
    """Where the sky is brighter than the zenith explains, and towns that would explain it.

    Moonlit and twilit frames are left out, and those behind cloud. None with too few frames.
    """
    plain = site.model_copy(update={"light_domes": ()})
    rows = []
    for group, frame in ((g, f) for g in groups for f in g.frames):
        share = (frame.verdict.get("light") or {}).get("transparency")
        sky = sky_of_frame(frame, 1.0)
        if sky is None or not frame.solved or (share is not None and share < CLOUDED):
            continue
        when = datetime.fromisoformat(frame.start_utc or group.when.isoformat())
        ra, dec = frame.ra_deg or 0.0, frame.dec_deg or 0.0
        here = conditions_at(plain, ra, dec, when)
        if here.brightened_mag > 0.1:
            continue
        alt, az = alt_az(
            ra, dec, latitude_deg=site.latitude_deg, longitude_deg=site.longitude_deg,
            unix_s=when.timestamp(), apparent=True,
        )  # fmt: skip
        rows.append((float(az), float(alt), sky - here.sky_mag_arcsec2))
    if len(rows) < FEWEST:
        return None
    azimuth, altitude, offset = (np.array(column) for column in zip(*rows, strict=True))
    before = _chi2(site, azimuth, altitude, offset, site.light_domes)
    domes: tuple[Dome, ...] = ()
    now = _chi2(site, azimuth, altitude, offset, ())
    for _ in range(MOST_DOMES):
        better = _with_another(site, azimuth, altitude, offset, domes)
        chi2 = _chi2(site, azimuth, altitude, offset, better)
        if better == domes or (now - chi2) * (azimuth.size - 1) < LEAST_GAIN_CHI2:
            break
        domes, now = better, chi2
    return SkyByDirection(azimuth, altitude, offset, domes, before, now)


def _with_another(
    site: Site, azimuth: Floats, altitude: Floats, offset: Floats, domes: tuple[Dome, ...]
) -> tuple[Dome, ...]:
    """The domes with the one more that fits best."""
    best, found = _chi2(site, azimuth, altitude, offset, domes), domes
    sizes = (0.2, 0.35, 0.5, 0.75, 1.0, 1.4, 1.9, 2.5)
    for middle, width, size in itertools.product(range(0, 360, 10), WIDTHS_DEG, sizes):
        trial = (*domes, (float(middle), width, size))
        chi2 = _chi2(site, azimuth, altitude, offset, trial)
        if chi2 < best and size >= LEAST_BRIGHTER_MAG:
            best, found = chi2, trial
    return found


def _chi2(
    site: Site, azimuth: Floats, altitude: Floats, offset: Floats, domes: Sequence[Dome]
) -> float:
    """χ² a degree of freedom, the zenith's own value left free: the darkest sky is the zenith's."""
    dark = dark_sky_nl(site.sky_mag_arcsec2, altitude)
    more = domes_nl(site.sky_mag_arcsec2, altitude, azimuth, tuple(domes)) if domes else 0.0
    brighter = mag_arcsec2(dark + more) - mag_arcsec2(dark)
    left = offset - brighter
    left = left - float(np.median(left))
    return float(np.sum((left / SKY_ERROR_MAG) ** 2)) / max(1, left.size - 1)


def _robust_slope(x: Floats, y: Floats) -> tuple[float, float]:
    """Slope of a straight line and its error, points beyond 3 σ left out."""
    keep = np.ones(x.size, dtype=bool)
    for _ in range(3):
        design = np.stack([x[keep], np.ones(int(np.sum(keep)))], axis=1)
        (slope, start), *_ = np.linalg.lstsq(design, y[keep], rcond=None)
        left = y - slope * x - start
        sigma = max(1.4826 * float(np.median(np.abs(left[keep]))), 0.01)
        keep = np.abs(left) <= 3.0 * sigma
    spread = float(np.std(left[keep], ddof=2))
    width = float(np.sum((x[keep] - np.mean(x[keep])) ** 2))
    return float(slope), max(spread, 0.01) / math.sqrt(max(width, 1e-9))
