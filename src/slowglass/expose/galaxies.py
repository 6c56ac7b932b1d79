"""How the light of galaxies lies: discs with bulge and arms, and ellipticals."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from slowglass.expose.shapes import (
    NO_MEMBERS,
    Arms,
    Parts,
    SmoothPart,
    half_light_of,
    normalised,
    radii_arcsec,
)

GALAXY_EDGE_V_MAG_ARCSEC2 = 24.2
"""25 B mag/arcsec², the isophote of catalogued sizes, at B−V = 0.8."""
WIDEST_DISC_SCALES = 2.2
"""Fewest disc scales between centre and catalogued edge."""
SPIRAL = {"a": (10.0, 0.30), "b": (14.0, 0.45), "c": (18.0, 0.65), "d": (22.0, 0.70)}
"""Pitch in degrees and contrast of the arms by the last letter of the type (pitches: Kennicutt
1981, AJ 86, 1847, from memory; contrasts by eye)."""
FLATTEST_WITH_ARMS = 0.22
"""Discs seen flatter than this show no arms."""
MOTTLED, BETWEEN_ARMS, RAGGED = 0.5, 0.35, 0.9
"""Strength of the texture of discs, of those with arms, and of irregular galaxies."""


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
        profile=normalised(np.exp(-r / h), r, ratio),
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
        profile=normalised(np.exp(-3.672 * np.sqrt(np.hypot(b, 0.15) / core)), b, round_ratio),
        reach_arcsec=float(b[-1]),
        axis_ratio=round_ratio,
        position_angle_deg=angle,
    )
    return (disc, bulge), NO_MEMBERS, half_light_of((disc, bulge))


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
        profile=normalised(np.exp(-b * (np.hypot(r, 0.15) / scale) ** 0.25), r, ratio),
        reach_arcsec=float(r[-1]),
        axis_ratio=ratio,
        position_angle_deg=angle,
    )
    return (part,), NO_MEMBERS, half_light_of((part,))
