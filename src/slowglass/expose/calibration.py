"""Darks, flats and bias frames of the same camera as the forecasts: same hot pixels and dust."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from typing import TypedDict, Unpack

import numpy as np
import numpy.typing as npt

from slowglass.errors import UsageError
from slowglass.expose.sensor import make_frame, read_out, sensor_flaws
from slowglass.frame.image import Frame, Kind
from slowglass.kit.model import Kit

BIAS_S = 0.00025
PANEL_COLOUR = np.array([0.55, 1.0, 0.75])
"""Red, green, blue of a white screen through the mosaic, relative to green."""


class Taking(TypedDict, total=False):
    """What every calibration frame can be told: the noise's seed, the camera, when, how warm."""

    seed: int
    camera_seed: int
    start: datetime | None
    temperature_c: float | None
    noise: bool


def render_dark(kit: Kit, *, exposure_s: float, **taking: Unpack[Taking]) -> Frame:
    """An exposure with the cap on, ADU with black level: dark current, hot pixels, read noise."""
    return _expose(kit, "dark", exposure_s, f"dark of {exposure_s:g} s", **taking)


def render_bias(kit: Kit, **taking: Unpack[Taking]) -> Frame:
    """The shortest exposure with the cap on, ADU with black level."""
    return _expose(kit, "bias", BIAS_S, f"bias of {BIAS_S:g} s", **taking)


def render_flat(
    kit: Kit,
    *,
    level: float = 0.5,
    exposure_s: float = 0.5,
    vignetting: float | None = None,
    dust: bool = True,
    **taking: Unpack[Taking],
) -> Frame:
    """An exposure of an even white screen, ADU with black level.

    ``level`` is the share of the clipping level that the brightest colour reaches at the centre.
    """
    if not 0.0 < level <= 1.0:
        raise UsageError(f"a flat at {level:g} of full", "give a level above 0 and up to 1")
    colour = PANEL_COLOUR if kit.camera.bayer else np.ones(1)
    return _expose(
        kit,
        "flat",
        exposure_s,
        f"flat at {level:g} of full",
        screen_e=level * kit.camera.saturation_e * colour,
        vignetting=kit.optics.corner_loss if vignetting is None else vignetting,
        dust=dust,
        **taking,
    )


def _expose(
    kit: Kit,
    kind: Kind,
    exposure_s: float,
    step: str,
    *,
    screen_e: npt.NDArray[np.float64] | None = None,
    vignetting: float = 0.0,
    dust: bool = True,
    seed: int = 0,
    camera_seed: int = 1,
    start: datetime | None = None,
    temperature_c: float | None = None,
    noise: bool = True,
) -> Frame:
    camera = kit.camera
    flaws = sensor_flaws(camera, kit.optics, camera_seed)
    if not dust:
        flaws = replace(flaws, motes=flaws.motes[:0])
    pixels = read_out(
        np.zeros((camera.height_px, camera.width_px), dtype=np.float32),
        kit,
        exposure_s=exposure_s,
        flaws=flaws,
        seed=seed,
        sky_e=screen_e,
        vignetting=vignetting,
        noise=noise,
    )
    return make_frame(
        pixels,
        kit,
        kind=kind,
        exposure_s=exposure_s,
        start=start,
        temperature_c=temperature_c,
        step=f"{step} with seed {seed}",
    )
