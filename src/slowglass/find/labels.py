"""What to call a star: its own name, or where it stands from one that has a name."""

from __future__ import annotations

from collections.abc import Sequence

from slowglass.find.route import compass_words
from slowglass.sky.coords import position_angle_deg, separation_deg
from slowglass.sky.star_names import NamedStars

LANDMARK_DEG = 25.0
LANDMARK_MAG = 3.6


def names_by_hip(named: NamedStars) -> dict[int, str]:
    """Proper names by Hipparcos number."""
    return {star.hip: star.name for star in named.all()}


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


def hop_labels(hips: Sequence[int], names: dict[int, str]) -> list[str]:
    """A label for each star of a hop after the anchor: its name, or "star 1", "star 2", …"""
    labels: list[str] = []
    number = 0
    for hip in hips:
        name = names.get(hip) if hip else None
        if name is None:
            number += 1
            name = f"star {number}"
        labels.append(name)
    return labels
