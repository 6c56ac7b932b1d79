"""What ``solve.py`` photographs: fields, nights, pictures that hold no sky, real frames changed."""

from __future__ import annotations

import io
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from slowglass.expose.forecast import render_with_truth
from slowglass.expose.psf import star_image
from slowglass.expose.sensor import mosaic_bands
from slowglass.expose.signal import bands, sky_e_per_px_s
from slowglass.expose.tracking import SHAKE_FACTOR
from slowglass.frame.detect import detect_stars
from slowglass.frame.image import Frame
from slowglass.frame.io import read_frame
from slowglass.kit.io import load_kit, load_site
from slowglass.sky.deep import galactic_latitude_deg
from slowglass.sky.wcs import TanWcs
from slowglass.solve.store import open_solver

WIDTH, HEIGHT, PIXEL_UM = 2000, 1333, 11.7
"""The scenario's sensor binned 3 × 3 on the chip, read out without its colour mosaic."""


@dataclass(frozen=True)
class Field:
    """A field of view: what gives it, and how faint its stars are drawn."""

    name: str
    aperture_mm: float
    focal_length_mm: float
    faintest_mag: float


FIELDS = (
    Field("62′ × 41′ (kit)", 102.0, 1300.0, 14.5),
    Field("86′ × 57′", 102.0, 935.0, 14.0),
    Field("41′ × 27′", 150.0, 1963.0, 15.0),
    Field("5° × 3.3°", 60.0, 268.0, 12.0),
    Field("20° × 13.4°", 25.0, 66.4, 10.5),
)
KINDS = {
    "plain, 30 s": ({}, 12),
    "trailed, 200 s": ({"exposure_s": 200.0}, 2),
    "defocused, 15 px": ({"blur_px": 15.0}, 2),
    "full moonlight": ({"sky_mag_arcsec2": 16.5}, 2),
    "cloud, a tenth through": ({"transparency": 0.1}, 1),
    "satellite": ({"satellite_mag": 3.0}, 1),
}
_TURNS = [kind for kind, (_, share) in KINDS.items() for _ in range(share)]


@dataclass(frozen=True)
class Scene:
    """A frame's detected stars and the truth behind them."""

    kind: str
    field: str
    stars: object
    width_px: int
    height_px: int
    truth: TanWcs | None
    listed: int
    latitude_deg: float


class Photographer:
    """Takes forecast frames of one field at random places and camera angles."""

    def __init__(self, sky, field: Field) -> None:
        kit = load_kit("long 102")
        camera = {"width_px": WIDTH, "height_px": HEIGHT, "pixel_um": PIXEL_UM, "bayer": None}
        optics = {"aperture_mm": field.aperture_mm, "focal_length_mm": field.focal_length_mm}
        self.kit = kit.model_copy(
            update={
                "camera": kit.camera.model_copy(update=camera),
                "optics": kit.optics.model_copy(update=optics),
            }
        )
        self.sky, self.site, self.field = sky, load_site("Fig Tree Yard"), field
        self.catalogue = open_solver(sky)

    def settings(self, kind: str) -> dict:
        """Exposure and conditions of a kind, shortened where the sky would fill half the wells."""
        chosen = {"exposure_s": 30.0} | KINDS[kind][0]
        sky_mag = chosen.get("sky_mag_arcsec2", self.site.sky_mag_arcsec2)
        rate = float(np.max(sky_e_per_px_s(sky_mag, self.kit.optics, self.kit.camera)))
        longest = 0.5 * self.kit.camera.full_well_e / rate
        return chosen | {"exposure_s": min(chosen["exposure_s"], longest)}

    def take(self, seed: int) -> Scene:
        """The scene with a number; the same number is the same scene."""
        rng = np.random.default_rng([seed, 7])
        ra, dec = rng.uniform(0, 360), float(np.degrees(np.arcsin(rng.uniform(-1, 1))))
        kind = _TURNS[seed % len(_TURNS)]
        frame, truth = render_with_truth(
            self.kit, self.site, self.sky, (ra, dec), rotation_deg=float(rng.uniform(0, 360)),
            seed=seed, faintest_mag=self.field.faintest_mag,
            seeing_arcsec=float(rng.uniform(1.5, 4.0)),
            **self.settings(kind),
        )  # fmt: skip
        stars = detect_stars(frame).stars
        radius = float(np.hypot(WIDTH, HEIGHT) / 2 * truth.wcs.scale_arcsec_per_px / 3600 * 1.05)
        rows = self.catalogue.in_cone(ra, dec, radius)
        x, y = truth.wcs.sky_to_pixel(*self.catalogue.radec_at(rows, 2016.0))
        listed = int(np.sum((x > 2) & (y > 2) & (x < WIDTH - 3) & (y < HEIGHT - 3)))
        return Scene(
            kind, self.field.name, stars, WIDTH, HEIGHT, truth.wcs, listed,
            float(galactic_latitude_deg(ra, dec)),
        )  # fmt: skip


