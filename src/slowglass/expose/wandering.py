"""How comets and asteroids lie on the sky: a coma without its tail, and a single star."""

from __future__ import annotations

import numpy as np

from slowglass.expose.shapes import NO_MEMBERS, Members, Parts, SmoothPart, radii_arcsec
from slowglass.expose.signal import Light

COMA_CORE = 0.02
"""Radius inside which the coma is flat, over its whole radius: the seeing hides the nucleus."""
FADING = 0.8
"""Outer part of the radius over which it fades to nothing: no coma has an edge."""
ASTEROID_BV = 0.75
"""Sunlight off dark rock (common asteroids have B−V 0.7 to 0.85)."""


def coma(
    *, major: float, ratio: float, angle: float, light: Light, seed: int, **_: object
) -> Parts:
    """A coma whose brightness falls as one over the distance from the nucleus.

    That is the law of dust and gas that stream away evenly. It fades out toward the radius taken
    for it; tails are left out.
    """
    reach = 0.5 * major
    r = radii_arcsec(reach)
    end = np.clip((reach - r) / (FADING * reach), 0.0, 1.0)
    density = end**2 * (3.0 - 2.0 * end) / np.hypot(r, COMA_CORE * reach)
    rings = 2.0 * np.pi * ratio * density * r
    inside = np.concatenate([[0.0], np.cumsum(0.5 * (rings[1:] + rings[:-1]) * np.diff(r))])
    part = SmoothPart(
        share=1.0,
        light=light,
        profile=density / inside[-1],
        reach_arcsec=reach,
        axis_ratio=ratio,
        position_angle_deg=angle,
        seed=seed,
    )
    half = float(np.interp(0.5 * inside[-1], inside, r))
    return (part,), NO_MEMBERS, half


def speck() -> Members:
    """The one point of light that an asteroid is."""
    return Members(np.zeros(1), np.zeros(1), np.ones(1), np.array([ASTEROID_BV]))
