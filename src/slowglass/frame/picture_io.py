"""TIFF, PNG and JPEG in and out.

8-bit colour pictures and every JPEG are taken to be sRGB (IEC 61966-2-1) and turned back into
linear light on a 0–65535 scale, so that fluxes and profiles mean what they say. 16-bit and
floating-point pictures, and 8-bit monochrome ones other than JPEG, are taken as linear.
"""

from __future__ import annotations

import warnings
from datetime import UTC, tzinfo
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from slowglass.errors import UnreadableFile
from slowglass.frame.atomic import replacing
from slowglass.frame.caption import Caption, caption_jpeg, caption_png, plain_ascii
from slowglass.frame.fits_io import one_line
from slowglass.frame.gaps import fill_gaps
from slowglass.frame.image import Frame, FrameHeader
from slowglass.frame.raw_io import read_exif
from slowglass.frame.screen import icc_profile, srgb_to_linear

_CUT_SHORT = "copy the file again from its source; it was cut short or damaged"


def read_tiff(path: Path, *, clock_zone: tzinfo = UTC) -> Frame:
    """The first page of a TIFF file: 8 or 16 bit, or floating point, mono or colour."""
    import logging

    import tifffile

    logging.getLogger("tifffile").setLevel(logging.CRITICAL)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with tifffile.TiffFile(path) as tiff:
                page: Any = tiff.pages[0]
                data = page.asarray()
                if data.ndim == 3 and page.axes.startswith("S"):
                    data = np.moveaxis(data, 0, 2)
                if int(page.photometric) == 0:  # white is zero
                    data = np.iinfo(data.dtype).max - data
    except Exception as error:  # the parser fails in many ways on damaged files
        raise UnreadableFile(path, f"damaged TIFF ({one_line(error)})", _CUT_SHORT) from error
    return _frame(path, data, gamma=data.dtype == np.uint8 and data.ndim == 3, zone=clock_zone)


def read_png(path: Path) -> Frame:
    """A PNG of 8 or 16 bit, mono or colour."""
    data = path.read_bytes()
    if b"IEND" not in data[-64:]:
        raise UnreadableFile(path, "the PNG has no end", _CUT_SHORT)
    pixels = _decode(path, data, "PNG")
    return _frame(path, pixels, gamma=pixels.dtype == np.uint8 and pixels.ndim == 3)


def read_jpeg(path: Path, *, clock_zone: tzinfo = UTC) -> Frame:
    """A JPEG, in linear light and in stored orientation."""
    data = path.read_bytes()
    if data.rfind(b"\xff\xd9") < data.rfind(b"\xff\xda"):
        raise UnreadableFile(path, "the JPEG has no end", _CUT_SHORT)
    return _frame(path, _decode(path, data, "JPEG"), gamma=True, zone=clock_zone)


def _decode(path: Path, data: bytes, name: str) -> npt.NDArray[Any]:
    """Pixels with colours in R, G, B order."""
    import cv2

    try:
        pixels = cv2.imdecode(np.frombuffer(data, dtype=np.uint8), cv2.IMREAD_UNCHANGED)
    except cv2.error as error:
        raise UnreadableFile(path, f"damaged {name}", _CUT_SHORT) from error
    if pixels is None:
        raise UnreadableFile(path, f"damaged {name}", _CUT_SHORT)
    return np.asarray(pixels[..., 2::-1] if pixels.ndim == 3 else pixels)


