"""Star lists as a camera would see them: catalogue stars, fainter ones, errors, spurious ones."""

from __future__ import annotations

import numpy as np

from slowglass.frame.stars import StarList
from slowglass.sky.wcs import TanWcs, deproject_tan
from slowglass.solve.catalogue import SolveCatalogue
from slowglass.solve.types import Prior

WIDTH, HEIGHT = 6000, 4000


def star_list(x_px, y_px, flux) -> StarList:
    order = np.argsort(-np.asarray(flux))
    x, y, f = (np.asarray(a, dtype=float)[order] for a in (x_px, y_px, flux))
    nan = np.full(len(x), np.nan)
    return StarList(x, y, f, f, f, nan, nan, nan, nan, np.zeros(len(x), dtype=np.int32))


def random_wcs(rng: np.random.Generator, scale: float) -> TanWcs:
    return TanWcs.from_simple(
        ra_deg=rng.uniform(0, 360),
        dec_deg=np.degrees(np.arcsin(rng.uniform(-1, 1))),
        width_px=WIDTH,
        height_px=HEIGHT,
        scale_arcsec_per_px=scale,
        rotation_deg=rng.uniform(0, 360),
        parity=1 if rng.random() < 0.5 else -1,
    )


def photographed(
    rng: np.random.Generator,
    catalogue: SolveCatalogue,
    wcs: TanWcs,
    *,
    error_px: float = 0.4,
    error_mag: float = 0.35,
    missed: float = 0.01,
    spurious: float = 0.5,
) -> tuple[StarList, int]:
    """The stars of a frame, and how many the catalogue has in it."""
    half = np.radians(np.hypot(WIDTH, HEIGHT) / 2 * wcs.scale_arcsec_per_px / 3600)
    rows = catalogue.in_cone(wcs.ra0_deg, wcs.dec0_deg, np.degrees(np.arctan(half)) * 1.05)
    x, y = wcs.sky_to_pixel(*catalogue.radec_at(rows, 2024.0))
    mag = catalogue.grid.mag[rows]
    inside = (x > 2) & (y > 2) & (x < WIDTH - 3) & (y < HEIGHT - 3)
    x, y, mag = x[inside], y[inside], mag[inside]
    listed = len(x)
    area_deg2 = WIDTH * HEIGHT * (wcs.scale_arcsec_per_px / 3600) ** 2
    fainter = min(400, int(max(area_deg2 * 11.7, listed) * 10 ** (0.45 * 2.5)))
    faint_mag = 12.5 + np.log10(rng.random(fainter)) / 0.45
    faint_mag = faint_mag[faint_mag > 10]
    x = np.concatenate([x, rng.uniform(0, WIDTH, len(faint_mag))])
    y = np.concatenate([y, rng.uniform(0, HEIGHT, len(faint_mag))])
    mag = np.concatenate([mag, faint_mag])
    seen = rng.random(len(x)) >= missed
    n = rng.poisson(spurious)
    x = np.concatenate([x[seen], rng.uniform(0, WIDTH, n)])
    y = np.concatenate([y[seen], rng.uniform(0, HEIGHT, n)])
    mag = np.concatenate([mag[seen], rng.uniform(8, 12, n)])
    x, y = x + rng.normal(0, error_px, len(x)), y + rng.normal(0, error_px, len(y))
    mag = mag + rng.normal(0, error_mag, len(mag))
    return star_list(x, y, 10 ** (-0.4 * (mag - 25))), listed


def rough_prior(
    rng: np.random.Generator, wcs: TanWcs, *, radius_deg: float, scale_tolerance: float
) -> Prior:
    """A prior that is true, though the pose may lie near its edge."""
    away, direction = rng.uniform(0, 0.96 * radius_deg), rng.uniform(0, 2 * np.pi)
    ra, dec = deproject_tan(
        away * np.cos(direction), away * np.sin(direction), wcs.ra0_deg, wcs.dec0_deg
    )
    off = 1 + 0.9 * scale_tolerance * rng.uniform(-1, 1)
    return Prior(
        ra_deg=float(ra),
        dec_deg=float(dec),
        radius_deg=radius_deg,
        scale_arcsec_per_px=wcs.scale_arcsec_per_px * off,
        scale_tolerance=scale_tolerance,
        epoch_year=2024.0,
    )


def centre_error_px(found: TanWcs, true: TanWcs) -> float:
    x, y = (WIDTH - 1) / 2, (HEIGHT - 1) / 2
    tx, ty = true.sky_to_pixel(*found.pixel_to_sky(x, y))
    return float(np.hypot(tx - x, ty - y))
