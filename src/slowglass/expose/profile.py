"""How an object's light lies on the sky: smooth parts, and members drawn one by one.

Catalogues give a kind, a size and a total magnitude. The rest is what objects of the kind look
like: King's law for globulars, an exponential disc with a small bulge for galaxies (the disc's
scale set so that the catalogued size is the 25 mag/arcsec² isophote), a soft hollow shell for
planetaries, clouds for nebulae, stars alone for open clusters. Texture and member stars are
drawn with the object's own seed, so an object looks the same in every frame. Total light is the
catalogue's; positions of single members and of knots are not real.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from slowglass.expose import clusters, galaxies, nebulae
from slowglass.expose.shapes import Members, Parts, SmoothPart
from slowglass.expose.signal import SUN_BV, Light
from slowglass.expose.wandering import ASTEROID_BV, coma, speck
from slowglass.sky.objects import SkyObject

ASSUMED_MAG_ARCSEC2 = {"emission nebula": 22.5, "supernova remnant": 23.5}
ASSUMED_OTHER_MAG_ARCSEC2 = 23.0
"""Mean brightness where the catalogue gives none, typical of the kind."""
NEBULOUS = "cluster with nebula"
ASTEROID = "asteroid"
BRIGHTEST_MEAN_MAG_ARCSEC2 = {"galaxy": 20.5, "hydrogen": 22.0, "reflection": 22.0}
"""Mean brightness inside the catalogued outline beyond which a magnitude is not believed. One
catalogued galaxy to 13 mag in thirty is brighter, nearly all through a star in front or an
outline too small; nebulae often carry the magnitude of the star that lights them (M17, truly
brighter, pays for it)."""
YOUNG_REMNANT_ARCMIN = 10.0
"""Supernova remnants below this are young and may be bright (M1); larger ones are thin shells."""
EYE_PLANETARY_MAG = 0.65
"""A planetary's magnitude given to a tenth only is an eye estimate. The dark-adapted eye sees the
oxygen line at 501 nm twice as well as the V band does, so V is this much fainter: the mean of
six against V from their Hβ fluxes (Cahn, Kaler & Stanghellini 1992, A&AS 94, 399)."""
LOST_OUTSKIRTS_MAG, LAW_TRUST = 1.9, 0.7
"""Of the two sizes in logarithm: 0 takes the catalogue's, 1 the law's. Some of these galaxies are
truly compact; so all of five tested come within a factor of 1.75 (catalogue: 4.8)."""
USUAL_DISC_SCALES = 3.2
"""Radius of the 25 B mag/arcsec² isophote over the disc's scale for Freeman's central brightness
of 21.65 (Freeman 1970, ApJ 160, 811)."""
DOUBT_MAG = 0.3
"""A magnitude taken this much fainter than catalogued is told."""


@dataclass(frozen=True, eq=False)
class ObjectModel:
    """An object taken apart; the shares of all parts and members sum to 1.

    ``assumed`` says what had to be guessed for want of catalogue data, "" if nothing.
    """

    mag: float
    smooth: tuple[SmoothPart, ...]
    members: Members
    half_light_arcsec: float
    """Radius along the major axis that holds half of the light."""
    axis_ratio: float
    light: Light
    assumed: str = ""
    extended_share: float = 1.0
    """Share of the light that the half-light ellipse is of (the rest is scattered stars)."""

    @property
    def mean_mag_arcsec2(self) -> float:
        """Mean brightness inside the half-light ellipse."""
        area = math.pi * self.half_light_arcsec**2 * self.axis_ratio
        return self.mag + 2.5 * math.log10(2.0 * area / self.extended_share)


def family(kind: str) -> str:
    """The shape an object of a catalogue kind is drawn with."""
    word = kind.lower()
    for key, name in (
        ("comet", "comet"),
        ("globular", "globular"),
        ("planetary", "planetary"),
        ("galax", "galaxy"),
        ("open cluster", "cluster"),
        ("cluster with", "cluster"),
        ("star group", "cluster"),
        ("dark", "nothing"),
        ("emission", "hydrogen"),
        ("remnant", "hydrogen"),
        ("reflection", "reflection"),
        ("nebula", "hydrogen"),
    ):
        if key in word:
            return name
    return "nothing"


def light_of(kind: str) -> Light:
    """How objects of a kind spread their light over the colours."""
    lights: dict[str, Light] = {
        "globular": 0.72,
        "planetary": "planetary",
        "galaxy": 0.78,
        "cluster": 0.37,
        "hydrogen": "hydrogen",
        "reflection": 0.1,
        "comet": SUN_BV,
    }
    return lights.get(family(kind), 0.65)


def believable_mag(
    kind: str, mag: npt.ArrayLike, major_arcmin: npt.ArrayLike, minor_arcmin: npt.ArrayLike
) -> npt.NDArray[np.float64]:
    """V as the light goes: as catalogued, or the brightest that kind and size can have.

    Eye estimates of planetaries are turned into V.
    """
    if family(kind) == "planetary":
        tenths = np.asarray(mag, float) * 10.0
        by_eye = np.abs(tenths - np.round(tenths)) < 1e-6
        return np.asarray(mag, float) + np.where(by_eye, EYE_PLANETARY_MAG, 0.0)
    ceiling = BRIGHTEST_MEAN_MAG_ARCSEC2.get(family(kind))
    if ceiling is None:
        return np.asarray(mag, float)
    young = "remnant" in kind and np.asarray(major_arcmin) < YOUNG_REMNANT_ARCMIN
    area = np.pi / 4.0 * np.asarray(major_arcmin, float) * np.asarray(minor_arcmin) * 3600.0
    least = np.where(young, -np.inf, ceiling - 2.5 * np.log10(area))
    return np.maximum(np.asarray(mag, float), least)


def believable_axes_arcmin(obj: SkyObject) -> tuple[float, float]:
    """Major and minor axis in arcmin, as catalogued or as large as the light of a disc needs.

    A spiral catalogued so small that its disc would still be two magnitudes brighter at its edge
    than the isophote of catalogued sizes has lost its outskirts in the catalogue (M108: 4.0′ for
    the 8.7′ of the Third Reference Catalogue). Not for early types, whose light crowds inward,
    nor for magnitudes from blue plates, to which a star in front often lends its light.
    """
    major = obj.major_arcmin or 0.0
    minor = obj.minor_arcmin or major
    late = obj.hubble[:1] == "S" and obj.hubble[-1:] in "bcdm" and "?" not in obj.hubble
    if not (late and major and obj.mag is not None and obj.mag_source == "V"):
        return major, minor
    ratio = minor / major
    scales = galaxies.WIDEST_DISC_SCALES
    edge = galaxies.disc_edge_mag_arcsec2(obj.mag, 30.0 * major, ratio, 30.0 * major / scales)
    if edge > galaxies.GALAXY_EDGE_V_MAG_ARCSEC2 - LOST_OUTSKIRTS_MAG:
        return major, minor
    # The same disc law with the usual 3.2 scales to the edge, solved for the edge.
    usual = galaxies.GALAXY_EDGE_V_MAG_ARCSEC2 - 1.0857 * USUAL_DISC_SCALES
    scale = math.sqrt(10.0 ** (0.4 * (usual - obj.mag)) / (2.0 * math.pi * ratio))
    whole = major * (USUAL_DISC_SCALES * scale / 30.0 / major) ** LAW_TRUST
    return whole, whole * ratio


def object_model(
    obj: SkyObject,
    *,
    brightest_member_mag: float = 10.1,
    light_in_catalogue: float = 0.0,
) -> ObjectModel | None:
    """The parts of an object, or None for kinds that add no light (dark nebulae, single stars).

    Stars brighter than ``brightest_member_mag`` are in the star catalogue already; of an open
    cluster they hold ``light_in_catalogue`` (share of the total), which is left out here.
    """
    if obj.kind == ASTEROID and obj.mag is not None:
        return ObjectModel(obj.mag, (), speck(), 1e-3, 1.0, ASTEROID_BV)
    shape = family(obj.kind)
    if shape == "nothing" or not obj.major_arcmin:
        return None
    major_arcmin, minor_arcmin = believable_axes_arcmin(obj)
    major = major_arcmin * 60.0
    ratio = float(np.clip(minor_arcmin / major_arcmin, 0.08, 1.0))
    mag, assumed = obj.mag, ""
    if obj.mag is None or mag is None:
        mean = ASSUMED_MAG_ARCSEC2.get(obj.kind, ASSUMED_OTHER_MAG_ARCSEC2)
        mag = mean - 2.5 * math.log10(math.pi / 4.0 * major**2 * ratio)
        assumed = f"no magnitude in the catalogue; {mean} mag/arcsec² taken as typical of its kind"
    else:
        mag = float(believable_mag(obj.kind, mag, major_arcmin, minor_arcmin))
        if major_arcmin > obj.major_arcmin:
            assumed = (
                f"its catalogued size of {obj.major_arcmin:.1f}′ is too small for its light, "
                f"{major_arcmin:.1f}′ taken"
            )
        if mag - obj.mag > DOUBT_MAG and shape != "planetary":
            assumed = f"magnitude {obj.mag:.1f} is too bright for its size, {mag:.1f} taken"
    angle = obj.position_angle_deg or 0.0
    seed = zlib.crc32(obj.id.encode())
    rng = np.random.default_rng(seed)
    builders: dict[str, Callable[..., Parts]] = {
        "globular": clusters.globular,
        "planetary": nebulae.planetary,
        "galaxy": galaxies.galaxy,
        "cluster": clusters.cluster,
        "hydrogen": nebulae.cloud,
        "reflection": nebulae.cloud,
        "comet": coma,
    }
    nebulous = obj.kind == NEBULOUS
    build = nebulae.cluster_in_cloud if nebulous else builders[shape]
    smooth, members, half = build(
        mag=mag,
        major=major,
        ratio=ratio,
        angle=angle,
        light=light_of(obj.kind),
        rng=rng,
        seed=seed,
        brightest=brightest_member_mag,
        elsewhere=light_in_catalogue,
        hubble=obj.hubble,
    )
    light: Light = "hydrogen" if nebulous else light_of(obj.kind)
    extended = sum(part.share for part in smooth) if nebulous else 1.0
    return ObjectModel(mag, smooth, members, half, ratio, light, assumed, extended)
