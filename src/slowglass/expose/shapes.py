"""The parts objects are made of: smooth light and member stars.

The builders in ``galaxies``, ``clusters`` and ``nebulae`` take magnitude, axes (arcsec), angle,
light, and the object's own random generator and seed, and return smooth parts, members, and the
radius that holds half of the light (arcsec).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from slowglass.expose.signal import Light

Floats = npt.NDArray[np.float64]

_TABLE = 1024


@dataclass(frozen=True)
class Arms:
    """Two logarithmic spiral arms on a disc: their contrast, pitch, winding and place.

    ``pitch_deg`` is negative for arms wound the other way; they begin at ``inner_arcsec``.
    """

    contrast: float
    pitch_deg: float
    phase_rad: float
    inner_arcsec: float


@dataclass(frozen=True, eq=False)
class SmoothPart:
    """A part without stars of its own: a radial profile on a tilted disc.

    ``profile`` is light per arcsec² at radii reach·(i/(n−1))² along the major axis, as shares
    of the part's whole; ``share`` is the part's share of the object.
    """

    share: float
    light: Light
    profile: Floats
    reach_arcsec: float
    axis_ratio: float = 1.0
    position_angle_deg: float = 0.0
    texture: float = 0.0
    texture_scale_arcsec: float = 1.0
    angular: tuple[float, float] = (0.0, 0.0)
    arms: Arms | None = None
    seed: int = 0


@dataclass(frozen=True, eq=False)
class Members:
    """Single stars of a cluster, or the one in a planetary: arcsec east and north, light, B−V."""

    east_arcsec: Floats
    north_arcsec: Floats
    share: Floats
    bv: Floats


NO_MEMBERS = Members(*(np.empty(0) for _ in range(4)))
Parts = tuple[tuple[SmoothPart, ...], Members, float]


def radii_arcsec(reach_arcsec: float, n: int = _TABLE) -> Floats:
    """Radii at which profiles are tabulated: dense at the centre."""
    return reach_arcsec * (np.arange(n) / (n - 1.0)) ** 2


def normalised(density: Floats, radii: Floats, axis_ratio: float) -> Floats:
    """Density scaled so that its integral over the ellipse is 1, gently brought to 0 at the end."""
    edge = np.clip((radii[-1] - radii) / (0.25 * radii[-1]), 0.0, 1.0)
    density = density * edge * edge * (3.0 - 2.0 * edge)
    total = 2.0 * math.pi * axis_ratio * float(np.trapezoid(density * radii, radii))
    return density / total


def light_inside(density: Floats, radii: Floats) -> Floats:
    """Light within each radius of a round surface density, relative (trapezium rule)."""
    rings = density * radii
    steps = np.diff(radii) * 0.5 * (rings[1:] + rings[:-1])
    return np.concatenate([[0.0], np.cumsum(steps)])


def half_light_of(parts: tuple[SmoothPart, ...]) -> float:
    """Radius along the major axis with half of the light of parts on one centre."""
    reach = max(part.reach_arcsec for part in parts)
    grid = radii_arcsec(reach)
    inside = np.zeros(grid.size)
    for part in parts:
        radii = radii_arcsec(part.reach_arcsec, part.profile.size)
        light = light_inside(part.profile, radii)
        inside += part.share * np.interp(grid, radii, light / light[-1])
    return float(np.interp(0.5 * inside[-1], inside, grid))


def texture_tile(seed: int, size: int = 256) -> npt.NDArray[np.float32]:
    """A periodic log-normal pattern of mean 1: turbulence with power falling as wavenumber^−2.6.

    Waves longer than a third of the tile are damped, lest one side outshine the other.
    """
    rng = np.random.default_rng(seed)
    kx, ky = np.fft.rfftfreq(size, 1.0 / size), np.fft.fftfreq(size, 1.0 / size)
    k = np.hypot(ky[:, None], kx[None, :])
    k[0, 0] = 1.0
    spectrum = k**-1.3 / (1.0 + (3.0 / k) ** 2) * np.exp(-((k / (size / 5.0)) ** 2))
    spectrum[0, 0] = 0.0
    wave = rng.normal(size=spectrum.shape) + 1j * rng.normal(size=spectrum.shape)
    field = np.fft.irfft2(spectrum * wave, s=(size, size))
    tile = np.exp(0.55 * field / field.std())
    return (tile / tile.mean()).astype(np.float32)
