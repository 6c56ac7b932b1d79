"""A small painter of star fields with known truth, sharing no code with the forecast.

Gaussian stars, smeared along a line where asked, on a flat sky with Poisson-like noise, at
the catalogue's places with proper motion, over a 16-bit camera.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from astropy.io import fits

from slowglass.sky.wcs import TanWcs


@dataclass(frozen=True)
class Painted:
    pixels: np.ndarray
    wcs: TanWcs

    @property
    def centre(self) -> tuple[float, float]:
        rows, columns = self.pixels.shape
        ra, dec = self.wcs.pixel_to_sky((columns - 1) / 2, (rows - 1) / 2)
        return float(ra), float(dec)


def paint(
    sky,
    *,
    ra_deg: float,
    dec_deg: float,
    width_px: int = 1500,
    height_px: int = 1000,
    scale_arcsec_per_px: float = 2.475,
    rotation_deg: float = 20.0,
    parity: int = 1,
    fwhm_px: float = 3.2,
    trail_px: float = 0.0,
    trail_pa_deg: float = 90.0,
    sky_adu: float = 400.0,
    epoch_year: float = 2026.7,
    faint: int = 150,
    seed: int = 1,
) -> Painted:
    """Catalogue stars to the limit, plus ``faint`` more that no catalogue here holds."""
    wcs = TanWcs.from_simple(
        ra_deg=ra_deg,
        dec_deg=dec_deg,
        width_px=width_px,
        height_px=height_px,
        scale_arcsec_per_px=scale_arcsec_per_px,
        rotation_deg=rotation_deg,
        parity=parity,
    )
    rng = np.random.default_rng(seed)
    radius = 0.55 * np.hypot(width_px, height_px) * scale_arcsec_per_px / 3600
    stars = sky.stars.cone(ra_deg, dec_deg, radius, epoch_year=epoch_year)
    x, y = wcs.sky_to_pixel(stars.ra_deg, stars.dec_deg)
    mag = np.r_[stars.mag, rng.uniform(10.2, 13.0, faint)]
    x = np.r_[x, rng.uniform(0, width_px, faint)]
    y = np.r_[y, rng.uniform(0, height_px, faint)]

    inverse = np.linalg.inv(wcs.matrix)
    step = inverse @ np.array([np.sin(np.radians(trail_pa_deg)), np.cos(np.radians(trail_pa_deg))])
    step = step / np.hypot(*step)
    along = np.linspace(-0.5, 0.5, max(1, int(np.ceil(trail_px * 4)))) * trail_px

    picture = np.full((height_px, width_px), sky_adu)
    sigma = fwhm_px / 2.354820
    reach = int(np.ceil(5 * sigma + trail_px / 2 + 2))
    for xs, ys, m in zip(x, y, mag, strict=True):
        flux = 6e4 * 10 ** (-0.4 * (m - 9.5))
        left, low = round(xs) - reach, round(ys) - reach
        cols = np.arange(max(0, left), min(width_px, left + 2 * reach + 1))
        rows = np.arange(max(0, low), min(height_px, low + 2 * reach + 1))
        if not (len(cols) and len(rows)):
            continue
        spot = np.zeros((len(rows), len(cols)))
        for t in along if trail_px else (0.0,):
            gx = np.exp(-0.5 * ((cols - xs - t * step[0]) / sigma) ** 2)
            gy = np.exp(-0.5 * ((rows - ys - t * step[1]) / sigma) ** 2)
            spot += gy[:, None] * gx[None, :]
        spot /= (len(along) if trail_px else 1) * 2 * np.pi * sigma**2
        picture[rows[0] : rows[-1] + 1, cols[0] : cols[-1] + 1] += flux * spot
    noisy = picture + rng.normal(0, 1, picture.shape) * np.sqrt(picture / 1.9 + 9.0)
    return Painted(np.clip(np.round(noisy), 0, 65535).astype(np.uint16), wcs)


def save(painted: Painted, path, **cards):
    """A FITS file with a camera's cards and no solution."""
    hdu = fits.PrimaryHDU(painted.pixels)
    hdu.header["IMAGETYP"] = "Light Frame"
    hdu.header["EXPTIME"] = 60.0
    hdu.header["DATE-OBS"] = "2026-09-12T21:00:00"
    for key, value in cards.items():
        hdu.header[key.replace("_", "-")] = value
    hdu.writeto(path)
    return path
