"""How far this kit can move and still know where it is."""

from __future__ import annotations

import math
from dataclasses import dataclass

from slowglass.find.route import USABLE_SHARE
from slowglass.kit.model import Kit

FINDER_MAG_LIMIT = 7.0
"""Stars told apart at a glance in a small finder of a few times magnification."""
DEEPEST_CATALOGUE_MAG = 10.0


@dataclass(frozen=True)
class UsableMove:
    """The field a hop is walked in, its diameter, and the longest leg it allows, degrees.

    ``mag_limit`` is the faintest star worth hopping to in that field.
    """

    field_name: str
    field_deg: float
    max_leg_deg: float
    mag_limit: float


def usable_move(kit: Kit) -> UsableMove:
    """The usable move of a kit: through an optical finder, else the widest eyepiece, else frames.

    A red-dot finder shows no more stars than the eye sees, so it only sets the anchor.
    """
    if kit.finder.kind == "optical":
        return _move("finder field", kit.finder.field_deg, FINDER_MAG_LIMIT)
    limit = min(DEEPEST_CATALOGUE_MAG, telescope_mag_limit(kit.optics.aperture_mm) - 2.0)
    if kit.eyepieces:
        field = max(e.true_field_deg(kit.optics) for e in kit.eyepieces)
        return _move("eyepiece field", field, limit)
    return _move("frame", min(kit.field_width_deg, kit.field_height_deg), DEEPEST_CATALOGUE_MAG)


def telescope_mag_limit(aperture_mm: float) -> float:
    """Faintest star seen through an aperture under a dark sky: 2.7 + 5 log D, D in mm.

    A rule of thumb, good to half a magnitude.
    """
    return 2.7 + 5.0 * math.log10(aperture_mm)


def _move(name: str, field_deg: float, mag_limit: float) -> UsableMove:
    return UsableMove(name, field_deg, USABLE_SHARE * field_deg, mag_limit)
