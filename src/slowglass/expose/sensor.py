"""The sensor: mosaic, hot pixels, dust, vignetting, and the read-out of an exposure."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from typing import Any, cast

import numpy as np
import numpy.typing as npt

from slowglass.frame.bayer import colour_index
from slowglass.frame.header import frame_header
from slowglass.frame.image import Frame, Kind
from slowglass.kit.model import Camera, Kit, Optics

Floats = npt.NDArray[np.float64]

MOTES = 14


@dataclass(frozen=True, eq=False)
class Flaws:
    """What one camera keeps from frame to frame: hot pixels and dust.

    ``hot_start`` (rows + 1) indexes the hot pixels, which are sorted by row. ``motes`` holds
    x, y, outer and inner radius (px) and depth of dust shadows.
    """

    hot_start: npt.NDArray[np.int64]
    hot_column: npt.NDArray[np.int64]
    hot_e_s: Floats
    motes: Floats


def mosaic_bands(camera: Camera) -> npt.NDArray[np.int64]:
    """Band number of the four pixels of the mosaic, [row & 1, column & 1]; zeros without one."""
    if camera.bayer is None:
        return np.zeros((2, 2), dtype=np.int64)
    return colour_index(camera.bayer).astype(np.int64)


@lru_cache(maxsize=4)
def sensor_flaws(camera: Camera, optics: Optics, camera_seed: int) -> Flaws:
    """Hot pixels and dust of a camera with that seed: the same in every frame it takes.

    Hot pixels' rates run from a tenth to a hundred electrons a second, log-normal about 1.5.
    Dust a millimetre or three before the sensor throws the pupil's ring, its size over f-ratio.
    """
    rng = np.random.default_rng([camera_seed, camera.width_px, camera.height_px])
    total = camera.width_px * camera.height_px
    count = int(rng.poisson(camera.hot_pixel_fraction * total))
    place = np.unique(rng.integers(0, total, count))
    rate = np.clip(np.exp(rng.normal(math.log(1.5), 1.3, place.size)), 0.1, 100.0)
    height_um = rng.uniform(900.0, 3000.0, MOTES)
    outer = height_um / optics.focal_ratio / camera.pixel_um / 2.0
    motes = np.stack(
        [
            rng.uniform(0, camera.width_px, MOTES),
            rng.uniform(0, camera.height_px, MOTES),
            outer,
            outer * optics.obstruction_fraction,
            rng.uniform(0.01, 0.05, MOTES),
        ],
        axis=1,
    )
    return Flaws(
        hot_start=np.searchsorted(place // camera.width_px, np.arange(camera.height_px + 1)),
        hot_column=place % camera.width_px,
        hot_e_s=rate,
        motes=motes,
    )


def white_adu(camera: Camera) -> float:
    """The reading at which a pixel clips, black level included: full well or converter."""
    return min(
        2.0**camera.bits - 1.0, camera.black_adu + camera.full_well_e / camera.gain_e_per_adu
    )


def read_out(
    light: npt.NDArray[np.float32],
    kit: Kit,
    *,
    exposure_s: float,
    flaws: Flaws,
    seed: int,
    sky_e: Floats | None = None,
    gradient_per_px: tuple[float, float] = (0.0, 0.0),
    vignetting: float = 0.0,
    noise: bool = True,
) -> npt.NDArray[np.float32]:
    """ADU of an exposure, black level included, written over ``light`` (electrons wanted).

    ``sky_e`` is electrons per pixel and band at the centre. With ``noise`` off the reading is
    the expected one, unrounded.
    """
    from slowglass.expose.kernels import expose

    camera = kit.camera
    sky = np.zeros(3) if sky_e is None else np.asarray(sky_e, dtype=np.float64)
    expose(
        light,
        sky,
        np.asarray(gradient_per_px, dtype=np.float64),
        float(vignetting),
        flaws.motes,
        float(camera.dark_e_per_s * exposure_s),
        flaws.hot_start,
        flaws.hot_column,
        flaws.hot_e_s * exposure_s,
        float(camera.full_well_e),
        float(camera.read_noise_e),
        float(camera.gain_e_per_adu),
        float(camera.black_adu),
        float(white_adu(camera)),
        np.random.SeedSequence(seed).generate_state(1, np.uint64)[0],
        bool(noise),
        mosaic_bands(camera),
    )
    return light


def make_frame(
    pixels: npt.NDArray[np.float32],
    kit: Kit,
    *,
    kind: Kind,
    exposure_s: float,
    start: datetime | None,
    temperature_c: float | None = None,
    extra: Mapping[str, Any] | None = None,
    step: str,
) -> Frame:
    """A frame with the header a camera would write: no coordinates, black level left in."""
    camera = kit.camera
    cards: dict[str, Any] = {
        "IMAGETYP": kind.upper(),
        "EXPTIME": float(exposure_s),
        "INSTRUME": f"{kit.name} camera",
        "EGAIN": camera.gain_e_per_adu,
        "RDNOISE": camera.read_noise_e,
        "SATURATE": white_adu(camera),
        "BLKLEVEL": camera.black_adu,
        "PIXSIZE": camera.pixel_um,
        "XPIXSZ": camera.pixel_um,
        "YPIXSZ": camera.pixel_um,
        "FOCALLEN": kit.optics.focal_length_mm,
        "APTDIA": kit.optics.aperture_mm,
    }
    if start is not None:
        cards["DATE-OBS"] = start.replace(tzinfo=None).isoformat(timespec="milliseconds")
    if temperature_c is not None:
        cards["CCD-TEMP"] = float(temperature_c)
    if camera.bayer:
        cards |= {"BAYERPAT": camera.bayer, "ROWORDER": "TOP-DOWN"}
    cards |= dict(extra or {})
    return Frame(
        pixels=pixels,
        header=frame_header(cards),
        bayer=cast(Any, camera.bayer),
        white_adu=white_adu(camera),
        history=(step,),
    )