def place_bound(truth, kit, site, exposure_s):
    """The least error of a star's place that its photons allow, px, as a function of the place.

    The Cramér–Rao bound of the two coordinates of a star image of known shape on a known sky:
    the inverse of Σ (∂μ/∂x)² / (μ + s + r²) over pixels (Winick 1986, J. Opt. Soc. Am. A 3, 1809;
    Mendez et al. 2013, PASP 125, 580; both from memory), μ the star's expected electrons, s those
    of sky and dark current, r² the variance of reading and rounding. The image is the one that
    was drawn, air, diffraction, tracking and pixel included, through the mosaic's own colours.
    """
    camera = kit.camera
    path_x, path_y = truth.path_px
    psf = star_image(
        kit.optics, scale_arcsec_per_px=kit.scale_arcsec_per_px,
        wavelengths_nm=tuple(band.wavelength_nm for band in bands(camera)),
        seeing_arcsec=site.seeing_arcsec,
        shake_arcsec=SHAKE_FACTOR[site.wind] * kit.mount.shake_arcsec,
        path_px=(path_x - path_x.mean(), path_y - path_y.mean()),
    )  # fmt: skip
    reach = int(6 * truth.fwhm_px) + 2
    steps = np.arange(-reach, reach + 1)
    layers = psf.table.astype(float)
    slopes = [np.gradient(layers, axis=axis) * psf.oversample for axis in (2, 1)]
    mosaic, centre = mosaic_bands(camera), layers.shape[1] // 2
    flat = camera.read_noise_e**2 + camera.gain_e_per_adu**2 / 12
    flat += camera.dark_e_per_s * exposure_s
    sky_e = np.asarray(truth.sky_e) + flat

    def bound(x_px, y_px):
        gap = np.hypot(truth.x_px[:, None] - x_px, truth.y_px[:, None] - y_px)
        errors = []
        for star in np.argmin(gap, axis=0):
            x, y = truth.x_px[star] + path_x.mean(), truth.y_px[star] + path_y.mean()
            column, row = round(x) + steps, round(y) + steps
            u = np.rint((column - x) * psf.oversample).astype(int) + centre
            v = np.rint((row - y) * psf.oversample).astype(int) + centre
            band = mosaic[row[:, None] & 1, column & 1]
            place = band, v[:, None], u
            star_e = truth.star_e[star][band]
            noise = np.maximum(star_e * layers[place], 0.0) + sky_e[band]
            errors.append(np.sqrt(
                sum(1.0 / np.sum((star_e * slope[place]) ** 2 / noise) for slope in slopes)
            ))  # fmt: skip
        return np.array(errors)

    return bound


def without_sky(kind: str, rng) -> tuple[object, int, int]:
    """Detected stars of a picture that shows no place, and its size in pixels."""
    width, height = 1500, 1000
    pixels = rng.normal(300.0, 12.0, (height, width)).astype(np.float32)
    if kind == "artefacts":
        _hot(pixels, rng, 400)
        _streaks(pixels, rng, 3)
        _rings(pixels, rng, 12)
        _rays(pixels, rng, 60)
    elif kind == "stars at random places":
        count = int(rng.integers(8, 250))
        flux = 2500.0 * 10 ** rng.exponential(0.5, count)
        stamp(pixels, rng.uniform(0, width, count), rng.uniform(0, height, count), flux, 1.3)
    frame = Frame(pixels, white_adu=65535.0)
    return detect_stars(frame).stars, width, height


def stamp(pixels, x, y, flux, sigma, reach=10):
    """Draw Gaussian stars."""
    height, width = pixels.shape
    for x0, y0, total in zip(x, y, flux, strict=True):
        left, top = max(0, int(x0) - reach), max(0, int(y0) - reach)
        right, bottom = min(width, int(x0) + reach + 1), min(height, int(y0) + reach + 1)
        yy, xx = np.mgrid[top:bottom, left:right]
        shape = np.exp(-0.5 * ((xx - x0) ** 2 + (yy - y0) ** 2) / sigma**2)
        pixels[top:bottom, left:right] += (total / (2 * np.pi * sigma**2) * shape).astype("f4")


