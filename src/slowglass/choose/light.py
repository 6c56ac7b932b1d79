"""Where an object's light is: how bright its bright part is, and how large.

A catalogue gives a total magnitude and an outer edge. What shows first is the part inside the
ellipse that holds half of the light; for loose clusters it is the single stars.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from slowglass.expose.measure import MEMBER_MAG, member_mag, told_of_a_star
from slowglass.expose.profile import NEBULOUS, ObjectModel, believable_mag, family, light_of
from slowglass.expose.signal import Light
from slowglass.sky.catalogue import StarCatalogue

Floats = npt.NDArray[np.float64]

LEFT_OUT = frozenset({"star", "double star", "nova", "other", "dark nebula"})
"""Catalogue entries that are no deep-sky object, or give no light."""

HALF_LIGHT_AXIS = {
    "globular": 0.144,
    "galaxy": 0.36,
    "cluster": 0.35,
    "planetary": 0.55,
    "hydrogen": 0.41,
    "reflection": 0.41,
    "comet": 0.31,
}
"""Axis of the half-light ellipse over the catalogued axis, typical for each shape of the
exposure model; good enough to pick the few objects for which the model itself is asked."""
STAND_OUT_SNR = 15.0
CATALOGUE_END_MAG = 10.0
"""The star catalogue is whole to here."""
LEAST_LEFT = 0.12
"""Some light is always left to faint members, as in the exposure model: a bright star that does
not belong may be in the outline."""
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


def typical_bright_part(
    kind: str, mag: Floats, major_arcmin: Floats, minor_arcmin: Floats
) -> BrightPart:
    """Bright parts of many objects of a kind, from what is typical of its shape."""
    axis = HALF_LIGHT_AXIS[family(kind)]
    part = BrightPart(light_of(kind), axis * major_arcmin, axis * minor_arcmin)
    if told_of_a_star(kind):
        return _with_stars(part, mag)
    area = np.pi / 4.0 * part.axis_arcmin * part.minor_arcmin * 3600.0
    mag = believable_mag(kind, mag, major_arcmin, minor_arcmin)
    return replace(part, mag_arcsec2=mag + 2.5 * np.log10(2.0 * area))


def bright_part(kind: str, model: ObjectModel) -> BrightPart:
    """The bright part of one object of a kind (arrays of one) from its exposure model."""
    glow = glow_part(model)
    if not told_of_a_star(kind):
        return glow
    stars = BrightPart(light_of(kind), glow.axis_arcmin, glow.minor_arcmin)
    return _with_stars(stars, np.array([model.mag]))


def glow_part(model: ObjectModel) -> BrightPart:
    """The glow of one object, without its single stars (arrays of one)."""
    axis = np.array([model.half_light_arcsec / 30.0])
    return BrightPart(
        model.light,
        axis,
        axis * model.axis_ratio,
        mag_arcsec2=np.array([model.mean_mag_arcsec2]),
    )


def has_core(kind: str) -> bool:
    """Whether objects of a kind may crowd their light into a bright core."""
    return kind == NEBULOUS or shape_of(kind) in ("globular", "galaxy", "hydrogen")


def core_axes_arcmin(
    kind: str, major_arcmin: Floats, minor_arcmin: Floats
) -> tuple[Floats, Floats] | None:
    """Full axes, arcmin, of the bright cores of objects of a kind.

    None for those that have none: loose clusters, and nebulae bright all over or nowhere.
    """
    shape = family(kind)
    if kind == NEBULOUS:
        axis = NEBULOUS_CORE_AXIS
    elif shape in ("globular", "galaxy"):
        axis = HALF_LIGHT_AXIS[shape]
    else:
        return None
    return axis * major_arcmin, axis * minor_arcmin


def _with_stars(part: BrightPart, mag: Floats) -> BrightPart:
    return replace(part, stars_mag=mag + MEMBER_MAG)


def light_in_stars(kind: str) -> float:
    """Share of the light of a kind of cluster that its stars give, as in the exposure model."""
    return 0.5 if kind == NEBULOUS else 1.0


def member_count(
    stars: StarCatalogue,
    *,
    ra_deg: float,
    dec_deg: float,
    major_arcmin: float,
    mag: float,
    light_in_stars: float = 1.0,
) -> float:
    """Stars in a cluster's outline to magnitude 10, or to a typical member's if that is fainter.

    The catalogue's are counted. Beyond them, the light of the cluster that they do not
    account for is shared out among typical members. That tells M11 from a bright star with
    company: the brighter the leading stars against the whole, the fewer the rest can be.
    """
    near = stars.cone(ra_deg, dec_deg, major_arcmin / 120.0)
    v = np.where(np.isfinite(near.v_mag), near.v_mag, near.mag)
    typical = member_mag(mag)
    counted = float(np.sum(v <= CATALOGUE_END_MAG))
    if typical <= CATALOGUE_END_MAG:
        return counted
    shares = 10.0 ** (-0.4 * (v - mag))
    # a star brighter than the whole cluster stands in front of it
    left = max(LEAST_LEFT, light_in_stars - float(shares[shares < 1.0].sum()))
    reach = min(1.0, typical - CATALOGUE_END_MAG)
    return counted + reach * left * 10.0 ** (0.4 * MEMBER_MAG)


def parts_to_see(
    part: BrightPart,
    snr_single: Floats,
    *,
    major_arcmin: Floats,
    minor_arcmin: Floats,
    fwhm_arcsec: float,
    members: Floats,
) -> Floats:
    """Separate things a picture of each object shows, arrays (n,).

    Of a surface, the star widths its outline holds. Of a cluster, its ``members``: fewer, as
    10^(0.2 m) like in the exposure model, when one exposure does not reach a typical one.
    """
    if part.stars_mag is None:
        return major_arcmin * minor_arcmin * 3600.0 / fwhm_arcsec**2
    deeper = 2.5 * np.log10(np.maximum(snr_single, 1e-3) / STAND_OUT_SNR)
    return members * 10.0 ** (0.2 * np.minimum(deeper, 0.0))