def _frame(path: Path, data: npt.NDArray[Any], *, gamma: bool, zone: tzinfo | None = None) -> Frame:
    if data.ndim == 3 and data.shape[2] in (1, 2):
        data = data[..., 0]
    if data.ndim not in (2, 3) or 0 in data.shape:
        raise UnreadableFile(
            path, f"the picture has shape {data.shape}", "pass a mono or three-colour picture"
        )
    data = data[..., :3] if data.ndim == 3 else data
    history = [f"read from {path.name}"]
    if gamma:
        codes = np.arange(256) / 255.0
        table = (srgb_to_linear(codes) * 65535.0).astype(np.float32)
        if data.dtype != np.uint8:
            raise UnreadableFile(path, f"unexpected sample type {data.dtype}", _CUT_SHORT)
        pixels, white = table[data], 65535.0
        history.append("sRGB turned back into linear light, 0-65535")
    else:
        pixels = np.ascontiguousarray(data, dtype=np.float32)
        white = _white_adu(data)
    pixels, gaps = fill_gaps(pixels)
    if gaps:
        history.append(f"{gaps} pixels without a number filled by the local median")
    header = FrameHeader()
    if zone is not None:
        exif = read_exif(path, clock_zone=zone)
        header = FrameHeader(
            exposure_s=exif.exposure_s,
            start_utc=exif.taken,
            iso=exif.iso,
            camera=exif.camera,
            focal_length_mm=exif.focal_length_mm,
            cards=exif.cards or {},
        )
        if exif.taken is not None and not exif.zone_stated:
            history.append(f"the camera's clock states no time zone: read as {zone}")
    return Frame(
        pixels=pixels, header=header, white_adu=white, path=str(path), history=tuple(history)
    )


def _white_adu(data: npt.NDArray[Any]) -> float:
    if np.issubdtype(data.dtype, np.integer):
        return float(min(np.iinfo(data.dtype).max, 65535))
    highest = float(np.nanmax(data, initial=0.0))
    return next((top for top in (1.0, 65535.0) if highest <= top * 1.0001), highest)


def write_tiff16(
    path: Path | str, pixels: npt.NDArray[np.uint16], *, caption: Caption | None = None
) -> Path:
    """Write uint16 pixels (R, G, B order, already sRGB) as TIFF, losslessly compressed, atomically.

    With a caption the colour profile goes in as well.
    """
    import tifffile

    told: dict[str, Any] = {}
    if caption is not None:
        told = {
            "iccprofile": icc_profile(grey=pixels.ndim == 2),
            "description": plain_ascii(caption.text) or None,
        }
    with replacing(path) as temporary:
        tifffile.imwrite(
            temporary,
            pixels,
            photometric="rgb" if pixels.ndim == 3 else "minisblack",
            compression="zlib",
            compressionargs={"level": 1},
            predictor=True,
            rowsperstrip=256,
            metadata=None,
            software="slowglass",
            **told,
        )
    return Path(path)


def write_png(
    path: Path | str, pixels: npt.NDArray[Any], *, caption: Caption | None = None
) -> Path:
    """Write uint8 or uint16 pixels (R, G, B order) as PNG, atomically.

    With a caption the colour profile goes in as well.
    """
    import cv2

    data = _encode(pixels, ".png", [int(cv2.IMWRITE_PNG_COMPRESSION), 3])
    if caption is not None:
        data = caption_png(data, icc_profile(grey=pixels.ndim == 2), caption)
    return _put(path, data)


def write_jpeg(
    path: Path | str,
    pixels: npt.NDArray[np.uint8],
    *,
    quality: int = 92,
    caption: Caption | None = None,
) -> Path:
    """Write uint8 pixels (R, G, B order, already sRGB) as JPEG, atomically.

    With a caption the colour profile goes in as well.
    """
    return _put(path, encode_jpeg(pixels, quality=quality, caption=caption))


def encode_jpeg(
    pixels: npt.NDArray[np.uint8], *, quality: int = 92, caption: Caption | None = None
) -> bytes:
    """The bytes of :func:`write_jpeg`."""
    import cv2

    data = _encode(pixels, ".jpg", [int(cv2.IMWRITE_JPEG_QUALITY), int(quality)])
    if caption is not None:
        data = caption_jpeg(data, icc_profile(grey=pixels.ndim == 2), caption)
    return data


def _encode(pixels: npt.NDArray[Any], kind: str, options: list[int]) -> bytes:
    import cv2

    allowed = (np.uint8, np.uint16) if kind == ".png" else (np.uint8,)
    if pixels.dtype not in allowed:
        raise TypeError(f"{kind} takes {[t.__name__ for t in allowed]}, not {pixels.dtype}")
    data = np.ascontiguousarray(pixels[..., ::-1] if pixels.ndim == 3 else pixels)
    _, encoded = cv2.imencode(kind, data, options)
    return encoded.tobytes()


def _put(path: Path | str, data: bytes) -> Path:
    with replacing(path) as temporary:
        temporary.write_bytes(data)
    return Path(path)
