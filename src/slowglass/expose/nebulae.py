"""How the light of nebulae lies: shells of planetaries, and clouds with or without a cluster."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np

from slowglass.expose.clusters import cluster
from slowglass.expose.shapes import (
    NO_MEMBERS,
    Members,
    Parts,
    SmoothPart,
    half_light_of,
    normalised,
    radii_arcsec,
)
from slowglass.expose.signal import Light


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
        profile=normalised(np.trapezoid(glow, depth, axis=1), shell_r, ratio),
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
        profile=normalised(np.exp(-(halo_r / (0.8 * rim))), halo_r, ratio),
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
                profile=normalised(np.exp(-0.5 * (r / sigma) ** 2), r, ratio),
                reach_arcsec=float(r[-1]),
                axis_ratio=ratio,
                position_angle_deg=angle,
                texture=ragged,
                texture_scale_arcsec=6.0 * sigma,
                angular=angular,
                seed=seed + number,
            )
        )
    return tuple(parts), NO_MEMBERS, half_light_of(tuple(parts))


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
