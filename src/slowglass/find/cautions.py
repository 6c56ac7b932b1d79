"""What can hurt at night with a telescope, in one place.

The Sun: Caltech's public observing pages and makers' manuals. Lasers: 18 USC 39A (USA) and
like laws elsewhere. The rest: common practice, no source.
"""

from __future__ import annotations

SUN = (
    "Never point any optics at or near the Sun. Cap tube and finder by day, and be packed up "
    "before sunrise."
)
LASER = "No laser near aircraft or people: aiming one at an aircraft is a crime. Better none."
POWER = "Mains outdoors only through a residual-current switch and outdoor leads; dew is water."
GROUND = "Cables and tripod legs clear of the path, red light on; wet grass and ice are slippery."
COLD = "Warm clothes before you are cold; batteries warm and fused. Tell someone where you are."
ROAD = "Rest before you drive home."
TUBE = "Lock both axes before you take weight off the tube or change cameras: it swings."

CAUTIONS = (SUN, LASER, POWER, GROUND, COLD, TUBE, ROAD)
