"""What is known of a frame before its stars are looked at: from the kit, from earlier frames."""

from __future__ import annotations

from dataclasses import replace

from slowglass.judge.verdict import Verdict
from slowglass.kit.model import Kit
from slowglass.kit.optics import scale_arcsec_per_px
from slowglass.sky.coords import separation_deg
from slowglass.solve.types import Prior

SIZE_TOLERANCE = 0.02
"""Files of one camera differ by this much: masked borders, cropped edges."""
LARGEST_BIN = 4
TEACHING_ODDS_LOG10, TEACHING_STARS = 4.0, 4
"""A frame placed no surer, or from fewer stars, says nothing of the others."""
LEARNT_SCALE_TOLERANCE = 0.005
"""Focus moves the scale by a few parts in a thousand from frame to frame."""
LEARNT_ANGLE_TOLERANCE_DEG = 10.0
NEXT_FRAME_RADIUS_DEG = 3.0
"""A frame is looked for this near to the last one: nudges and drifts are smaller."""


def binning_of(width_px: int, height_px: int, camera_width_px: int, camera_height_px: int) -> int:
    """Whole-number binning of a frame against the camera's full size; 0 when it is not this one.

    Portrait frames count as well. A picture made smaller by any other factor, or cut, is not
    recognised: its scale is unknown.
    """
    long, short = max(width_px, height_px), min(width_px, height_px)
    camera_long = max(camera_width_px, camera_height_px)
    camera_short = min(camera_width_px, camera_height_px)
    for n in range(1, LARGEST_BIN + 1):
        if (
            abs(long * n / camera_long - 1.0) <= SIZE_TOLERANCE
            and abs(short * n / camera_short - 1.0) <= SIZE_TOLERANCE
        ):
            return n
    return 0


def kit_scale_arcsec_per_px(kit: Kit, width_px: int, height_px: int) -> float | None:
    """The pixel scale the kit gives a frame of this size; None when the size is not the kit's."""
    n = binning_of(width_px, height_px, kit.camera.width_px, kit.camera.height_px)
    if n == 0:
        return None
    return n * scale_arcsec_per_px(kit.camera.pixel_um, kit.optics.focal_length_mm)


def teaches(verdict: Verdict) -> bool:
    """Whether a frame is placed so surely that scale, angle and mirroring hold for the next."""
    return (
        verdict.solved
        and (verdict.odds_log10 or 0.0) >= TEACHING_ODDS_LOG10
        and verdict.matched >= TEACHING_STARS
    )


def priors_of_series(prior: Prior, earlier: Verdict, width_px: int, height_px: int) -> list[Prior]:
    """The prior with what a surely placed earlier frame of the same size tells; empty without one.

    Scale, mirroring, camera angle (as it was, and upside down: the mount may have changed sides)
    and, unless that lies outside the given cone, the place. Two or three stars can be enough then.
    """
    same_size = (earlier.width_px, earlier.height_px) == (width_px, height_px)
    ra, dec, angle = earlier.ra_deg, earlier.dec_deg, earlier.rotation_deg
    if not (same_size and teaches(earlier)) or ra is None or dec is None or angle is None:
        return []
    learnt = replace(
        prior,
        scale_arcsec_per_px=earlier.scale_arcsec_per_px,
        scale_tolerance=LEARNT_SCALE_TOLERANCE,
        rotation_tolerance_deg=LEARNT_ANGLE_TOLERANCE_DEG,
        parity=earlier.parity,
    )
    if (
        prior.ra_deg is None
        or prior.dec_deg is None
        or float(separation_deg(prior.ra_deg, prior.dec_deg, ra, dec)) <= prior.cone_radius_deg
    ):
        radius = min(NEXT_FRAME_RADIUS_DEG, prior.cone_radius_deg)
        learnt = replace(learnt, ra_deg=ra, dec_deg=dec, radius_deg=radius)
    return [replace(learnt, rotation_deg=(angle + turn) % 360.0) for turn in (0.0, 180.0)]


def prior_of_kit(prior: Prior, kit: Kit) -> Prior:
    """The prior with the scale as sure as a focal length measured on frames makes it."""
    if any(m.in_use and m.quantity == "optics.focal_length_mm" for m in kit.measured):
        return replace(prior, scale_tolerance=LEARNT_SCALE_TOLERANCE)
    return prior
