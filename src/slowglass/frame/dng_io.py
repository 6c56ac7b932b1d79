"""A small DNG writer (the open raw format): a mosaic with what a reader must know of it.

Source: Adobe Digital Negative Specification 1.7 (2023), an open standard on TIFF/EP.
"""

from __future__ import annotations

from datetime import datetime
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from slowglass.frame.atomic import replacing
from slowglass.frame.image import Bayer

_COLOUR = {"R": 0, "G": 1, "B": 2}

# XYZ (D65) to linear sRGB primaries, IEC 61966-2-1: an honest default for a sensor of no
# stated colour response.
_XYZ_TO_RGB = (
    (3.2406, -1.5372, -0.4986),
    (-0.9689, 1.8758, 0.0415),
    (0.0557, -0.2040, 1.0570),
)


def write_dng(
    path: Path | str,
    mosaic: npt.NDArray[np.uint16],
    *,
    bayer: Bayer | None,
    black_adu: int | tuple[int, int, int, int] = 0,
    white_adu: int = 65535,
    exposure_s: float | None = None,
    start_utc: datetime | None = None,
    iso: int | None = None,
    focal_length_mm: float | None = None,
    camera: str = "Slowglass forecast sensor",
    active_area: tuple[int, int, int, int] | None = None,
    xyz_to_rgb: tuple[tuple[float, float, float], ...] = _XYZ_TO_RGB,
) -> Path:
    """Write a raw mosaic (or monochrome, ``bayer=None``) as DNG, atomically; returns the path.

    ``bayer`` is the colour of the active area's first pixel and its neighbours; a tuple of
    blacks follows the same 2 × 2 order. ``active_area`` is (top, left, bottom, right), end
    exclusive; pixels outside are margin. ``start_utc`` must be an aware time.
    """
    import tifffile

    data = np.ascontiguousarray(mosaic)
    if data.dtype != np.uint16 or data.ndim != 2:
        raise TypeError(f"a DNG mosaic is a 2-D uint16 array, not {data.ndim}-D {data.dtype}")
    blacks = (black_adu,) * 4 if isinstance(black_adu, int) else black_adu
    tags: list[tuple[int, int, int, Any, bool]] = [
        (50706, 1, 4, (1, 4, 0, 0), True),  # DNGVersion
        (50707, 1, 4, (1, 1, 0, 0), True),  # DNGBackwardVersion
        (50708, 2, 0, camera, True),  # UniqueCameraModel
        (271, 2, 0, "Slowglass", True),  # Make
        (272, 2, 0, camera, True),  # Model
        (274, 3, 1, 1, True),  # Orientation: as stored
        (50717, 4, 1, int(white_adu), True),  # WhiteLevel
    ]
    if bayer is None:
        tags.append((50714, 4, 1, int(blacks[0]), True))  # BlackLevel
    else:
        # the specification counts CFAPattern from the active area's corner
        matrix = [Fraction(v).limit_denominator(10000) for row in xyz_to_rgb for v in row]
        tags += [
            (33421, 3, 2, (2, 2), True),  # CFARepeatPatternDim
            (33422, 1, 4, tuple(_COLOUR[c] for c in bayer), True),  # CFAPattern
            (50713, 3, 2, (2, 2), True),  # BlackLevelRepeatDim
            (50714, 4, 4, tuple(int(b) for b in blacks), True),  # BlackLevel
            (50721, 10, 9, tuple(n for f in matrix for n in f.as_integer_ratio()), True),
            (50778, 3, 1, 21, True),  # CalibrationIlluminant1: D65
            (50728, 5, 3, (1, 1, 1, 1, 1, 1), True),  # AsShotNeutral
        ]
    if active_area is not None:
        tags.append((50829, 4, 4, tuple(active_area), True))
    tags += _exposure_tags(exposure_s, start_utc, iso, focal_length_mm)
    with replacing(path) as temporary:
        tifffile.imwrite(
            temporary,
            data,
            photometric="cfa" if bayer is not None else "minisblack",
            extratags=tags,
            metadata=None,
            software="Slowglass",
            subfiletype=0,
        )
        if bayer is None:  # DNG calls a monochrome sensor LinearRaw; the writer has no such mode
            with tifffile.TiffFile(temporary, mode="r+") as tiff:
                page: Any = tiff.pages[0]
                page.tags[262].overwrite(34892)
    return Path(path)


def _exposure_tags(
    exposure_s: float | None,
    start_utc: datetime | None,
    iso: int | None,
    focal_length_mm: float | None,
) -> list[tuple[int, int, int, Any, bool]]:
    tags: list[tuple[int, int, int, Any, bool]] = []
    if exposure_s is not None:
        ratio = Fraction(exposure_s).limit_denominator(10000).as_integer_ratio()
        tags.append((33434, 5, 1, ratio, True))  # ExposureTime
    if iso is not None:
        tags.append((34855, 3, 1, int(iso), True))  # ISOSpeedRatings
    if focal_length_mm is not None:
        ratio = Fraction(focal_length_mm).limit_denominator(1000).as_integer_ratio()
        tags.append((37386, 5, 1, ratio, True))  # FocalLength
    if start_utc is not None:
        if start_utc.tzinfo is None:
            raise ValueError("start_utc must carry a time zone")
        offset = start_utc.strftime("%z")
        stamp = start_utc.strftime("%Y:%m:%d %H:%M:%S")
        tags += [
            (306, 2, 0, stamp, True),  # DateTime
            (36867, 2, 0, stamp, True),  # DateTimeOriginal
            (36881, 2, 0, f"{offset[:3]}:{offset[3:5]}", True),  # OffsetTimeOriginal
            (37521, 2, 0, f"{start_utc.microsecond:06d}", True),  # SubSecTimeOriginal
        ]
    return tags
