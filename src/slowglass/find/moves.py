"""How far this kit can move and still know where it is."""

from __future__ import annotations

from dataclasses import dataclass, replace

from slowglass.find.limits import Limits, limits_under
from slowglass.find.route import USABLE_SHARE, surroundings_deg
from slowglass.kit.model import Kit

FAIR_SKY_MAG_ARCSEC2 = 21.0
"""Taken when nobody says which sky."""
EASY_MAG = 2.0
"""A star this much brighter than the faintest seen is seen without staring."""
DEEPEST_CATALOGUE_MAG = 10.0


@dataclass(frozen=True)
class UsableMove:
    """The field a hop is walked in, its diameter, and the longest leg it allows, degrees.

    ``mag_limit`` is the faintest star worth hopping to in that field; ``surroundings_deg`` how
    far from a place others may be taken for it.
    """

    field_name: str
    field_deg: float
    max_leg_deg: float
    mag_limit: float
    surroundings_deg: float

    def reaching(self, fainter_mag: float) -> UsableMove:
        """The same move with stars so much fainter, as far as the catalogue goes."""
        return replace(self, mag_limit=min(DEEPEST_CATALOGUE_MAG, self.mag_limit + fainter_mag))


def usable_move(kit: Kit, limits: Limits | None = None) -> UsableMove:
    """The usable move of a kit: through an optical finder, else the widest eyepiece, else frames.

    A red-dot finder shows no more stars than the eye sees, so it only sets the anchor.
    """
    limits = limits or limits_under(kit, FAIR_SKY_MAG_ARCSEC2)
    if limits.finder_mag is not None:
        return _move("finder field", kit.finder.field_deg, limits.finder_mag - EASY_MAG)
    if limits.field_mag is not None:
        return _move("eyepiece field", main_field_deg(kit), limits.field_mag - EASY_MAG)
    return _move("frame", main_field_deg(kit), DEEPEST_CATALOGUE_MAG)


def main_field_deg(kit: Kit) -> float:
    """Diameter of the view through the tube: the widest eyepiece's, else the frame's short side."""
    if kit.eyepieces:
        return max(e.true_field_deg(kit.optics) for e in kit.eyepieces)
    return min(kit.field_width_deg, kit.field_height_deg)


def _move(name: str, field_deg: float, mag_limit: float) -> UsableMove:
    longest = USABLE_SHARE * field_deg
    around = surroundings_deg(field_deg, longest)
    return UsableMove(name, field_deg, longest, min(mag_limit, DEEPEST_CATALOGUE_MAG), around)
