"""Stars worth a frame of their own: doubles that the kit splits, and the deepest red ones.

Both are found in the star catalogue itself, not in a list: pairs by nearness and brightness,
red stars by B−V. Whether a pair is bound is not asked; common motion is told where it is seen.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from slowglass.sky.catalogue import StarCatalogue
from slowglass.sky.constellations import constellations_at
from slowglass.sky.coords import position_angle_deg

Floats = npt.NDArray[np.float64]
Rows = npt.NDArray[np.int64]

DOUBLE, RED, ASTEROID = "double star", "deep red star", "asteroid"
STAR_KINDS = (DOUBLE, RED, ASTEROID)

FAINTEST_FIRST_MAG, FAINTEST_SECOND_MAG = 7.0, 9.0
"""Brighter stars of a pair to look for, and companions: beyond, no pair stands out of the field."""
CLOSEST_ARCSEC, WIDEST_ARCSEC = 3.0, 60.0
LARGEST_STEP_MAG = 4.5
RED_BV, RED_MAG = 2.0, 8.5
"""Colour index from which a star is plainly red in a picture: cool giants, carbon stars."""
TOGETHER_MAS, TOGETHER_SHARE = 8.0, 0.15
"""Motions that differ by less than this, or by this share of themselves, are common."""
FASTEST_CHECKED_MAS = 25.0
"""Slower stars share their motion with half the field by chance: nothing is said of them."""


@dataclass(frozen=True)
class StarSights:
    """Doubles and red stars as parallel arrays; of red stars the companion's values are NaN.

    ``row`` is the star catalogue's row of the brighter star. Separations in arcseconds, position
    angle of the fainter star from the brighter one, magnitudes V.
    """

    kind: npt.NDArray[np.str_]
    row: Rows
    ra_deg: Floats
    dec_deg: Floats
    mag: Floats
    bv: Floats
    second_mag: Floats
    second_bv: Floats
    separation_arcsec: Floats
    angle_deg: Floats
    together: npt.NDArray[np.bool_]
    constellation: npt.NDArray[np.str_]

    def __len__(self) -> int:
        return len(self.row)


def star_sights(stars: StarCatalogue) -> StarSights:
    """All doubles and deep red stars of the catalogue."""
    first, second, away = _pairs(stars)
    red = _red(stars)
    rows = np.concatenate([first, red])
    pad = np.full(len(red), np.nan)
    v, bv = stars.column("v_mag"), stars.column("bv")
    a, b = first, second

    def places(rows: Rows) -> tuple[Floats, Floats]:
        ra, dec = stars.column("ra_deg")[rows], stars.column("dec_deg")[rows]
        return np.asarray(ra, float), np.asarray(dec, float)

    angle = position_angle_deg(*places(a), *places(b))
    ra, dec = places(rows)
    return StarSights(
        kind=np.array([DOUBLE] * len(first) + [RED] * len(red)),
        row=rows,
        ra_deg=ra,
        dec_deg=dec,
        mag=np.asarray(v[rows], float),
        bv=np.asarray(bv[rows], float),
        second_mag=np.concatenate([np.asarray(v[b], float), pad]),
        second_bv=np.concatenate([np.asarray(bv[b], float), pad]),
        separation_arcsec=np.concatenate([away, pad]),
        angle_deg=np.concatenate([angle, pad]),
        together=np.concatenate([_together(stars, a, b), np.zeros(len(red), bool)]),
        constellation=np.array(constellations_at(ra, dec), dtype=str),
    )


def _pairs(stars: StarCatalogue) -> tuple[Rows, Rows, Floats]:
    """Rows of the brighter and the fainter star of each pair, and arcseconds between them.

    Sorted by height above the equator, a star's companions are among its next neighbours; the
    list is compared with itself shifted by one, two, … until none is near any more.
    """
    v = stars.column("v_mag")
    rows = np.flatnonzero(np.asarray(v) <= FAINTEST_SECOND_MAG)
    place = np.asarray(stars.vectors[rows])
    order = np.argsort(place[:, 2], kind="stable")
    rows, place = rows[order], place[order]
    mag = np.asarray(v[rows], float)
    reach = np.radians(WIDEST_ARCSEC / 3600.0)
    found = []
    for shift in range(1, len(rows)):
        near = np.flatnonzero(place[shift:, 2] - place[:-shift, 2] <= reach)
        if not len(near):
            break
        gap = np.linalg.norm(place[near + shift] - place[near], axis=1)
        hit = near[gap <= reach]
        found.append(np.stack([hit, hit + shift], axis=1))
    pairs = np.concatenate(found) if found else np.zeros((0, 2), int)
    bright = np.where(mag[pairs[:, 0]] <= mag[pairs[:, 1]], pairs[:, 0], pairs[:, 1])
    faint = pairs.sum(axis=1) - bright
    away = np.degrees(np.linalg.norm(place[bright] - place[faint], axis=1)) * 3600.0
    good = (mag[bright] <= FAINTEST_FIRST_MAG) & (away >= CLOSEST_ARCSEC)
    good &= mag[faint] - mag[bright] <= LARGEST_STEP_MAG
    bright, faint, away = bright[good], faint[good], away[good]
    # the brightest companion counts, and a companion is nobody else's first star
    best = np.lexsort((mag[faint], bright))
    bright, faint, away = bright[best], faint[best], away[best]
    once = np.concatenate([[True], np.diff(bright) != 0])[: len(bright)]
    once &= ~np.isin(bright, faint)
    return rows[bright[once]], rows[faint[once]], away[once]


def _red(stars: StarCatalogue) -> Rows:
    with np.errstate(invalid="ignore"):
        red = (np.asarray(stars.column("bv")) >= RED_BV) & (
            np.asarray(stars.column("v_mag")) <= RED_MAG
        )
    return np.flatnonzero(red)


def _together(stars: StarCatalogue, a: Rows, b: Rows) -> npt.NDArray[np.bool_]:
    """Pairs that plainly move across the sky as one."""
    own = [np.asarray(stars.column(name)[a], float) for name in ("pm_ra_mas", "pm_dec_mas")]
    other = [np.asarray(stars.column(name)[b], float) for name in ("pm_ra_mas", "pm_dec_mas")]
    speed = np.hypot(*own)
    apart = np.hypot(own[0] - other[0], own[1] - other[1])
    return (speed >= FASTEST_CHECKED_MAS) & (
        apart <= np.maximum(TOGETHER_MAS, TOGETHER_SHARE * speed)
    )
