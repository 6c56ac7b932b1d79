"""Two frames of the field of M15 with coordinates, for the tests that look at pictures."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from slowglass.frame.fits_io import write_fits
from slowglass.sky.wcs import TanWcs

WIDTH, HEIGHT, SCALE = 1500, 1000, 2.475
WCS = TanWcs.from_simple(
    ra_deg=322.49, dec_deg=12.17, width_px=WIDTH, height_px=HEIGHT, scale_arcsec_per_px=SCALE,
    rotation_deg=20.0, parity=1,
)  # fmt: skip
BRIGHT = (1200, 300)
"""Column and row of a pixel of 15 000 ADU."""


def write_scene(sky, folder: Path) -> list[Path]:
    """ "grey.fits" without and "mosaic.fits" with a mosaic and coordinates in the header."""
    stars = sky.stars.cone(322.49, 12.17, 0.8, epoch_year=2026.7)
    x, y = WCS.sky_to_pixel(stars.ra_deg, stars.dec_deg)
    rng = np.random.default_rng(5)
    x = np.r_[x, rng.uniform(0, WIDTH, 300)]
    y = np.r_[y, rng.uniform(0, HEIGHT, 300)]
    mag = np.r_[stars.mag, rng.uniform(10.2, 13.0, 300)]
    paths = []
    for k, name in enumerate(("grey", "mosaic")):
        picture = rng.normal(500.0, 8.0, (HEIGHT, WIDTH))
        for cx, cy, m in zip(x, y, mag, strict=True):
            if 12 < cx < WIDTH - 12 and 12 < cy < HEIGHT - 12:
                column, row = int(cx), int(cy)
                part = np.s_[row - 10 : row + 11, column - 10 : column + 11]
                rows, columns = np.mgrid[part]
                spot = np.exp(-((columns - cx) ** 2 + (rows - cy) ** 2) / (2 * 1.5**2))
                picture[part] += 2500.0 * 10 ** (-0.4 * (m - 9.0)) * spot
        cards = {"EXPTIME": 60.0, "DATE-OBS": f"2026-09-12T21:{k:02d}:00", "IMAGETYP": "Light"}
        if name == "mosaic":
            picture[0::2, 0::2] *= 0.8
            picture[1::2, 1::2] *= 1.1
            cards |= {"BAYERPAT": "RGGB", **WCS.to_header()}
        picture[BRIGHT[1], BRIGHT[0]] = 15000.0
        picture = np.clip(picture, 0, 16383)
        paths.append(write_fits(folder / f"{name}.fits", picture, cards=cards, dtype="uint16"))
    return paths
