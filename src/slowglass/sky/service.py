"""Questions a person asks the catalogues: what is around a place."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from slowglass.sky.coords import separation_deg
from slowglass.sky.objects import SkyObject
from slowglass.sky.place import Place
from slowglass.sky.store import Sky


@dataclass(frozen=True)
class NearStar:
    """A star near a place; ICRS degrees at epoch 2016.0, Johnson V."""

    name: str
    ra_deg: float
    dec_deg: float
    mag: float
    distance_deg: float


@dataclass(frozen=True)
class NearObject:
    """An object near a place."""

    object: SkyObject
    distance_deg: float


@dataclass(frozen=True)
class Surroundings:
    """A place with the brightest stars and the nearest objects around it."""

    place: Place
    radius_deg: float
    stars_within: int
    """All catalogue stars inside the circle, of which ``stars`` shows the brightest."""
    stars: tuple[NearStar, ...]
    objects: tuple[NearObject, ...]
    """Nearest first."""


def surroundings(place: Place, sky: Sky, *, radius_deg: float, limit: int) -> Surroundings:
    """The ``limit`` brightest stars and nearest objects within a radius of a place."""
    found = sky.stars.cone(place.ra_deg, place.dec_deg, radius_deg)
    found = found.take(np.argsort(found.v_mag, kind="stable"))
    names = {star.hip: star.name for star in sky.named_stars.all()}
    away = separation_deg(place.ra_deg, place.dec_deg, found.ra_deg, found.dec_deg)
    stars = tuple(
        NearStar(
            name=_star_name(int(found.hip[i]), int(found.source_id[i]), names),
            ra_deg=float(found.ra_deg[i]),
            dec_deg=float(found.dec_deg[i]),
            mag=float(found.v_mag[i]),
            distance_deg=float(away[i]),
        )
        for i in range(min(limit, len(found)))
    )
    objects = tuple(
        NearObject(
            thing,
            float(separation_deg(place.ra_deg, place.dec_deg, thing.ra_deg, thing.dec_deg)),
        )
        for thing in sky.objects.near(place.ra_deg, place.dec_deg, radius_deg)[:limit]
    )
    return Surroundings(place, radius_deg, len(found), stars, objects)


def _star_name(hip: int, source_id: int, names: dict[int, str]) -> str:
    return names.get(hip) or (f"HIP {hip}" if hip > 0 else f"Gaia DR3 {source_id}")
