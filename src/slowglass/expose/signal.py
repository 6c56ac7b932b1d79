"""Photons and electrons from magnitudes, per colour of the sensor.

The band model is deliberately small. A magnitude-0 star of B−V = 0 sends the photons per second,
cm² and Å of Bessell, Castelli & Plez 1998 (A&A 333, 231) in B, V and Rc; between their
wavelengths the density is interpolated (logarithm against 1/wavelength), and so is the colour
term: B = V + (B−V) and Rc = V − 0.57 (B−V), the main-sequence slope of Caldwell et al. 1993
(SAAO Circ. 15, 1). Emission nebulae shine in a few lines, not in a continuum, so they have
photon counts of their own: their V magnitude fixes the lines, the lines fix each colour.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal

import numpy as np
import numpy.typing as npt

from slowglass.kit.model import Camera, Optics
from slowglass.kit.optics import scale_arcsec_per_px

Floats = npt.NDArray[np.float64]
Lines = Literal["planetary", "hydrogen"]
Light = float | Lines
"""How an object's light is spread: a B−V colour, or the kind of emission nebula."""

SUN_BV = 0.65
SKY_BV = 0.9
"""Moonless sky: airglow and street light give B ≈ V + 0.9 (Patat 2003, A&A 400, 1183)."""

V_WIDTH_A = 880.0
"""Equivalent width of the V band, Å (0.16 of 5500 Å, Bessell 1979)."""

_NODE_NM = np.array([438.0, 545.0, 641.0])
_NODE_PHOTONS = np.array([1393.5, 996.2, 702.5])
_NODE_COLOUR = np.array([1.0, 0.0, -0.57])


def _at_wavelength(values: Floats, wavelength_nm: float) -> float:
    order = np.argsort(1.0 / _NODE_NM)
    return float(np.interp(1.0 / wavelength_nm, (1.0 / _NODE_NM)[order], values[order]))


@dataclass(frozen=True)
class Band:
    """One colour of a sensor: mean wavelength, width, and what a V = 0 star sends through it.

    ``width_A`` is the equivalent width relative to the peak quantum efficiency, so it carries
    the dye filter. ``lines`` is the response, relative to that peak, at 486, 496, 501, 656 nm.
    """

    name: str
    wavelength_nm: float
    width_A: float
    photons_s_cm2_A: float
    colour_mag_per_bv: float
    lines: tuple[float, float, float, float]

    @classmethod
    def at(cls, name: str, wavelength_nm: float, width_A: float, lines: Sequence[float]) -> Band:
        """A band whose photon density and colour term follow from its wavelength."""
        h_beta, o3_weak, o3_strong, h_alpha = lines
        return cls(
            name,
            wavelength_nm,
            width_A,
            float(np.exp(_at_wavelength(np.log(_NODE_PHOTONS), wavelength_nm))),
            _at_wavelength(_NODE_COLOUR, wavelength_nm),
            (h_beta, o3_weak, o3_strong, h_alpha),
        )


# Dye filters of an ordinary colour camera behind its infrared blocker: green is the widest, red
# is cut short by the blocker, which passes about a quarter of the hydrogen light at 656 nm.
RED = Band.at("red", 605.0, 700.0, (0.03, 0.04, 0.05, 0.25))
GREEN = Band.at("green", 530.0, 950.0, (0.40, 0.62, 0.72, 0.02))
BLUE = Band.at("blue", 460.0, 800.0, (0.85, 0.66, 0.56, 0.01))
WHITE = Band.at("white", 545.0, 2400.0, (0.95, 1.0, 1.0, 0.8))

# Energy in Hβ 486, [O III] 496 and 501, Hα 656 nm relative to Hβ: case-B hydrogen and a typical
# planetary (Osterbrock & Ferland 2006, Astrophysics of Gaseous Nebulae, ch. 4, 5). An H II region
# has less oxygen and, behind its own dust and with [N II] 655 and 658 beside it, more red: Hα 3.9
# for E(B−V) = 0.3, and a third of that in nitrogen.
_LINE_NM = np.array([486.1, 495.9, 500.7, 656.3])
_LINE_ENERGY = {
    "planetary": np.array([1.0, 3.36, 10.0, 2.86]),
    "hydrogen": np.array([1.0, 0.55, 1.65, 5.2]),
}
_V_RESPONSE = np.array([0.12, 0.34, 0.48, 0.05])
"""V band at those lines (Bessell 1990, PASP 102, 1181)."""


PASSED_NM = ((480.0, 506.0), (646.0, 666.0))
PASSED_SHARE = 0.92
"""A nebula filter: its windows, and what it lets through in them (common practice, no source)."""
DYE_AT_WINDOWS = {"red": (0.04, 0.25), "green": (0.6, 0.02), "blue": (0.7, 0.01), "white": (1, 0.8)}
"""Response of each dye in those windows, relative to the peak."""


