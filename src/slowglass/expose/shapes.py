"""The parts objects are made of: smooth light and member stars, one builder for each kind.

A builder takes magnitude, axes (arcsec), angle, light, and the object's own random generator and
seed, and returns smooth parts, members, and the radius that holds half of the light (arcsec).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from slowglass.expose.signal import Light

Floats = npt.NDArray[np.float64]

GALAXY_EDGE_V_MAG_ARCSEC2 = 24.2
"""25 B mag/arcsec², the isophote of catalogued sizes, at B−V = 0.8."""
WIDEST_DISC_SCALES = 2.2
"""Fewest disc scales between centre and catalogued edge."""
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


def _normalised(density: Floats, radii: Floats, axis_ratio: float) -> Floats:
    """Density scaled so that its integral over the ellipse is 1, gently brought to 0 at the end."""
    edge = np.clip((radii[-1] - radii) / (0.25 * radii[-1]), 0.0, 1.0)
    density = density * edge * edge * (3.0 - 2.0 * edge)
    total = 2.0 * math.pi * axis_ratio * float(np.trapezoid(density * radii, radii))
    return density / total


def disc_scale_arcsec(mag: float, edge_radius_arcsec: float, axis_ratio: float) -> float:
    """Scale length of the exponential disc that fades to the isophote at the catalogued edge.

    Solves µ0(h) + 1.0857·r/h = 24.2 with µ0 = m + 2.5 log 2πh²q; kept within r/7 … r/2.2.
    """

    def edge(h: float) -> float:
        at_edge = disc_edge_mag_arcsec2(mag, edge_radius_arcsec, axis_ratio, h)
        return at_edge - GALAXY_EDGE_V_MAG_ARCSEC2

    return _falling_root(edge, edge_radius_arcsec / 7.0, edge_radius_arcsec / WIDEST_DISC_SCALES)


def disc_edge_mag_arcsec2(
    mag: float, edge_radius_arcsec: float, axis_ratio: float, scale_arcsec: float
) -> float:
    """Brightness in V of an exponential disc of total magnitude and scale at its edge."""
    centre = mag + 2.5 * math.log10(2.0 * math.pi * scale_arcsec**2 * axis_ratio)
    return centre + 1.0857 * edge_radius_arcsec / scale_arcsec


def _falling_root(function: Callable[[float], float], low: float, high: float) -> float:
    """Where a falling function passes zero, or the end nearest to that."""
    if function(low) <= 0.0:
        return low
    if function(high) >= 0.0:
        return high
    for _ in range(50):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if function(middle) > 0.0 else (low, middle)
    return 0.5 * (low + high)


SPIRAL = {"a": (10.0, 0.30), "b": (14.0, 0.45), "c": (18.0, 0.65), "d": (22.0, 0.70)}
"""Pitch in degrees and contrast of the arms by the last letter of the type (pitches: Kennicutt
1981, AJ 86, 1847, from memory; contrasts by eye)."""
FLATTEST_WITH_ARMS = 0.22
"""Discs seen flatter than this show no arms."""
MOTTLED, BETWEEN_ARMS, RAGGED = 0.5, 0.35, 0.9
"""Strength of the texture of discs, of those with arms, and of irregular galaxies."""


def spiral_arms(
    hubble: str, axis_ratio: float, scale_arcsec: float, rng: np.random.Generator
) -> Arms | None:
    """The arms of a galaxy of a Hubble type, or None for types that have none."""
    letters = hubble.split("?")[0].split("-")[0].lstrip("SAB").strip("0()rs' ")
    if not hubble.startswith("S") or not letters or axis_ratio < FLATTEST_WITH_ARMS:
        return None
    told = SPIRAL.get(letters[-1])
    if told is None:
        return None
    pitch, contrast = told
    side = 1.0 if rng.random() < 0.5 else -1.0
    return Arms(contrast, side * pitch, rng.uniform(0.0, 2.0 * math.pi), 0.35 * scale_arcsec)


def galaxy(
    *,
    mag: float,
    major: float,
    ratio: float,
    angle: float,
    seed: int,
    rng: np.random.Generator,
    hubble: str = "",
    **_: object,
) -> Parts:
    """An exponential disc that fades to the isophote of catalogued sizes, and a small bulge.

    Ellipticals follow Sérsic's law with n = 4; spirals have the arms of their type.
    """
    if hubble.lstrip("c").startswith("E"):
        return _elliptical(mag=mag, major=major, ratio=ratio, angle=angle)
    h = disc_scale_arcsec(mag, major / 2.0, ratio)
    lenticular, arms = "0" in hubble, spiral_arms(hubble, ratio, h, rng)
    texture = MOTTLED if arms is None else BETWEEN_ARMS
    if lenticular:
        texture = 0.0
    elif hubble.startswith("I") or "?" in hubble:
        texture = RAGGED
    r = radii_arcsec(7.0 * h)
    # Bulges weigh more in the early types (Sérsic n = 2, half-light radius h/3).
    bulge_share = 0.35 if lenticular else 0.22 if hubble.endswith("a") else 0.12
    disc = SmoothPart(
        share=1.0 - bulge_share,
        light=0.72,
        profile=_normalised(np.exp(-r / h), r, ratio),
        reach_arcsec=float(r[-1]),
        axis_ratio=ratio,
        position_angle_deg=angle,
        texture=texture,
        texture_scale_arcsec=5.0 * h,
        arms=arms,
        seed=seed,
    )
    round_ratio = max(ratio, min(1.0, 0.5 + 0.5 * ratio))
    core = 0.33 * h
    b = radii_arcsec(8.0 * core)
    bulge = SmoothPart(
        share=bulge_share,
        light=0.95,
        profile=_normalised(np.exp(-3.672 * np.sqrt(np.hypot(b, 0.15) / core)), b, round_ratio),
        reach_arcsec=float(b[-1]),
        axis_ratio=round_ratio,
        position_angle_deg=angle,
    )
    return (disc, bulge), NO_MEMBERS, _half_light_of((disc, bulge))


def sersic_b(n: float) -> float:
    """Sérsic's b, which makes the scale the half-light radius (Ciotti & Bertin 1999, A&A 352, 447,
    eq. 18)."""
    return 2.0 * n - 1.0 / 3.0 + 4.0 / (405.0 * n) + 46.0 / (25515.0 * n**2)


def _elliptical(*, mag: float, major: float, ratio: float, angle: float) -> Parts:
    """De Vaucouleurs' law, its half-light radius set by the isophote of catalogued sizes."""
    b, edge = sersic_b(4.0), major / 2.0

    def fades_at(scale: float) -> float:
        # L = 22.67 I_e R_e² q for n = 4.
        middle = mag + 2.5 * math.log10(22.67 * scale * scale * ratio)
        return middle + 1.0857 * b * ((edge / scale) ** 0.25 - 1.0) - GALAXY_EDGE_V_MAG_ARCSEC2

    scale = _falling_root(fades_at, edge / 9.0, edge / 1.5)
    r = radii_arcsec(6.0 * scale)
    part = SmoothPart(
        share=1.0,
        light=0.92,
        profile=_normalised(np.exp(-b * (np.hypot(r, 0.15) / scale) ** 0.25), r, ratio),
        reach_arcsec=float(r[-1]),
        axis_ratio=ratio,
        position_angle_deg=angle,
    )
    return (part,), NO_MEMBERS, _half_light_of((part,))