def _hot(pixels, rng, count):
    height, width = pixels.shape
    y, x = rng.integers(0, height, count), rng.integers(0, width, count)
    pixels[y, x] += rng.exponential(4000.0, count)


def _streaks(pixels, rng, count):
    height, width = pixels.shape
    for _ in range(count):
        along = np.linspace(-2000, 2000, 6000)
        angle = rng.uniform(0, np.pi)
        x = rng.uniform(0, width) + along * np.cos(angle)
        y = rng.uniform(0, height) + along * np.sin(angle)
        for offset in (-1, 0, 1):
            inside = (x >= 1) & (x < width - 2) & (y >= 1) & (y < height - 2)
            blink = 1.0 + 4.0 * (np.sin(along / 25.0) > 0.9)  # an aircraft's lamps
            pixels[y[inside].astype(int) + offset, x[inside].astype(int)] += (
                60.0 * blink[inside]
            ).astype("f4")


def _rings(pixels, rng, count):
    height, width = pixels.shape
    yy, xx = np.mgrid[:height, :width]
    for _ in range(count):
        r = np.hypot(xx - rng.uniform(0, width), yy - rng.uniform(0, height))
        size = rng.uniform(8, 30)
        pixels[(r > 0.4 * size) & (r < size)] += rng.uniform(20, 200)


def _rays(pixels, rng, count):
    height, width = pixels.shape
    for _ in range(count):
        x, y = int(rng.integers(6, width - 6)), int(rng.integers(6, height - 6))
        dx, dy = rng.integers(-1, 2, 2)
        for step in range(int(rng.integers(1, 6))):
            pixels[y + step * dy, x + step * dx] += rng.exponential(2500.0)


def _noisier(pixels, rng):
    spread = 1.4826 * float(np.median(np.abs(pixels - np.median(pixels))))
    return pixels + rng.normal(0.0, 2.0 * spread, pixels.shape).astype("f4")


def _blurred(pixels, _rng):
    from scipy.ndimage import gaussian_filter

    return gaussian_filter(pixels, 1.5)


def _turned(pixels, rng):
    from scipy.ndimage import rotate

    turned = rotate(pixels, 37.0, reshape=False, order=3, cval=np.nan)
    middle = float(np.median(pixels))
    spread = 1.4826 * float(np.median(np.abs(pixels - middle)))
    return np.where(np.isfinite(turned), turned, rng.normal(middle, spread, pixels.shape))


def _cropped(pixels, _rng):
    height, width = pixels.shape
    y, x = round(0.12 * height), round(0.12 * width)
    return pixels[y : height - y, x : width - x]


def _binned(pixels, _rng):
    height, width = (n // 2 * 2 for n in pixels.shape)
    return pixels[:height, :width].reshape(height // 2, 2, width // 2, 2).mean(axis=(1, 3))


def as_jpeg(pixels) -> Frame:
    """A picture after an 8-bit sRGB JPEG, black point below the sky and white at its 99.7 %."""
    from PIL import Image

    low, high = np.percentile(pixels, [0.5, 99.7])
    linear = np.clip((pixels - low) / (high - low), 0.0, 1.0)
    code = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    packed = io.BytesIO()
    Image.fromarray(np.round(255 * code).astype(np.uint8)).save(packed, "JPEG", quality=85)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "frame.jpg"
        path.write_bytes(packed.getvalue())
        return read_frame(path)


CHANGES = {
    "as it is": (lambda p, r: p, 1, 1.0),
    "turned 90°": (lambda p, r: np.rot90(p), 1, 1.0),
    "turned 37°": (_turned, 1, 1.0),
    "mirrored": (lambda p, r: p[:, ::-1], -1, 1.0),
    "upside down and mirrored": (lambda p, r: p[::-1], -1, 1.0),
    "cropped to three quarters": (_cropped, 1, 1.0),
    "binned 2 × 2": (_binned, 1, 2.0),
    "noise three times": (_noisier, 1, 1.0),
    "blurred": (_blurred, 1, 1.0),
    "JPEG": (None, 1, 1.0),
}
"""How a real frame is changed; whether that mirrors it; by how much its pixels grow. Its centre
stays where it is."""


def changed(frame: Frame, name: str, rng) -> Frame:
    """The frame after one of ``CHANGES``."""
    if name == "JPEG":
        return as_jpeg(frame.pixels)
    pixels = CHANGES[name][0](frame.pixels, rng)
    return replace(frame, pixels=np.ascontiguousarray(pixels, dtype=np.float32))
