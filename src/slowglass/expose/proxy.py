"""The forecast at a smaller scale, for sliders: light drawn once, then exposed at once.

A proxy pixel stands for ``bin_px`` × ``bin_px`` pixels of the sensor. What the stars, the object
and the sky send it each second is drawn once, without trails; an exposure multiplies by the time,
convolves with the mount's path (as a transfer function, so that sub-pixel trails are right) and
adds the noise that so many pixels in so many frames leave (:mod:`proxy_frame`). Left out: dust,
and the turning of the field away from its middle.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from slowglass.expose.conditions import Conditions
from slowglass.expose.psf import half_peak_width_px, star_image, surface_kernel
from slowglass.expose.scene import gather, render_part
from slowglass.expose.sensor import mosaic_bands, sensor_flaws
from slowglass.expose.signal import bands, sky_e_per_px_s, star_e_per_s
from slowglass.expose.strip import SPAN
from slowglass.expose.tracking import SHAKE_FACTOR
from slowglass.kit.model import Kit, Site
from slowglass.sky.coords import epoch_year
from slowglass.sky.place import Place
from slowglass.sky.wcs import TanWcs

if TYPE_CHECKING:
    from datetime import datetime

    from slowglass.sky.store import Sky

Floats = npt.NDArray[np.float64]
Light = npt.NDArray[np.float32]
Path = tuple[Floats, Floats]

LONGEST_PX = 720
"""The proxy's longer side, at most."""
ASPECT = 1.5
LEAST_SENSOR_PX = 600
"""A closer look would show pixels rather than the object."""
MARGIN_PX = 24
"""Drawn around the picture, so that trails come in from outside."""
SHARPEST_PX = 2.2
"""Stars narrower than this are moved by sharing them out between pixels."""


@dataclass(frozen=True, eq=False)
class ProxyLight:
    """Light by the second on a part of the sensor, in electrons per sensor pixel and band.

    Arrays are (rows, columns) or (rows, columns, bands) with ``MARGIN_PX`` or a little more
    around the picture proper, which ``inner`` cuts out.
    """

    kit: Kit
    bin_px: int
    wcs: TanWcs
    """Of the picture proper, in proxy pixels."""
    e_per_s: Light
    """Stars and objects, untrailed."""
    sky_e_per_s: Floats
    """The sky at the frame's middle, (bands,)."""
    slope: Light
    """The sky over that in the middle, (rows, columns)."""
    through: Light
    """Share of the light that vignetting leaves, (rows, columns)."""
    hot_e_per_s: Light
    """Extra current of hot pixels, mean over the pixels of a band."""
    inner: tuple[slice, slice]
    star_px: float
    """Width of an untrailed star (FWHM), proxy pixels."""

    @cached_property
    def spectrum(self) -> list[npt.NDArray[np.complex64]]:
        """The Fourier transform of each band."""
        from scipy.fft import rfft2

        return [rfft2(self.e_per_s[..., b]) for b in range(self.e_per_s.shape[2])]

    @property
    def pixels_per_band(self) -> Floats:
        """Sensor pixels of each band in a proxy pixel, (bands,)."""
        cell = np.bincount(mosaic_bands(self.kit.camera).ravel()) / 4.0
        return np.asarray(cell * self.bin_px**2, dtype=np.float64)

    def under(self, sky_mag_arcsec2: float) -> ProxyLight:
        """The same light under another sky."""
        camera, optics = self.kit.camera, self.kit.optics
        made = replace(self, sky_e_per_s=sky_e_per_px_s(sky_mag_arcsec2, optics, camera))
        vars(made)["spectrum"] = self.spectrum
        return made

    def trailed(self, paths: list[Path]) -> Light:
        """Electrons a second with the mean of these paths (proxy pixels, each of mean 0)."""
        from scipy.fft import irfft2

        rows, columns = self.e_per_s.shape[:2]
        moved = trail_transfer(paths, rows, columns, coarse=self.star_px < SHARPEST_PX)
        out = np.empty_like(self.e_per_s)
        for b, plane in enumerate(self.spectrum):
            out[..., b] = irfft2(plane * moved, s=(rows, columns))
        return np.maximum(out, 0.0)


