"""Is it enough? The object's signal to noise so far, against the plan, and the minutes left.

Measured on each keeper at full size, inside the object's half-light ellipse, as the plan tells
it: the mean of many frames holds the sum of their light and the root of the sum of their
squared noise, so nothing is lost by measuring before combining. Where the object cannot be
measured (a cluster of stars, one larger than the frame allows), the plan's value is used, and
told so.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from slowglass.expose.measure import told_of_a_star
from slowglass.expose.noise import resolution_pixels
from slowglass.expose.plan import WANTED_SNR
from slowglass.expose.profile import object_model
from slowglass.expose.session import LEAST_SESSION_MIN
from slowglass.frame.bayer import luminance
from slowglass.frame.light import SurfaceLight, element_snr, surface_light

if TYPE_CHECKING:
    from slowglass.frame.image import Frame
    from slowglass.sky.objects import SkyObject
    from slowglass.sky.wcs import TanWcs

SMALLEST_RADIUS_PX = 2.0
"""Of a smaller half-light ellipse, in measured pixels, too little is left after seeing."""
USUAL_GAIN_E_PER_ADU = 1.0
"""Taken where neither header nor kit says it; only the object's own photon noise needs it."""


@dataclass(frozen=True)
class TargetLight:
    """The target's light on one frame, electrons a pixel, and the noise beside it a pixel."""

    object_e_per_px: float
    noise_e: float


@dataclass(frozen=True)
class Enough:
    """How far the picture is. ``how`` says where ``snr`` comes from: "measured" or "plan"."""

    frames: int
    exposure_s: float
    snr: float | None
    planned_snr: float | None
    """What the plan gives for so many frames."""
    wanted_snr: float
    frames_left: int | None
    minutes_left: float | None
    how: str

    @property
    def reached(self) -> bool:
        """True when the wanted signal to noise and the least light are there."""
        return self.frames_left == 0


def target_light(
    frame: Frame, target: SkyObject, wcs: TanWcs, gain_e_per_adu: float | None
) -> TargetLight | None:
    """The target's light on a solved frame; None where it cannot be measured there."""
    model = None if told_of_a_star(target.kind) else object_model(target)
    if model is None:
        return None
    plane, factor = luminance(frame)
    radius_px = model.half_light_arcsec / wcs.scale_arcsec_per_px / factor
    x, y = (float(v) for v in wcs.sky_to_pixel(target.ra_deg, target.dec_deg))
    if radius_px < SMALLEST_RADIUS_PX or not (math.isfinite(x) and math.isfinite(y)):
        return None
    shift = (factor - 1) / 2.0
    found = surface_light(
        plane,
        (x - shift) / factor,
        (y - shift) / factor,
        radius_px=radius_px,
        axis_ratio=model.axis_ratio,
        angle_deg=_pixel_angle_deg(wcs, target.position_angle_deg or 0.0),
        gain_e_per_adu=gain_e_per_adu or USUAL_GAIN_E_PER_ADU,
        bin_factor=factor,
    )
    if found is None or not math.isfinite(found.noise_e):
        return None
    return TargetLight(found.object_e_per_px, found.noise_e)


def stacked_snr(lights: Sequence[TargetLight], fwhm_px: float) -> float | None:
    """Signal to noise of the object in a resolution element of all the frames together."""
    if not lights or not math.isfinite(fwhm_px):
        return None
    total = sum(light.object_e_per_px for light in lights)
    noise = math.sqrt(sum(light.noise_e**2 for light in lights))
    if noise <= 0.0:
        return None
    return element_snr(SurfaceLight(total, 0.0, noise), float(resolution_pixels(fwhm_px)))


def how_far(
    lights: Sequence[TargetLight | None],
    *,
    exposure_s: float,
    fwhm_px: float | None,
    planned_single_snr: float | None,
    seconds_a_keeper: float | None,
    wanted_snr: float = WANTED_SNR,
) -> Enough:
    """How far ``lights``, one a keeper, have come.

    ``seconds_a_keeper`` is the time a keeper takes by the clock, pauses and lost frames
    included. The signal to noise grows with the root of the number of frames. However bright the
    core, less light than the plan's least makes no picture of the rest.
    """
    frames = len(lights)
    known = [light for light in lights if light is not None]
    planned = planned_single_snr * math.sqrt(frames) if planned_single_snr else None
    snr, how = None, "not known"
    if known and 2 * len(known) >= frames and fwhm_px:
        part = stacked_snr(known, fwhm_px)
        if part is not None:
            snr, how = part * math.sqrt(frames / len(known)), "measured"
    if snr is None and planned is not None:
        snr, how = planned, "plan"
    left = minutes = None
    if snr is not None and snr > 0.0 and frames:
        left = max(0, math.ceil(frames * (wanted_snr / snr) ** 2 - 1e-9) - frames)
        if exposure_s > 0.0:
            lacking_s = 60.0 * LEAST_SESSION_MIN - exposure_s
            left = max(left, math.ceil(lacking_s * frames / exposure_s - 1e-9))
        minutes = left * seconds_a_keeper / 60.0 if seconds_a_keeper else None
    return Enough(frames, exposure_s, snr, planned, wanted_snr, left, minutes, how)


def seconds_a_keeper(starts_s: Sequence[float], keepers: int) -> float | None:
    """Time by the clock that a keeper took in a series; None for fewer than two frames.

    A break longer than five usual steps (a hop to another object, a cloud sat out) is left out.
    """
    steps = np.diff(np.sort(np.asarray(starts_s, dtype=np.float64)))
    steps = steps[steps > 0]
    if not steps.size or not keepers:
        return None
    usual = float(np.median(steps))
    running = steps[steps <= 5.0 * usual]
    return float(running.sum() + usual) / keepers


def _pixel_angle_deg(wcs: TanWcs, position_angle_deg: float) -> float:
    """Image angle (from +x toward +y, 0–180) of a position angle on the sky."""
    (a, b), (c, d) = wcs.cd
    east = math.sin(math.radians(position_angle_deg))
    north = math.cos(math.radians(position_angle_deg))
    # The inverse of (east, north) = CD (x, y), up to a positive factor and half a turn.
    return math.degrees(math.atan2(a * north - c * east, d * east - b * north)) % 180.0
