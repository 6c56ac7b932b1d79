"""Darks, flats and bias frames of the same camera as the forecasts: same hot pixels and dust."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

import numpy as np

from slowglass.errors import UsageError
from slowglass.expose.sensor import VIGNETTING, make_frame, read_out, sensor_flaws
from slowglass.frame.image import Frame, Kind
from slowglass.kit.model import Kit

BIAS_S = 0.00025
PANEL_COLOUR = np.array([0.55, 1.0, 0.75])
"""Red, green, blue of a white screen through the mosaic, relative to green."""


def _unlit(
    kit: Kit,
    kind: Kind,
    exposure_s: float,
    seed: int,
    camera_seed: int,
    start: datetime | None,
    temperature_c: float | None,
    noise: bool,
) -> Frame:
    camera = kit.camera
    pixels = read_out(
        np.zeros((camera.height_px, camera.width_px), dtype=np.float32),
        kit,
        exposure_s=exposure_s,
        flaws=sensor_flaws(camera, kit.optics, camera_seed),
        seed=seed,
        noise=noise,
    )
    return make_frame(
        pixels,
        kit,
        kind=kind,
        exposure_s=exposure_s,
        start=start,
        temperature_c=temperature_c,
        step=f"{kind} of {exposure_s:g} s with seed {seed}",
    )


def render_dark(
    kit: Kit,
    *,
    exposure_s: float,
    seed: int = 0,
    camera_seed: int = 1,
    start: datetime | None = None,
    temperature_c: float | None = None,
    noise: bool = True,
) -> Frame:
    """An exposure with the cap on, ADU with black level: dark current, hot pixels, read noise."""
    return _unlit(kit, "dark", exposure_s, seed, camera_seed, start, temperature_c, noise)


def render_bias(
    kit: Kit,
    *,
    seed: int = 0,
    camera_seed: int = 1,
    start: datetime | None = None,
    temperature_c: float | None = None,
    noise: bool = True,
) -> Frame:
    """The shortest exposure with the cap on, ADU with black level."""
    return _unlit(kit, "bias", BIAS_S, seed, camera_seed, start, temperature_c, noise)


def render_flat(
    kit: Kit,
    *,
    level: float = 0.5,
    exposure_s: float = 0.5,
    seed: int = 0,
    camera_seed: int = 1,
    vignetting: float = VIGNETTING,
    dust: bool = True,
    start: datetime | None = None,
    temperature_c: float | None = None,
    noise: bool = True,
) -> Frame:
    """An exposure of an even white screen, ADU with black level.

    ``level`` is the share of the clipping level that the brightest colour reaches at the centre.
    """
    if not 0.0 < level <= 1.0:
        raise UsageError(f"a flat at {level:g} of full", "give a level above 0 and up to 1")
    camera = kit.camera
    flaws = sensor_flaws(camera, kit.optics, camera_seed)
    if not dust:
        flaws = replace(flaws, motes=flaws.motes[:0])
    bright = level * camera.saturation_e
    pixels = read_out(
        np.zeros((camera.height_px, camera.width_px), dtype=np.float32),
        kit,
        exposure_s=exposure_s,
        flaws=flaws,
        seed=seed,
        sky_e=bright * (PANEL_COLOUR if camera.bayer else np.ones(1)),
        vignetting=vignetting,
        noise=noise,
    )
    return make_frame(
        pixels,
        kit,
        kind="flat",
        exposure_s=exposure_s,
        start=start,
        temperature_c=temperature_c,
        step=f"flat at {level:g} of full with seed {seed}",
    )