def proxy_light(
    kit: Kit,
    site: Site,
    sky: Sky,
    place: Place,
    *,
    conditions: Conditions,
    when: datetime | None = None,
    whole: bool = False,
    longest_px: int = LONGEST_PX,
    rotation_deg: float = 180.0,
    camera_seed: int = 1,
) -> ProxyLight:
    """The light around a place in the middle of the frame; ``whole`` takes all of the frame."""
    from slowglass.expose.kernels import add_surface, stamp_stars

    columns, rows, bin_px = _view(kit, place, whole=whole, longest_px=longest_px)
    scale = kit.scale_arcsec_per_px * bin_px
    parity = -1 if kit.optics.reflections % 2 else 1
    wcs = TanWcs.from_simple(
        ra_deg=place.ra_deg,
        dec_deg=place.dec_deg,
        width_px=columns,
        height_px=rows,
        scale_arcsec_per_px=scale,
        rotation_deg=rotation_deg,
        parity=parity,
    )
    high, wide, top, left = _with_margin(rows, columns)
    drawn = TanWcs(wcs.ra0_deg, wcs.dec0_deg, wcs.crpix_x + left, wcs.crpix_y + top, wcs.cd)
    scene = gather(
        sky,
        place.ra_deg,
        place.dec_deg,
        float(np.hypot(high, wide)) / 2.0 * scale / 3600.0,
        target=place.object,
        epoch_year=2016.0 if when is None else epoch_year(when),
    )
    colours = bands(kit.camera)
    air = {"airmass": conditions.airmass, "extinction_mag": conditions.extinction_mag}
    psf = star_image(
        kit.optics,
        scale_arcsec_per_px=scale,
        wavelengths_nm=tuple(band.wavelength_nm for band in colours),
        seeing_arcsec=site.seeing_arcsec,
        shake_arcsec=SHAKE_FACTOR[site.wind] * kit.mount.shake_arcsec,
    )
    stars = scene.stars
    star_e = star_e_per_s(stars.mag, kit.optics, kit.camera, light=stars.bv, **air)
    x, y = drawn.sky_to_pixel(stars.ra_deg, stars.dec_deg)
    near = np.flatnonzero(
        (x > -psf.half_px)
        & (x < wide + psf.half_px)
        & (y > -psf.half_px)
        & (y < high + psf.half_px)
    )
    # as faint as a frame of minutes would show
    radius = psf.stamp_radius_px(star_e[near].max(axis=1), below_e=0.002).astype(np.float64)
    kernel = surface_kernel(psf)
    parts = []
    for obj, model in scene.objects:
        for smooth in model.smooth:
            made = render_part(
                smooth,
                drawn,
                obj.ra_deg,
                obj.dec_deg,
                width_px=wide,
                height_px=high,
                kernel=kernel,
            )
            if made is not None:
                rate = star_e_per_s(model.mag, kit.optics, kit.camera, light=smooth.light, **air)
                parts.append((*made, rate))
    light = np.zeros((high, wide, len(colours)), dtype=np.float32)
    for b in range(len(colours)):
        plane = np.zeros((high, wide), dtype=np.float32)
        only = np.full((2, 2), b, dtype=np.int64)
        stamp_stars(plane, x[near], y[near], star_e[near], radius, psf.table, psf.oversample, only)
        for stamp, at_x, at_y, rate in parts:
            add_surface(plane, stamp, at_x, at_y, rate, only)
        light[..., b] = plane / np.float32(bin_px**2)
    across = np.arange(wide) - left - 0.5 * (columns - 1)
    down = np.arange(high) - top - 0.5 * (rows - 1)
    corner2 = (kit.camera.width_px**2 + kit.camera.height_px**2) / 4.0 / bin_px**2
    away2 = across[None, :] ** 2 + down[:, None] ** 2
    rise = conditions.sky_rise_per_px(wcs.matrix)
    return ProxyLight(
        kit=kit,
        bin_px=bin_px,
        wcs=wcs,
        e_per_s=light,
        sky_e_per_s=sky_e_per_px_s(conditions.sky_mag_arcsec2, kit.optics, kit.camera),
        slope=np.maximum(1.0 + rise[0] * across + rise[1] * down[:, None], 0.0).astype(np.float32),
        through=np.maximum(1.0 - kit.optics.corner_loss * away2 / corner2, 0.05).astype(np.float32),
        hot_e_per_s=_hot(kit, columns, rows, bin_px, (high, wide, top, left), camera_seed),
        inner=(slice(top, top + rows), slice(left, left + columns)),
        star_px=half_peak_width_px(psf),
    )


