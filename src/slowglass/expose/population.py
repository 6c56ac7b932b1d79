"""Stars too faint for the catalogue: invented one by one, true in number, fixed in place.

Counts follow the all-sky law log N(<V) = −0.0003 V³ + 0.0019 V² + 0.484 V + 0.795 and the
dependence on galactic latitude counted in the Gaia catalogue to G = 10. Every cell of the sky
has its own seed, so the same stars come back whatever frame looks at them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

SKY_DEG2 = 41252.96
FAINTEST_MAG = 17.0
CELL_DEG = 0.25
_SEED = 0x510317A5
_LATITUDE_DEG = np.array([0.0, 2.5, 12.5, 30.0, 50.0, 75.0, 90.0])
_DENSITY = np.array([2.20, 2.08, 1.48, 0.855, 0.556, 0.445, 0.43])
"""Stars per square degree over the sky's mean: 24.3, 17.3, 10.0, 6.5, 5.2 over 11.7 at G < 10."""


@dataclass(frozen=True, eq=False)
class FaintStars:
    """Invented stars as parallel arrays: ICRS degrees, V magnitude, B−V."""

    ra_deg: Floats
    dec_deg: Floats
    mag: Floats
    bv: Floats


def stars_brighter(mag: npt.ArrayLike) -> Floats:
    """Number of stars on the whole sky brighter than a V magnitude (4 to 18)."""
    v = np.asarray(mag, dtype=np.float64)
    return 10.0 ** (-0.0003 * v**3 + 0.0019 * v**2 + 0.484 * v + 0.795)


def galactic_latitude_deg(ra_deg: npt.ArrayLike, dec_deg: npt.ArrayLike) -> Floats:
    """Galactic latitude in degrees of ICRS positions (pole at 192.85948°, +27.12825°)."""
    ra, dec = np.radians(ra_deg), np.radians(dec_deg)
    pole_ra, pole_dec = np.radians([192.85948, 27.12825])
    sine = np.sin(dec) * np.sin(pole_dec) + np.cos(dec) * np.cos(pole_dec) * np.cos(ra - pole_ra)
    return np.degrees(np.arcsin(np.clip(sine, -1.0, 1.0)))


def density_factor(latitude_deg: npt.ArrayLike) -> Floats:
    """Star density at a galactic latitude over the mean of the sky."""
    return np.exp(np.interp(np.abs(latitude_deg), _LATITUDE_DEG, np.log(_DENSITY)))


def faint_stars(
    ra_deg: float,
    dec_deg: float,
    radius_deg: float,
    *,
    from_mag: float,
    to_mag: float = FAINTEST_MAG,
) -> FaintStars:
    """Invented stars of V between the magnitudes, within (and a little beyond) a radius."""
    grid = np.linspace(9.0, FAINTEST_MAG, 161)
    law = stars_brighter(grid) / SKY_DEG2
    # A cone spans asin(sin r / cos δ) in right ascension, or all of it over a pole.
    reach = 180.0
    if abs(dec_deg) + radius_deg < 90.0:
        sine = np.sin(np.radians(radius_deg)) / np.cos(np.radians(dec_deg))
        reach = float(np.degrees(np.arcsin(min(1.0, float(sine)))))
    drawn: list[tuple[Floats, ...]] = []
    for band in range(
        max(0, int((dec_deg - radius_deg + 90.0) / CELL_DEG)),
        min(int(180.0 / CELL_DEG) - 1, int((dec_deg + radius_deg + 90.0) / CELL_DEG)) + 1,
    ):
        low = band * CELL_DEG - 90.0
        cos_dec = max(1e-6, float(np.cos(np.radians(low + CELL_DEG / 2.0))))
        cells = max(1, round(360.0 * cos_dec / CELL_DEG))
        width = 360.0 / cells
        first = int(np.floor((ra_deg - reach) / width))
        last = int(np.floor((ra_deg + reach) / width))
        if last - first >= cells:
            first, last = 0, cells - 1
        drawn += _row(band, np.arange(first, last + 1) % cells, low, width, law)
    if not drawn:
        return FaintStars(*(np.empty(0) for _ in range(4)))
    ra, sin_dec, below, bv = (np.concatenate(column) for column in zip(*drawn, strict=True))
    # Inverting the cumulative law; below the grid's bright end every star gets that magnitude,
    # which the caller's limit then cuts away.
    mag = np.interp(below * law[-1], law, grid)
    keep = (mag >= from_mag) & (mag < to_mag)
    dec = np.degrees(np.arcsin(sin_dec[keep]))
    return FaintStars(ra[keep], dec, mag[keep], np.clip(0.75 + 0.28 * bv[keep], 0.1, 1.7))


def _row(
    band: int, cells: npt.NDArray[np.int64], low: float, width: float, law: Floats
) -> list[tuple[Floats, ...]]:
    """Raw draws for cells of one declination band: RA, sin δ, place in the law, normal for B−V."""
    sin_low, sin_high = np.sin(np.radians([low, low + CELL_DEG]))
    area = np.radians(width) * (sin_high - sin_low) * np.degrees(1.0) ** 2
    latitude = galactic_latitude_deg((cells + 0.5) * width, low + CELL_DEG / 2.0)
    wanted = law[-1] * area * density_factor(latitude)
    out: list[tuple[Floats, ...]] = []
    for cell, mean in zip(cells.tolist(), wanted.tolist(), strict=True):
        rng = np.random.Generator(np.random.Philox(key=_SEED + band * 4096 + cell))
        count = rng.poisson(mean)
        out.append(
            (
                (cell + rng.random(count)) * width,
                sin_low + (sin_high - sin_low) * rng.random(count),
                rng.random(count),
                rng.standard_normal(count),
            )
        )
    return out


def faintest_within(count: float, ra_deg: float, dec_deg: float, radius_deg: float) -> float:
    """V magnitude, FAINTEST_MAG at most, to which about ``count`` stars lie within a radius."""
    area = 2.0 * np.pi * (1.0 - np.cos(np.radians(radius_deg))) * np.degrees(1.0) ** 2
    here = float(density_factor(galactic_latitude_deg(ra_deg, dec_deg)))
    grid = np.linspace(5.0, FAINTEST_MAG, 241)
    return float(np.interp(count / (here * area), stars_brighter(grid) / SKY_DEG2, grid))
