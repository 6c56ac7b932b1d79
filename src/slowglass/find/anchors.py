"""Which stars a hop may use, and where they stand."""

from __future__ import annotations

from datetime import datetime

import numpy as np
import numpy.typing as npt

from slowglass.errors import UsageError
from slowglass.find.limits import Limits
from slowglass.find.moves import UsableMove
from slowglass.kit.model import Site
from slowglass.sky.brightness import naked_eye_limit_mag
from slowglass.sky.catalogue import Stars
from slowglass.sky.coords import alt_az, offset_point, position_angle_deg, separation_deg
from slowglass.sky.place import Place
from slowglass.sky.store import Sky

ANCHOR_MARGIN_MAG = 1.0
"""A star this much brighter than the naked-eye limit is seen without searching for it."""
FAINTEST_ANCHOR_AT_LEAST = 2.0
"""However bright the sky, the brightest stars are seen."""
ANCHOR_LOWEST_DEG = 10.0
ONE_TO_THE_EYE_DEG = 0.05
"""Stars closer than this (3′) look like one to the naked eye."""
LONGEST_HOP_DEG = 30.0
"""Beyond this a hop has dozens of legs in an eyepiece field: another anchor is wanted."""
SAME_PLACE_DEG = 20.0 / 3600.0
"""A star this near the target is the target, or its middle."""


def anchor_limit_mag(site: Site, limits: Limits | None = None) -> float:
    """Faintest star, V, that a hop may start at: under given limits, else the site's dark sky."""
    eye_mag = naked_eye_limit_mag(site.sky_mag_arcsec2) if limits is None else limits.eye_mag
    return max(FAINTEST_ANCHOR_AT_LEAST, float(eye_mag) - ANCHOR_MARGIN_MAG)


def altitude_and_skyline(
    ra_deg: float, dec_deg: float, site: Site, when: datetime
) -> tuple[float, float]:
    """Altitude of a place and of the skyline under it, degrees."""
    alt, az = sight_of(ra_deg, dec_deg, site, when)
    return alt, float(site.horizon_alt_deg(az))


def sight_of(ra_deg: float, dec_deg: float, site: Site, when: datetime) -> tuple[float, float]:
    """Apparent altitude and azimuth (north through east) of a place, degrees."""
    alt, az = alt_az(
        ra_deg,
        dec_deg,
        latitude_deg=site.latitude_deg,
        longitude_deg=site.longitude_deg,
        unix_s=when.timestamp(),
        apparent=True,
    )
    return float(alt), float(az)


def stars_around(
    sky: Sky, ra_deg: float, dec_deg: float, radius_deg: float, mag_limit: float, epoch_year: float
) -> Stars:
    """Stars to a visual magnitude around a place, without any at the place itself."""
    stars = sky.stars.cone(
        ra_deg, dec_deg, radius_deg, mag_limit=mag_limit + 0.5, epoch_year=epoch_year
    )
    away = separation_deg(ra_deg, dec_deg, stars.ra_deg, stars.dec_deg)
    return stars.take((stars.v_mag <= mag_limit) & (away > SAME_PLACE_DEG))


def anchor_mask(
    stars: Stars, mag_limit: float, site: Site, when: datetime | None
) -> npt.NDArray[np.bool_]:
    """Naked-eye stars; above the skyline (and 10°) when a moment is given.

    Of stars that the eye takes for one, the brightest that has a number.
    """
    mask = stars.v_mag <= mag_limit
    if np.isfinite(mag_limit):
        bright = np.flatnonzero(mask)
        bright = bright[np.lexsort((stars.v_mag[bright], stars.hip[bright] == 0))]
        places = stars.vectors[bright]
        gap = np.linalg.norm(places[:, None] - places[None, :], axis=2)
        mask[bright[np.any(np.tril(gap < np.radians(ONE_TO_THE_EYE_DEG), -1), axis=1)]] = False
    if when is not None and mask.any():
        rows = np.flatnonzero(mask)
        alt, az = alt_az(
            stars.ra_deg[rows],
            stars.dec_deg[rows],
            latitude_deg=site.latitude_deg,
            longitude_deg=site.longitude_deg,
            unix_s=when.timestamp(),
            apparent=True,
        )
        mask[rows] = alt >= np.maximum(site.horizon_alt_deg(az) + 1.0, ANCHOR_LOWEST_DEG)
    return mask


def stars_from_named(
    sky: Sky, place: Place, from_star: str, move: UsableMove, epoch_year: float
) -> tuple[Stars, npt.NDArray[np.bool_]]:
    """Stars between a chosen start and the target, with the start marked as the only anchor."""
    begin = sky.named_stars.at_epoch(epoch_year).get(from_star)
    away = float(separation_deg(begin.ra_deg, begin.dec_deg, place.ra_deg, place.dec_deg))
    if away > LONGEST_HOP_DEG:
        raise UsageError(
            f"{begin.name} is {away:.0f}° from {place.name}, too far to hop",
            f"choose a star within {LONGEST_HOP_DEG:.0f}°, or leave --from out",
        )
    pa = position_angle_deg(place.ra_deg, place.dec_deg, begin.ra_deg, begin.dec_deg)
    ra, dec = offset_point(place.ra_deg, place.dec_deg, pa, away / 2.0)
    radius = away / 2.0 + 4.0 * move.max_leg_deg
    near = stars_around(sky, float(ra), float(dec), radius, move.mag_limit, epoch_year)
    gap = separation_deg(begin.ra_deg, begin.dec_deg, near.ra_deg, near.dec_deg)
    return near, gap == np.min(gap, initial=np.inf)