def _half_light_of(parts: tuple[SmoothPart, ...]) -> float:
    """Radius along the major axis with half of the light of parts on one centre."""
    reach = max(part.reach_arcsec for part in parts)
    grid = radii_arcsec(reach)
    inside = np.zeros(grid.size)
    for part in parts:
        radii = radii_arcsec(part.reach_arcsec, part.profile.size)
        light = _light_inside(part.profile, radii)
        inside += part.share * np.interp(grid, radii, light / light[-1])
    return float(np.interp(0.5 * inside[-1], inside, grid))


def king_density(radius: Floats, core: float, edge: float) -> Floats:
    """King's 1962 (AJ 67, 471) surface density, relative; 0 from ``edge`` outward."""
    rim = 1.0 / math.sqrt(1.0 + (edge / core) ** 2)
    return np.where(radius < edge, (1.0 / np.sqrt(1.0 + (radius / core) ** 2) - rim) ** 2, 0.0)


def _light_inside(density: Floats, radii: Floats) -> Floats:
    """Light within each radius of a round surface density, relative (trapezium rule)."""
    rings = density * radii
    steps = np.diff(radii) * 0.5 * (rings[1:] + rings[:-1])
    return np.concatenate([[0.0], np.cumsum(steps)])


def _draw_radii(density: Floats, radii: Floats, count: int, rng: np.random.Generator) -> Floats:
    """Radii of ``count`` stars that follow a surface density."""
    inside = _light_inside(density, radii)
    return np.interp(rng.random(count) * inside[-1], inside, radii)


def _half_light(density: Floats, radii: Floats) -> float:
    inside = _light_inside(density, radii)
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
        profile=_normalised(density, r, ratio),
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