def bands(camera: Camera) -> tuple[Band, ...]:
    """The colours of a sensor: red, green, blue under a mosaic, or white alone.

    A nebula filter leaves the lines nearly whole and of the continuum what its windows pass. What
    a camera's red and blue pixels get against its green ones is the kit's to say.
    """
    return _bands(
        camera.bayer is not None,
        camera.filter == "nebula",
        camera.hydrogen_response,
        (("red", camera.red_response), ("blue", camera.blue_response)),
    )


@lru_cache(maxsize=16)
def _bands(
    mosaic: bool, filtered: bool, hydrogen: float, responses: tuple[tuple[str, float], ...]
) -> tuple[Band, ...]:
    made = []
    for band in (RED, GREEN, BLUE) if mosaic else (WHITE,):
        h_beta, o3_weak, o3_strong, h_alpha = band.lines
        dyes = DYE_AT_WINDOWS[band.name]
        if band.name == "red":
            h_alpha, dyes = hydrogen, (dyes[0], hydrogen)
        passed, width = 1.0, band.width_A
        if filtered:
            passed = PASSED_SHARE
            width = PASSED_SHARE * sum(
                10.0 * (high - low) * dye for (low, high), dye in zip(PASSED_NM, dyes, strict=True)
            )
        response = dict(responses).get(band.name, 1.0)
        passed, width = passed * response, width * response
        lines = passed * h_beta, passed * o3_weak, passed * o3_strong, passed * h_alpha
        made.append(replace(band, lines=lines, width_A=width))
    return tuple(made)


def photon_rates(mag: npt.ArrayLike, light: Light | Floats, colours: Sequence[Band]) -> Floats:
    """Photons s⁻¹ cm⁻² above the air in each band (times its dye filter), shape (..., bands).

    ``mag`` is V; ``light`` a B−V colour (scalar or array like ``mag``, NaN taken as the Sun's)
    or a kind of emission nebula.
    """
    v = np.asarray(mag, dtype=np.float64)[..., None]
    if isinstance(light, str):
        photons = _LINE_ENERGY[light] * _LINE_NM
        v_zero = float(np.exp(_at_wavelength(np.log(_NODE_PHOTONS), 545.0))) * V_WIDTH_A
        per_v = photons * v_zero / float(photons @ _V_RESPONSE)
        response = np.array([band.lines for band in colours])
        return 10.0 ** (-0.4 * v) * (response @ per_v)
    bv = np.asarray(light, dtype=np.float64)
    bv = np.where(np.isfinite(bv), bv, SUN_BV)[..., None]
    zero = np.array([band.photons_s_cm2_A * band.width_A for band in colours])
    term = np.array([band.colour_mag_per_bv for band in colours])
    return zero * 10.0 ** (-0.4 * (v + term * bv))


def extinction_factor(mag_per_airmass: float, airmass: float, colours: Sequence[Band]) -> Floats:
    """Share of the light that the air lets through in each band.

    ``mag_per_airmass`` is for V; haze and molecules together go nearly as wavelength^−1.5.
    """
    ratio = np.array([(545.0 / band.wavelength_nm) ** 1.5 for band in colours])
    return 10.0 ** (-0.4 * mag_per_airmass * airmass * ratio)


def star_e_per_s(
    mag: npt.ArrayLike,
    optics: Optics,
    camera: Camera,
    *,
    light: Light | Floats = SUN_BV,
    airmass: float = 0.0,
    extinction_mag: float = 0.0,
) -> Floats:
    """Electrons s⁻¹ of a whole star in each band, as if every pixel had that colour.

    Shape (..., bands). ``airmass`` 0 means above the air.
    """
    colours = bands(camera)
    return (
        photon_rates(mag, light, colours)
        * extinction_factor(extinction_mag, airmass, colours)
        * (optics.collecting_area_cm2 * optics.transmission * camera.quantum_efficiency)
    )


def surface_e_per_px_s(
    mag_arcsec2: npt.ArrayLike,
    optics: Optics,
    camera: Camera,
    *,
    light: Light | Floats = SUN_BV,
    airmass: float = 0.0,
    extinction_mag: float = 0.0,
) -> Floats:
    """Electrons s⁻¹ px⁻¹ of a surface of that brightness in each band, shape (..., bands)."""
    scale = scale_arcsec_per_px(camera.pixel_um, optics.focal_length_mm)
    return scale**2 * star_e_per_s(
        mag_arcsec2,
        optics,
        camera,
        light=light,
        airmass=airmass,
        extinction_mag=extinction_mag,
    )


def sky_e_per_px_s(sky_mag_arcsec2: npt.ArrayLike, optics: Optics, camera: Camera) -> Floats:
    """Electrons s⁻¹ px⁻¹ of the sky in each band; the brightness is as seen from the ground."""
    return surface_e_per_px_s(sky_mag_arcsec2, optics, camera, light=SKY_BV)


def mosaic_mean(per_band: Floats) -> Floats:
    """Mean over the pixels of a mosaic (a quarter red, half green, a quarter blue) or as it is."""
    if per_band.shape[-1] == 1:
        return per_band[..., 0]
    return per_band @ np.array([0.25, 0.5, 0.25])
