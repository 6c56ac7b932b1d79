"""A small star-field maker for these tests, sharing no code with the product's own renderer."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from astropy.io import fits

CELL = {"RGGB": ((0, 1), (1, 2)), "GBRG": ((1, 2), (0, 1))}


@dataclass(frozen=True)
class Field:
    """Stars with total light per channel, on a sky with a slope."""

    x: np.ndarray
    y: np.ndarray
    flux: np.ndarray  # (n, 3)
    width: int
    height: int
    sky: tuple[float, float, float] = (300.0, 400.0, 250.0)

    @classmethod
    def random(cls, rng, *, width=480, height=360, stars=80, brightest=60000.0, margin=0):
        x = rng.uniform(-margin, width + margin, stars)
        y = rng.uniform(-margin, height + margin, stars)
        total = brightest * rng.power(0.6, stars) ** 2 + 600.0
        tint = np.exp(rng.normal(0, 0.1, (stars, 3)))
        return cls(x, y, total[:, None] * tint, width, height)

    def image(self, *, fwhm=3.2, shift=(0.0, 0.0), turn_deg=0.0, light=1.0, channels=3):
        """Expected ADU (height, width, channels): the field as a turned, shifted camera sees it.

        A star at reference (x, y) appears where the returned camera maps it; the inverse of
        ``camera_to_reference``.
        """
        x, y = reference_to_camera(self, self.x, self.y, shift, turn_deg)
        yy, xx = np.mgrid[: self.height, : self.width].astype(float)
        out = np.zeros((self.height, self.width, 3))
        for c in range(3):
            out[..., c] = self.sky[c] * (1 + 0.1 * xx / self.width - 0.06 * yy / self.height)
        sigma = fwhm / 2.354820045
        reach = int(np.ceil(6 * sigma)) + 1
        for xs, ys, f in zip(x, y, self.flux, strict=True):
            i, j = round(xs), round(ys)
            i0, i1 = max(0, i - reach), min(self.width, i + reach + 1)
            j0, j1 = max(0, j - reach), min(self.height, j + reach + 1)
            if i0 >= i1 or j0 >= j1:
                continue
            g = np.exp(
                -((xx[j0:j1, i0:i1] - xs) ** 2 + (yy[j0:j1, i0:i1] - ys) ** 2) / 2 / sigma**2
            )
            out[j0:j1, i0:i1] += light * f / (2 * np.pi * sigma**2) * g[..., None]
        return out if channels == 3 else out.mean(axis=2, keepdims=True)


def reference_to_camera(field, x, y, shift, turn_deg):
    """Camera pixel of reference pixels: a turn about the centre, then a shift."""
    cx, cy = (field.width - 1) / 2, (field.height - 1) / 2
    z = ((x - cx) + 1j * (y - cy)) * np.exp(1j * np.radians(turn_deg))
    return z.real + cx + shift[0], z.imag + cy + shift[1]


@dataclass(frozen=True)
class Sensor:
    """Bias with structure, dark current with hot pixels, dusty flat, photon and read noise."""

    bias: np.ndarray
    dark_per_s: np.ndarray
    flat: np.ndarray
    gain: float = 2.0
    read_noise: float = 3.0
    pattern: str | None = "RGGB"

    @classmethod
    def make(cls, rng, width, height, *, pattern="RGGB", hot=4e-4):
        yy, xx = np.mgrid[:height, :width]
        bias = 500.0 + 3.0 * np.sin(xx / 7.0)
        dark = np.full((height, width), 0.05)
        lit = rng.uniform(size=dark.shape) < hot
        dark[lit] += rng.uniform(3, 200, lit.sum())
        r2 = ((xx - width / 2) ** 2 + (yy - height / 2) ** 2) / (width / 2) ** 2
        flat = 1.0 - 0.25 * r2
        flat *= 1 - 0.2 * np.exp(-((xx - 100) ** 2 + (yy - 90) ** 2) / 2 / 12**2)
        return cls(bias, dark, flat, pattern=pattern)

    def expose(self, rng, light, exposure_s):
        """One raw frame, uint16 ADU; ``light`` is (h, w, 3 or 1) expected ADU or None."""
        expected = self.dark_per_s * exposure_s
        if light is not None:
            if self.pattern and light.shape[2] == 3:
                cell = CELL[self.pattern]
                seen = np.empty(light.shape[:2])
                for j in (0, 1):
                    for i in (0, 1):
                        seen[j::2, i::2] = light[j::2, i::2, cell[j][i]]
            else:
                seen = light[..., 0]
            expected = expected + seen * self.flat
        electrons = rng.poisson(np.maximum(expected, 0) * self.gain)
        adu = electrons / self.gain + rng.normal(0, self.read_noise, expected.shape) + self.bias
        return np.clip(np.rint(adu), 0, 65535).astype(np.uint16)


def write(path: Path, pixels, *, kind=None, exposure_s=None, pattern=None, **cards):
    path.parent.mkdir(parents=True, exist_ok=True)
    hdu = fits.PrimaryHDU(pixels)
    if kind:
        hdu.header["IMAGETYP"] = kind
    if exposure_s is not None:
        hdu.header["EXPTIME"] = exposure_s
    if pattern:
        hdu.header["BAYERPAT"] = pattern
    for key, value in cards.items():
        hdu.header[key] = value
    hdu.writeto(path, overwrite=True)
    return path


def write_calibration(folder: Path, sensor: Sensor, rng, *, exposure_s=60.0, count=8, flat=20000.0):
    shape = sensor.bias.shape
    for k in range(count):
        write(folder / f"bias/b{k}.fits", sensor.expose(rng, None, 0.0), kind="Bias Frame",
              exposure_s=0.0, pattern=sensor.pattern)  # fmt: skip
        write(folder / f"dark/d{k}.fits", sensor.expose(rng, None, exposure_s), kind="Dark Frame",
              exposure_s=exposure_s, pattern=sensor.pattern)  # fmt: skip
        even = np.broadcast_to(np.array([0.7, 1.0, 0.8]) * flat, (*shape, 3))
        even = even if sensor.pattern else even[..., :1]
        write(folder / f"flat/f{k}.fits", sensor.expose(rng, even, 1.0), kind="Flat Field",
              exposure_s=1.0, pattern=sensor.pattern)  # fmt: skip