def _view(kit: Kit, place: Place, *, whole: bool, longest_px: int) -> tuple[int, int, int]:
    """Columns and rows of the proxy, and sensor pixels to a side of one of its pixels."""
    camera = kit.camera
    step = 2 if camera.bayer else 1
    size = place.object.major_arcmin if place.object is not None else None
    wanted = SPAN * 60.0 * (size or 0.0) / kit.scale_arcsec_per_px
    wide = float(camera.width_px)
    high = float(camera.height_px)
    if not whole:
        high = min(high, max(wanted, LEAST_SENSOR_PX / ASPECT))
        wide = min(wide, ASPECT * high)
    bin_px = step * max(1, int(np.ceil(max(wide, high) / longest_px / step)))
    return max(8, int(wide) // bin_px), max(8, int(high) // bin_px), bin_px


def _with_margin(rows: int, columns: int) -> tuple[int, int, int, int]:
    """Rows and columns that transform quickly, and where the picture begins in them."""
    from scipy.fft import next_fast_len

    high = int(next_fast_len(rows + 2 * MARGIN_PX, real=True))
    wide = int(next_fast_len(columns + 2 * MARGIN_PX, real=True))
    return high, wide, (high - rows) // 2, (wide - columns) // 2


def _hot(
    kit: Kit, columns: int, rows: int, bin_px: int, into: tuple[int, int, int, int], seed: int
) -> Light:
    """The camera's hot pixels on the proxy, e⁻/s, mean over the pixels of a band."""
    high, wide, top, left = into
    camera = kit.camera
    flaws = sensor_flaws(camera, kit.optics, seed)
    row = np.repeat(np.arange(camera.height_px), np.diff(flaws.hot_start))
    x = (flaws.hot_column - (camera.width_px - columns * bin_px) // 2) // bin_px
    y = (row - (camera.height_px - rows * bin_px) // 2) // bin_px
    band = mosaic_bands(camera)[row & 1, flaws.hot_column & 1]
    share = np.bincount(mosaic_bands(camera).ravel()) / 4.0 * bin_px**2
    inside = (x >= 0) & (x < columns) & (y >= 0) & (y < rows)
    out = np.zeros((high, wide, len(share)), dtype=np.float32)
    np.add.at(
        out,
        (y[inside] + top, x[inside] + left, band[inside]),
        (flaws.hot_e_s[inside] / share[band[inside]]).astype(np.float32),
    )
    return out


def trail_transfer(
    paths: list[Path], rows: int, columns: int, *, coarse: bool = False
) -> npt.NDArray[np.complex64]:
    """Transfer function of the mean of paths (pixels), for ``rfft2`` of that many pixels.

    ``coarse`` shares each point out between its four nearest pixels, which blurs by a sixth of a
    pixel squared and cannot ring: exact shifts of stars narrower than two pixels would.
    """
    x = np.concatenate([path[0] for path in paths])
    y = np.concatenate([path[1] for path in paths])
    if coarse:
        from scipy.fft import rfft2

        drawn = np.zeros((rows, columns), dtype=np.float32)
        left, top = np.floor(x), np.floor(y)
        for right, down in ((0, 0), (0, 1), (1, 0), (1, 1)):
            share = np.abs(1 - right - (x - left)) * np.abs(1 - down - (y - top))
            at = (top + down).astype(int) % rows, (left + right).astype(int) % columns
            np.add.at(drawn, at, (share / len(x)).astype(np.float32))
        return np.asarray(rfft2(drawn))
    turn = -2j * np.pi
    along_x = np.exp(turn * np.outer(x, np.fft.rfftfreq(columns))).astype(np.complex64)
    along_y = np.exp(turn * np.outer(y, np.fft.fftfreq(rows))).astype(np.complex64)
    return np.asarray(along_y.T @ along_x / np.float32(len(x)), dtype=np.complex64)
