"""A refused frame looked at once more, with what earlier frames and the kit tell of it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from slowglass.frame.detect import Detection
from slowglass.frame.image import Frame
from slowglass.judge.prior import kit_scale_arcsec_per_px, prior_of_kit, priors_of_series
from slowglass.solve.service import solve_stars
from slowglass.solve.types import Prior, Solution

if TYPE_CHECKING:
    from slowglass.judge.verdict import Verdict
    from slowglass.kit.model import Kit
    from slowglass.sky.store import Sky

HABIT_SIGMA = 3.0
LEAST_TOLERANCE_DEG = 5.0
LARGEST_SCATTER_DEG = 20.0
"""A camera that sits anyhow has no habit."""


def solved_by_habit(
    refused: Solution,
    detection: Detection,
    frame: Frame,
    sky: Sky,
    prior: Prior,
    kit: Kit | None,
    earlier: Verdict | None,
) -> Solution:
    """The solution with what an earlier frame of the series told, or with the camera's usual angle,
    up or upside down; else the refusal.

    Knowing more, fewer stars carry a solution: fewer things can match by chance.
    """
    if len(detection.stars) == 0:
        return refused
    size = frame.width_px, frame.height_px
    priors = [] if earlier is None else priors_of_series(prior, earlier, *size)
    if kit is not None and prior.scale_arcsec_per_px is not None:
        of_kit = prior.scale_arcsec_per_px == kit_scale_arcsec_per_px(kit, *size)
        sharper = prior_of_kit(prior, kit) if of_kit else prior
        priors += priors_by_habit(kit, sharper) or ([sharper] if sharper != prior else [])
    for sharper in priors:
        again = solve_stars(detection.stars, *size, sky, sharper)
        if again.solved:
            return again
    return refused


def priors_by_habit(kit: Kit, prior: Prior) -> list[Prior]:
    """What is known of a frame, with the camera's usual angle: as it sits, and upside down.

    A mount that has changed sides shows the sky upside down. Empty without a measured habit.
    """
    angle = kit.camera.angle_deg
    if angle is None or kit.camera.angle_scatter_deg > LARGEST_SCATTER_DEG:
        return []
    tolerance = max(LEAST_TOLERANCE_DEG, HABIT_SIGMA * kit.camera.angle_scatter_deg)
    return [
        replace(prior, rotation_deg=(angle + turn) % 360.0, rotation_tolerance_deg=tolerance)
        for turn in (0.0, 180.0)
    ]