def planetary(
    *,
    mag: float,
    major: float,
    ratio: float,
    angle: float,
    light: Light,
    rng: np.random.Generator,
    seed: int,
    **_: object,
) -> Parts:
    """A soft hollow shell seen through, a faint halo, and the star that lights it."""
    rim = major / 2.0
    shell_r = radii_arcsec(1.25 * rim)
    middle, width = rng.uniform(0.55, 0.68), rng.uniform(0.16, 0.24)
    depth = np.linspace(0.0, 1.3, 261)
    space = np.hypot(shell_r[:, None] / rim, depth[None, :])
    glow = np.exp(-(((space - middle) / width) ** 2)) + 0.10 * (space < middle)
    shell = SmoothPart(
        share=0.93,
        light=light,
        profile=_normalised(np.trapezoid(glow, depth, axis=1), shell_r, ratio),
        reach_arcsec=float(shell_r[-1]),
        axis_ratio=ratio,
        position_angle_deg=angle,
        texture=0.35,
        texture_scale_arcsec=2.5 * rim,
        angular=_two_armed(rng.uniform(0.12, 0.35), rng.uniform(0.0, 2.0 * math.pi)),
        seed=seed,
    )
    halo_r = radii_arcsec(2.4 * rim)
    halo = SmoothPart(
        share=0.065,
        light=light,
        profile=_normalised(np.exp(-(halo_r / (0.8 * rim))), halo_r, ratio),
        reach_arcsec=float(halo_r[-1]),
        axis_ratio=ratio,
        position_angle_deg=angle,
        texture=0.4,
        texture_scale_arcsec=4.0 * rim,
        seed=seed + 1,
    )
    star = Members(np.zeros(1), np.zeros(1), np.array([0.005]), np.array([-0.3]))
    return (shell, halo), star, 0.55 * rim


def _two_armed(strength: float, phase: float) -> tuple[float, float]:
    return strength * math.cos(phase), strength * math.sin(phase)


CLOUDS = {
    "even": ((0.9, 1.0, 1.0), (0.1, 0.25, 0.7)),
    "usual": ((0.7, 1.0, 1.0), (0.3, 0.25, 0.7)),
    "hearted": ((0.28, 1.0, 1.0), (0.45, 0.3, 0.8), (0.27, 0.07, 0.4)),
}
"""Clouds within clouds: share, size, raggedness. Round a cluster the light crowds about its
stars: the great winter nebula comes out at 17.5 mag/arcsec² in its heart (17 by eye)."""
BRIGHTEST_CLOUD_MAG_ARCSEC2 = 22.5
"""Mean over the outline; the great winter nebula has 22.7."""
EVEN_FROM_ARCMIN = 60.0
"""The largest nebulae have no heart."""


def cloud(
    *,
    major: float,
    ratio: float,
    angle: float,
    light: Light,
    rng: np.random.Generator,
    seed: int,
    hearted: bool = False,
    **_: object,
) -> Parts:
    """Ragged Gaussian clouds within each other; the 2σ ellipse of the widest is the outline."""
    widest = major / 4.0
    angular = _two_armed(rng.uniform(0.0, 0.3), rng.uniform(0.0, 2.0 * math.pi))
    style = "hearted" if hearted else "even" if major > 60.0 * EVEN_FROM_ARCMIN else "usual"
    parts = []
    for number, (share, size, ragged) in enumerate(CLOUDS[style]):
        sigma = size * widest
        r = radii_arcsec(4.0 * sigma)
        parts.append(
            SmoothPart(
                share=share,
                light=light,
                profile=_normalised(np.exp(-0.5 * (r / sigma) ** 2), r, ratio),
                reach_arcsec=float(r[-1]),
                axis_ratio=ratio,
                position_angle_deg=angle,
                texture=ragged,
                texture_scale_arcsec=6.0 * sigma,
                angular=angular,
                seed=seed + number,
            )
        )
    return tuple(parts), NO_MEMBERS, _half_light_of(tuple(parts))


def cluster_in_cloud(**given: Any) -> Parts:
    """Half of the light in stars, half in the cloud they lie in, or less if that were too bright.

    Catalogued magnitudes of such pairs are often those of the cluster alone.
    """
    area = math.pi / 4.0 * given["major"] ** 2 * given["ratio"]
    brightest = BRIGHTEST_CLOUD_MAG_ARCSEC2 - 2.5 * math.log10(area)
    glow = min(0.5, 10.0 ** (-0.4 * (brightest - given["mag"])))
    clouds, _, half = cloud(**(given | {"light": "hydrogen", "hearted": True}))
    _, members, _ = cluster(**given)
    return (
        tuple(replace(part, share=glow * part.share) for part in clouds),
        replace(members, share=(1.0 - glow) * members.share),
        half,
    )


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
