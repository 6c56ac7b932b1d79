"""What to call a star: its own name, or where it stands from one that has a name."""

from __future__ import annotations

from collections.abc import Sequence

from slowglass.find.direction import compass_words
from slowglass.sky.bayer import designations
from slowglass.sky.catalogue import Stars
from slowglass.sky.coords import position_angle_deg, separation_deg
from slowglass.sky.star_names import NamedStars

LANDMARK_DEG = 25.0
LANDMARK_MAG = 3.6


def names_by_hip(named: NamedStars) -> dict[int, str]:
    """Names by Hipparcos number: the proper one, else the Bayer letter."""
    return {**designations(), **{star.hip: star.name for star in named.all()}}


def catalogue_label(hip: int, source_id: int) -> str:
    """The catalogue number of a star without a name."""
    return f"HIP {hip}" if hip > 0 else f"Gaia DR3 {source_id}"


def near_landmark(ra_deg: float, dec_deg: float, named: NamedStars) -> str:
    """ "3.2° north-west of Enif": the nearest bright named star, or "" if none is near."""
    for star in named.near(ra_deg, dec_deg, LANDMARK_DEG):
        if star.mag <= LANDMARK_MAG:
            pa = float(position_angle_deg(star.ra_deg, star.dec_deg, ra_deg, dec_deg))
            away = float(separation_deg(star.ra_deg, star.dec_deg, ra_deg, dec_deg))
            return f"{away:.1f}° {compass_words(pa)} of {star.name}"
    return ""


def star_title(star: Stars, named: NamedStars) -> str:
    """A naked-eye star as one would name it aloud, from one row: its name, or where it stands.

    "Enif", "ν And, the magnitude 4.5 star 6.7° north-west of Mirach".
    """
    hip = int(star.hip[0])
    name = names_by_hip(named).get(hip)
    if name is not None and named.find(name) is not None:
        return name
    where = near_landmark(float(star.ra_deg[0]), float(star.dec_deg[0]), named)
    if not where:
        return name or catalogue_label(hip, int(star.source_id[0]))
    called = "" if name is None else f"{name}, "
    return f"{called}the magnitude {float(star.v_mag[0]):.1f} star {where}"


def stop_labels(kinds: Sequence[str], hips: Sequence[int], names: dict[int, str]) -> list[str]:
    """A label for each stop after the anchor: a star's name, or "star 1", "pair 2", …

    ``hips`` are Hipparcos numbers of single stars, 0 elsewhere.
    """
    return [
        names.get(hip) or f"{kind} {number}"
        for number, (kind, hip) in enumerate(zip(kinds, hips, strict=True), 1)
    ]
