"""Own stars: faint ones that the user's solved frames showed, and which of them are believed.

Each solved frame hands in its *sightings*. One sighting is weak: it may be a hot pixel, a knot of
nebula, an asteroid, or the frame may have been placed wrongly. A star is believed when two frames
saw it at the same place of the sky on different places of the sensor, and when at least half of
the frames that should have shown it did. That leaves out what stays with the sensor (hot pixels,
dust), what moves (asteroids, satellites) and what comes and goes (cosmic rays, reflections).
Neither number has a published source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from datetime import datetime

import numpy as np
import numpy.typing as npt

from slowglass.sky.coords import unit_vectors
from slowglass.sky.wcs import TanWcs

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

SAME_PLACE_SIGMAS = 4.0
FARTHEST_ARCSEC = 3.0
"""Sightings farther apart are not taken for one star however unsure they are."""
SAME_MAG = 1.0
LEAST_SHIFT_PX = 5.0
LEAST_SHIFT_WIDTHS = 2.0
"""How far apart on the sensor, in star widths (FWHM), two sightings must lie to confirm a star."""
LEAST_SHARE = 0.5
SURELY_SEEN_MAG = 0.5
"""A frame should show stars this much brighter than the faintest it handed in."""


@dataclass(frozen=True)
class OwnFrame:
    """The frame sightings come from."""

    name: str
    start_utc: datetime | None
    odds_log10: float
    """Of its solution, by the packaged and fetched stars alone."""
    fwhm_px: float
    faintest_mag: float
    width_px: int
    height_px: int
    wcs: TanWcs

    def covers(self, ra_deg: Floats, dec_deg: Floats) -> npt.NDArray[np.bool_]:
        """Which places the frame shows, a little off its edge."""
        x, y = self.wcs.sky_to_pixel(ra_deg, dec_deg)
        edge = 2.0 * LEAST_SHIFT_PX
        inside = (x > edge) & (x < self.width_px - 1 - edge)
        return np.asarray(inside & (y > edge) & (y < self.height_px - 1 - edge))


@dataclass(frozen=True, eq=False)
class Sightings:
    """Stars one frame showed that no catalogue lists; arrays of shape (n,), ICRS."""

    ra_deg: Floats
    dec_deg: Floats
    sigma_arcsec: Floats
    """One axis' standard error of the place, that of the frame's solution included."""
    g_mag: Floats
    mag_sigma: Floats
    x_px: Floats
    y_px: Floats

    def __len__(self) -> int:
        return len(self.ra_deg)

    def take(self, rows: npt.NDArray) -> Sightings:
        """The chosen rows (indices or mask)."""
        return Sightings(**{f.name: getattr(self, f.name)[rows] for f in fields(self)})


@dataclass(frozen=True, eq=False)
class OwnStars:
    """Believed own stars; arrays of shape (n,)."""

    ra_deg: Floats
    dec_deg: Floats
    sigma_arcsec: Floats
    g_mag: Floats
    mag_sigma: Floats
    frames: Ints
    """How many frames showed it."""
    odds_log10: Floats
    """Of the surest solution it rests on."""

    def __len__(self) -> int:
        return len(self.ra_deg)

    def take(self, rows: npt.NDArray) -> OwnStars:
        """The chosen rows (indices or mask)."""
        return OwnStars(**{f.name: getattr(self, f.name)[rows] for f in fields(self)})

    @classmethod
    def none(cls) -> OwnStars:
        """No stars."""
        empty = np.empty(0)
        return cls(empty, empty, empty, empty, empty, np.empty(0, dtype=np.int64), empty)


def believed(frames: Sequence[tuple[OwnFrame, Sightings]]) -> OwnStars:
    """The stars that the sightings of several frames bear out together."""
    from scipy.spatial import cKDTree

    if len(frames) < 2:
        return OwnStars.none()

    def column(name: str) -> Floats:
        return np.concatenate([getattr(seen, name) for _, seen in frames])

    ra, dec, sigma, mag = (column(n) for n in ("ra_deg", "dec_deg", "sigma_arcsec", "g_mag"))
    x, y, mag_sigma = column("x_px"), column("y_px"), column("mag_sigma")
    source = np.repeat(np.arange(len(frames)), [len(seen) for _, seen in frames])
    vectors = unit_vectors(ra, dec)
    near = cKDTree(vectors).query_ball_point(vectors, np.radians(FARTHEST_ARCSEC / 3600.0))
    free = np.ones(len(ra), dtype=bool)
    rows: list[tuple[float, ...]] = []
    for first in np.argsort(sigma, kind="stable"):
        if not free[first]:
            continue
        others = np.array([k for k in near[first] if free[k]], dtype=np.int64)
        gap = np.linalg.norm(vectors[others] - vectors[first], axis=1) * 206264.8
        reach = SAME_PLACE_SIGMAS * np.hypot(sigma[others], sigma[first])
        group = others[(gap <= reach) & (np.abs(mag[others] - mag[first]) < SAME_MAG)]
        # Of each frame the sighting that lies nearest.
        group = group[np.argsort(np.linalg.norm(vectors[group] - vectors[first], axis=1))]
        group = group[np.unique(source[group], return_index=True)[1]]
        free[group] = False
        if len(group) < 2 or not _moved_over_the_sensor(x[group], y[group], source[group], frames):
            continue
        weight = sigma[group] ** -2.0
        centre = np.average(vectors[group], axis=0, weights=weight)
        mag_weight = mag_sigma[group] ** -2.0
        rows.append(
            (
                float(np.degrees(np.arctan2(centre[1], centre[0])) % 360.0),
                float(np.degrees(np.arctan2(centre[2], np.hypot(centre[0], centre[1])))),
                # Frames solved by the same few stars err together: no gain is claimed.
                float(np.min(sigma[group])),
                float(np.average(mag[group], weights=mag_weight)),
                float(np.min(mag_sigma[group])),
                float(len(group)),
                max(frames[k][0].odds_log10 for k in source[group]),
            )
        )
    if not rows:
        return OwnStars.none()
    found = np.array(rows)
    stars = OwnStars(
        found[:, 0], found[:, 1], found[:, 2], found[:, 3], found[:, 4],
        found[:, 5].astype(np.int64), found[:, 6],
    )  # fmt: skip
    due = np.zeros(len(stars))
    for frame, _ in frames:
        shows = stars.g_mag < frame.faintest_mag - SURELY_SEEN_MAG
        due += shows & frame.covers(stars.ra_deg, stars.dec_deg)
    return stars.take(stars.frames >= LEAST_SHARE * due)


def _moved_over_the_sensor(
    x: Floats, y: Floats, source: Ints, frames: Sequence[tuple[OwnFrame, Sightings]]
) -> bool:
    """Whether two of the sightings lie on places of the sensor that are clearly apart."""
    width = max(frames[k][0].fwhm_px for k in source)
    least = max(LEAST_SHIFT_PX, LEAST_SHIFT_WIDTHS * width)
    return float(np.max(np.hypot(x - x[0], y - y[0]))) >= least
