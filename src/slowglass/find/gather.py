"""What charts show, from the catalogue: stars with names, objects, lines on the sky."""

from __future__ import annotations

from datetime import datetime

import numpy as np

from slowglass.find.chart import (
    ChartStars,
    Outline,
)
from slowglass.find.drawing import (
    Neighbour,
    SkyLines,
)
from slowglass.find.labels import names_by_hip
from slowglass.find.result import Route
from slowglass.kit.model import Site
from slowglass.sky.catalogue import EPOCH_YEAR
from slowglass.sky.constellations import boundaries
from slowglass.sky.coords import epoch_year, hour_angle_deg, separation_deg
from slowglass.sky.deep import DeepStars, merge, tiles_in_cone
from slowglass.sky.deep_store import DeepStore
from slowglass.sky.objects import SkyObject
from slowglass.sky.store import Sky

CHART_STARS = 450
"""As many as a page holds without losing the pattern."""
EYE_LABEL_MAG = 4.0
DEEP_STARS = 600
TILE_MARGIN_DEG = 0.1
NEIGHBOUR_MAG, NEIGHBOURS = 11.0, 12


def chart_stars(
    sky: Sky,
    ra_deg: float,
    dec_deg: float,
    half_deg: float,
    faintest_mag: float,
    when: datetime | None,
    *,
    most: int = CHART_STARS,
    eye: bool = False,
    deep_mag: float = 0.0,
) -> ChartStars:
    """Stars round a place to a magnitude, with their names; by ``eye`` fewer of these.

    Where the deeper store reaches there, its stars to ``deep_mag`` are added.
    """
    epoch = EPOCH_YEAR if when is None else epoch_year(when)
    stars = sky.stars.cone(
        ra_deg, dec_deg, min(60.0, 1.45 * half_deg), mag_limit=faintest_mag + 0.5, epoch_year=epoch
    )
    stars = stars.take(np.argsort(stars.v_mag, kind="stable")[:most])
    stars = stars.take(stars.v_mag <= faintest_mag)
    names = names_by_hip(sky.named_stars)
    proper = {star.hip for star in sky.named_stars.all()}
    labels = []
    for hip, mag in zip(stars.hip.tolist(), stars.v_mag.tolist(), strict=True):
        name = names.get(hip, "")
        if eye and mag > EYE_LABEL_MAG:
            name = ""
        elif eye and hip not in proper:
            # the figure says which constellation: the letter is enough
            name = name.split()[0] if name else ""
        labels.append(name)
    found = ChartStars(stars.ra_deg, stars.dec_deg, stars.v_mag, tuple(labels))
    if deep_mag <= faintest_mag:
        return found
    return _with_deeper(found, sky, ra_deg, dec_deg, 1.45 * half_deg, deep_mag)


def _with_deeper(
    stars: ChartStars, sky: Sky, ra_deg: float, dec_deg: float, radius_deg: float, to_mag: float
) -> ChartStars:
    """The stars with those of the deeper store there; G stands for V, within some tenths."""
    store = DeepStore()
    there = store.contents()
    tiles = [there[tile] for tile in tiles_in_cone(ra_deg, dec_deg, radius_deg) if tile in there]
    parts = [part for part in map(store.load, tiles) if part is not None]
    if not parts:
        return stars
    rows = sky.stars.rows_near(ra_deg, dec_deg, radius_deg + TILE_MARGIN_DEG)
    merged = merge(sky.stars, rows, DeepStars.joined(parts))
    ra, dec, mag = (x[merged.from_base :] for x in (merged.ra_deg, merged.dec_deg, merged.mag))
    shown = (mag <= to_mag) & (separation_deg(ra_deg, dec_deg, ra, dec) <= radius_deg)
    brightest = np.flatnonzero(shown)[np.argsort(mag[shown], kind="stable")][:DEEP_STARS]
    return ChartStars(
        np.concatenate([stars.ra_deg, ra[brightest]]),
        np.concatenate([stars.dec_deg, dec[brightest]]),
        np.concatenate([stars.mag, mag[brightest]]),
        (*stars.names, *([""] * len(brightest))),
    )


def outline_of(obj: SkyObject | None) -> Outline | None:
    """An object's ellipse, None for one without a size."""
    if obj is None or not obj.major_arcmin:
        return None
    return Outline(
        obj.major_arcmin, obj.minor_arcmin or obj.major_arcmin, obj.position_angle_deg or 0.0
    )


def neighbours_of(
    route: Route, sky: Sky, ra_deg: float, dec_deg: float, half_deg: float
) -> list[Neighbour]:
    """Other bright objects in the picture, brightest first."""
    near = [
        obj
        for obj in sky.objects.near(ra_deg, dec_deg, 1.4 * half_deg)
        if obj.mag is not None
        and obj.mag <= NEIGHBOUR_MAG
        and (obj.named or obj.mag <= NEIGHBOUR_MAG - 1.5)
        and (route.object is None or obj.id != route.object.id)
    ]
    near.sort(key=lambda obj: obj.mag or 0.0)
    return [
        Neighbour(obj.name, obj.ra_deg, obj.dec_deg, outline_of(obj)) for obj in near[:NEIGHBOURS]
    ]


def sky_lines(sky: Sky, ra_deg: float, dec_deg: float, half_deg: float) -> SkyLines:
    """Guide figures, boundaries and names of constellations round a place."""
    figures = sky.figures
    reach = 1.6 * half_deg
    near = separation_deg(ra_deg, dec_deg, figures.ra_deg[:, 0], figures.dec_deg[:, 0]) < reach
    borders = [
        line
        for line in boundaries()
        if float(np.min(separation_deg(ra_deg, dec_deg, *line))) < reach
    ]
    names = tuple(
        (name, ra, dec)
        for name, (ra, dec) in figures.middles.items()
        if float(separation_deg(ra_deg, dec_deg, ra, dec)) < reach
    )
    return SkyLines(
        tuple(zip(figures.ra_deg[near], figures.dec_deg[near], strict=True)),
        tuple(borders),
        names=names,
    )


def skyline(site: Site, when: datetime) -> tuple[np.ndarray, np.ndarray]:
    """The skyline as places of the sky, good to the half degree of precession since 2000."""
    az = np.arange(0.0, 361.0, 2.0)
    alt = np.radians(site.horizon_alt_deg(az))
    lat, a = np.radians(site.latitude_deg), np.radians(az)
    dec = np.arcsin(np.sin(alt) * np.sin(lat) + np.cos(alt) * np.cos(lat) * np.cos(a))
    hour = np.arctan2(
        -np.sin(a) * np.cos(alt), np.sin(alt) * np.cos(lat) - np.cos(alt) * np.sin(lat) * np.cos(a)
    )
    sidereal = float(hour_angle_deg(0.0, site.longitude_deg, when.timestamp()))
    return (sidereal - np.degrees(hour)) % 360.0, np.degrees(dec)
