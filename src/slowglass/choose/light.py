"""Where an object's light is: how bright its bright part is, and how large.

A catalogue gives a total magnitude and an outer edge. What shows first is the part inside the
ellipse that holds half of the light; for loose clusters it is the single stars.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from slowglass.expose.profile import family, light_of, object_model
from slowglass.expose.signal import Light
from slowglass.sky.objects import SkyObject

Floats = npt.NDArray[np.float64]

LEFT_OUT = frozenset({"star", "double star", "nova", "other", "dark nebula"})
"""Catalogue entries that are no deep-sky object, or give no light."""

HALF_LIGHT_AXIS = {
    "globular": 0.144,
    "galaxy": 0.40,
    "cluster": 0.35,
    "planetary": 0.55,
    "hydrogen": 0.41,
    "reflection": 0.41,
}
"""Axis of the half-light ellipse over the catalogued axis, typical for each shape of the
exposure model; good enough to pick the few objects for which the model itself is asked."""
MEMBER_MAG = 3.8
"""A cluster's member that still counts for the picture is this much fainter than the whole:
it holds 3 % of the light, about what the tenth to twentieth brightest does."""
BRIGHTEST_MEAN_MAG_ARCSEC2 = {"galaxy": 20.5, "hydrogen": 21.5, "reflection": 21.5}
"""Mean brightness inside the catalogued outline beyond which a magnitude is not believed. One
catalogued galaxy to 13 mag in thirty is brighter, nearly all through a star in front or an
outline too small; nebulae often carry the magnitude of the star that lights them."""
STAND_OUT_SNR = 15.0
NEBULOUS_CORE_AXIS = 0.25
"""Axis of the bright middle of a cluster with nebula over the catalogued axis: 20′ of 90′ for
the great winter nebula."""


@dataclass(frozen=True)
class BrightPart:
    """The part of an object that shows first, arrays over objects of one shape.

    ``stars_mag`` is set for clusters (a member's magnitude), else ``mag_arcsec2`` is the mean
    surface brightness inside the half-light ellipse. ``axis_arcmin`` is the full major axis.
    """

    light: Light
    axis_arcmin: Floats
    minor_arcmin: Floats
    mag_arcsec2: Floats | None = None
    stars_mag: Floats | None = None


def shape_of(kind: str) -> str | None:
    """The shape an object of a kind has in the exposure model; None for kinds left out."""
    shape = family(kind)
    return None if kind in LEFT_OUT or shape == "nothing" else shape


def believable_mag(
    kind: str, mag: npt.ArrayLike, major_arcmin: npt.ArrayLike, minor_arcmin: npt.ArrayLike
) -> Floats:
    """The catalogued magnitude, or the brightest an object of that kind and size can have."""
    ceiling = BRIGHTEST_MEAN_MAG_ARCSEC2.get(family(kind))
    if ceiling is None:
        return np.asarray(mag, float)
    area = np.pi / 4.0 * np.asarray(major_arcmin, float) * np.asarray(minor_arcmin) * 3600.0
    return np.maximum(np.asarray(mag, float), ceiling - 2.5 * np.log10(area))


def typical_bright_part(
    kind: str, mag: Floats, major_arcmin: Floats, minor_arcmin: Floats
) -> BrightPart:
    """Bright parts of many objects of a kind, from what is typical of its shape."""
    axis = HALF_LIGHT_AXIS[family(kind)]
    part = BrightPart(light_of(kind), axis * major_arcmin, axis * minor_arcmin)
    if family(kind) == "cluster":
        return _with_stars(part, mag)
    area = np.pi / 4.0 * part.axis_arcmin * part.minor_arcmin * 3600.0
    mag = believable_mag(kind, mag, major_arcmin, minor_arcmin)
    return BrightPart(
        part.light, part.axis_arcmin, part.minor_arcmin, mag + 2.5 * np.log10(2.0 * area)
    )


def bright_part(obj: SkyObject) -> BrightPart | None:
    """The bright part of one object (arrays of one) from the exposure model; None without one."""
    major = obj.major_arcmin or math.nan
    minor = obj.minor_arcmin or major
    if obj.mag is not None:
        obj = replace(obj, mag=float(believable_mag(obj.kind, obj.mag, major, minor)))
    model = object_model(obj)
    if model is None:
        return None
    axis = np.array([model.half_light_arcsec / 30.0])
    part = BrightPart(model.light, axis, axis * model.axis_ratio)
    if family(obj.kind) == "cluster":
        return _with_stars(part, np.array([model.mag]))
    return BrightPart(
        part.light, part.axis_arcmin, part.minor_arcmin, np.array([model.mean_mag_arcsec2])
    )


def core_axes_arcmin(
    kind: str, major_arcmin: Floats, minor_arcmin: Floats
) -> tuple[Floats, Floats] | None:
    """Full axes, arcmin, of the bright cores of objects of a kind; None for loose clusters."""
    shape = family(kind)
    if kind == "cluster with nebula":
        axis = NEBULOUS_CORE_AXIS
    elif shape == "cluster":
        return None
    else:
        axis = HALF_LIGHT_AXIS[shape]
    return axis * major_arcmin, axis * minor_arcmin


def _with_stars(part: BrightPart, mag: Floats) -> BrightPart:
    return BrightPart(part.light, part.axis_arcmin, part.minor_arcmin, stars_mag=mag + MEMBER_MAG)


def parts_to_see(
    part: BrightPart,
    snr_single: Floats,
    *,
    major_arcmin: Floats,
    minor_arcmin: Floats,
    fwhm_arcsec: float,
) -> Floats:
    """Separate things a picture of each object shows, arrays (n,).

    Of a surface, the star widths its outline holds. Of a cluster, the members that stand out
    in one exposure: some four are within two magnitudes of the whole cluster's, and their
    number grows as 10^(0.2 m), as in the exposure model.
    """
    if part.stars_mag is None:
        return major_arcmin * minor_arcmin * 3600.0 / fwhm_arcsec**2
    deeper = MEMBER_MAG - 2.0 + 2.5 * np.log10(np.maximum(snr_single, 1e-3) / STAND_OUT_SNR)
    return 4.0 * 10.0 ** (0.2 * deeper)
