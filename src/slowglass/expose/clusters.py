"""How the light of globulars and open clusters lies: King's law, and members drawn one by one."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from slowglass.expose.shapes import (
    Members,
    Parts,
    SmoothPart,
    light_inside,
    normalised,
    radii_arcsec,
)
from slowglass.expose.signal import Light

Floats = npt.NDArray[np.float64]


def king_density(radius: Floats, core: float, edge: float) -> Floats:
    """King's 1962 (AJ 67, 471) surface density, relative; 0 from ``edge`` outward."""
    rim = 1.0 / math.sqrt(1.0 + (edge / core) ** 2)
    return np.where(radius < edge, (1.0 / np.sqrt(1.0 + (radius / core) ** 2) - rim) ** 2, 0.0)


def _draw_radii(density: Floats, radii: Floats, count: int, rng: np.random.Generator) -> Floats:
    """Radii of ``count`` stars that follow a surface density."""
    inside = light_inside(density, radii)
    return np.interp(rng.random(count) * inside[-1], inside, radii)


def _half_light(density: Floats, radii: Floats) -> float:
    inside = light_inside(density, radii)
    return float(np.interp(0.5 * inside[-1], inside, radii))


def globular(
    *,
    mag: float,
    major: float,
    ratio: float,
    angle: float,
    light: Light,
    rng: np.random.Generator,
    brightest: float,
    **_: object,
) -> Parts:
    """King's law with concentration 30; giants from six magnitudes below the whole cluster down.

    Catalogued diameters hold nearly everything; half of the light lies within about a twelfth
    of them. Giants are as many per magnitude as 10^(0.4 m), with a blue horizontal branch three
    magnitudes below the tip.
    """
    edge = 0.75 * major
    core = major / 40.0
    r = radii_arcsec(edge)
    density = king_density(r, core, edge)
    tip = max(mag + 6.0, brightest)
    # dN/dm ∝ 10^(0.4 m) gives every magnitude the same light: 8.5 of them hold the whole.
    depth = 4.5
    per_mag = 10.0 ** (0.4 * (tip - mag)) / 8.5
    count = min(
        6000, int(rng.poisson(per_mag * (10.0 ** (0.4 * depth) - 1.0) / (0.4 * math.log(10.0))))
    )
    below = np.log10(1.0 + rng.random(count) * (10.0 ** (0.4 * depth) - 1.0)) / 0.4
    share = 10.0 ** (-0.4 * (tip + below - mag))
    share *= min(1.0, 0.6 / max(share.sum(), 1e-9))
    bv = np.clip(1.45 - 0.2 * below + rng.normal(0, 0.06, count), 0.55, 1.6)
    branch = (below > 2.6) & (below < 3.4) & (rng.random(count) < 0.4)
    bv = np.where(branch, rng.normal(0.08, 0.08, count), bv)
    members = _scatter(_draw_radii(density, r, count, rng), share, bv, ratio, angle, rng)
    smooth = SmoothPart(
        share=1.0 - float(share.sum()),
        light=light,
        profile=normalised(density, r, ratio),
        reach_arcsec=edge,
        axis_ratio=ratio,
        position_angle_deg=angle,
    )
    return (smooth,), members, _half_light(density, r)


def _scatter(
    radius: Floats,
    share: Floats,
    bv: Floats,
    ratio: float,
    angle_deg: float,
    rng: np.random.Generator,
) -> Members:
    theta = rng.random(radius.size) * 2.0 * math.pi
    along, across = radius * np.cos(theta), ratio * radius * np.sin(theta)
    pa = math.radians(angle_deg)
    return Members(
        along * math.sin(pa) + across * math.cos(pa),
        along * math.cos(pa) - across * math.sin(pa),
        share,
        bv,
    )


def cluster(
    *,
    mag: float,
    major: float,
    ratio: float,
    angle: float,
    rng: np.random.Generator,
    brightest: float,
    elsewhere: float,
    **_: object,
) -> Parts:
    """Stars alone: King's law, twice as many for each magnitude and a half fainter.

    The brightest stars are the catalogue's; what is left of the total light is shared among
    stars from the catalogue's limit, or five magnitudes below the whole, down seven magnitudes.
    """
    edge = 0.9 * major
    core = 0.16 * major
    r = radii_arcsec(edge)
    density = king_density(r, core, edge)
    # A bright star in front may outshine the cluster: some members are always drawn.
    left = max(0.12, 1.0 - elsewhere)
    first = max(brightest, mag + 3.5)
    slope, depth = 0.2, 7.0
    grid = np.linspace(0.0, depth, 200)
    weight = 10.0 ** (slope * grid)
    light_each = 10.0 ** (-0.4 * (first + grid - mag))
    mean_light = float(np.trapezoid(weight * light_each, grid) / np.trapezoid(weight, grid))
    count = int(np.clip(round(left / mean_light), 8, 3000))
    below = np.log10(1.0 + rng.random(count) * (10.0 ** (slope * depth) - 1.0)) / slope
    share = 10.0 ** (-0.4 * (first + below - mag))
    share *= left / share.sum()
    bv = np.clip(0.05 + 0.15 * below + rng.normal(0.0, 0.12, count), -0.2, 1.5)
    giants = rng.random(count) < 0.04
    bv = np.where(giants & (below < 2.5), rng.normal(1.2, 0.15, count), bv)
    members = _scatter(_draw_radii(density, r, count, rng), share, bv, ratio, angle, rng)
    return (), members, _half_light(density, r)
