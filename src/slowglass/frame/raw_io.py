"""Camera raw files in (rawpy): the mosaic as the sensor gave it, black level subtracted."""

from __future__ import annotations

import math
import os
import threading
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from pathlib import Path
from typing import Any

import numpy as np

from slowglass.errors import UnreadableFile
from slowglass.frame.fits_io import shift_bayer
from slowglass.frame.image import Bayer, Frame, FrameHeader

_CURE = "copy it again from the card, or convert it to DNG or 16-bit TIFF"


@dataclass(frozen=True)
class Exif:
    """What EXIF tags say; ``None`` where they say nothing."""

    exposure_s: float | None = None
    iso: int | None = None
    taken: datetime | None = None
    zone_stated: bool = False
    camera: str | None = None
    focal_length_mm: float | None = None
    cards: dict[str, str] | None = None


def read_raw(path: Path, *, clock_zone: tzinfo = UTC) -> Frame:
    """The active area of a camera raw file.

    ``clock_zone`` is the zone of the camera's clock where the file does not state one.
    """
    import rawpy

    try:
        with _native_messages_hushed, rawpy.imread(str(path)) as raw:
            return _frame(path, raw, clock_zone)
    except rawpy.LibRawError as error:
        raise _no_raw(path, error) from error


def read_raw_header(path: Path, *, clock_zone: tzinfo = UTC) -> tuple[tuple[int, int], FrameHeader]:
    """Rows and columns of a camera raw file's active area, and its header; nothing is decoded."""
    import rawpy

    try:
        with _native_messages_hushed, rawpy.imread(str(path)) as raw:
            size = (int(raw.sizes.height), int(raw.sizes.width))
            return size, _header(path, raw, clock_zone)[0]
    except rawpy.LibRawError as error:
        raise _no_raw(path, error) from error


def _no_raw(path: Path, error: Exception) -> UnreadableFile:
    text = error.args[0] if error.args else error
    text = text.decode("ascii", "replace") if isinstance(text, bytes) else str(text)
    return UnreadableFile(path, f"not a readable camera raw file ({text})", _CURE)


class _Hush:
    """Standard error pointed nowhere while any thread is inside."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._inside = 0
        self._kept: int | None = None

    def __enter__(self) -> None:
        with self._lock:
            self._inside += 1
            if self._inside > 1:
                return
            try:
                self._kept = os.dup(2)
            except OSError:  # no standard error to keep clean
                self._kept = None
                return
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, 2)
            os.close(nowhere)

    def __exit__(self, *_: object) -> None:
        with self._lock:
            self._inside -= 1
            if self._inside == 0 and self._kept is not None:
                os.dup2(self._kept, 2)
                os.close(self._kept)
                self._kept = None


_native_messages_hushed = _Hush()
"""LibRaw prints its own line about a damaged file past Python; the error raised says it all."""


def _frame(path: Path, raw: Any, clock_zone: tzinfo) -> Frame:
    stored = raw.raw_image_visible  # decodes; black levels are only settled after this
    if stored is None:
        raise UnreadableFile(path, "no sensor data inside", _CURE)
    blacks = np.asarray(raw.black_level_per_channel, dtype=np.float32)
    if np.ptp(blacks) == 0:  # the usual case, in one pass over the pixels
        pixels = np.subtract(stored, blacks[0], dtype=np.float32)
        blacks_left = np.zeros_like(blacks)
    else:
        pixels, blacks_left = np.array(stored, dtype=np.float32), blacks
    bayer: Bayer | None = None
    if pixels.ndim == 3:
        pixels = np.ascontiguousarray(pixels[..., :3]) - blacks_left[:3]
    else:
        pattern = raw.raw_pattern
        if pattern is None or raw.num_colors == 1:
            pixels -= blacks_left[0]
        elif pattern.shape != (2, 2):
            raise UnreadableFile(
                path,
                f"its colour mosaic repeats every {pattern.shape[0]} pixels, not every 2",
                "develop it to a 16-bit TIFF without sharpening and pass that",
            )
        else:
            bayer = _bayer(path, pattern, raw.color_desc.decode("ascii", "replace"))
            if blacks_left.any():
                for row in (0, 1):
                    for column in (0, 1):
                        pixels[row::2, column::2] -= blacks_left[pattern[row, column]]
    white = float(raw.white_level) - float(blacks.max())
    header, notes = _header(path, raw, clock_zone)
    return Frame(
        pixels=pixels,
        header=header,
        bayer=bayer,
        white_adu=white if white > 0 else 65535.0,
        black_adu=float(blacks.mean()),
        path=str(path),
        history=(f"read from {path.name}, black level {blacks.mean():.0f} subtracted", *notes),
    )


def _bayer(path: Path, pattern: Any, letters: str) -> Bayer:
    word = "".join(letters[i] for i in np.asarray(pattern).ravel())
    if sorted(word) != ["B", "G", "G", "R"]:
        raise UnreadableFile(
            path, f"its mosaic is {word}, not red, green and blue", "develop it to a 16-bit TIFF"
        )
    return shift_bayer(word, 0, 0)


def _header(path: Path, raw: Any, clock_zone: tzinfo) -> tuple[FrameHeader, list[str]]:
    exif = read_exif(path, clock_zone=clock_zone)
    exposure_s, iso, taken, focal = exif.exposure_s, exif.iso, exif.taken, exif.focal_length_mm
    # asking the decoder has it decode the pixels: only for what the tags do not say
    silent = None in (exposure_s, iso, taken)
    other = getattr(raw, "other", None) if silent else None
    if other is not None and float(other.iso_speed) > 0:  # 0 is what an absent block reads as
        iso = iso or int(other.iso_speed)
        if exposure_s is None and other.shutter_speed > 0:
            exposure_s = float(other.shutter_speed)
        if focal is None and other.focal_length > 0:
            focal = float(other.focal_length)
        if taken is None and other.timestamp.year > 1990:
            taken = other.timestamp.replace(tzinfo=clock_zone).astimezone(UTC)
    notes = []
    if taken is not None and not exif.zone_stated:
        notes.append(f"the camera's clock states no time zone: read as {clock_zone}")
    return (
        FrameHeader(
            exposure_s=exposure_s,
            start_utc=taken,
            iso=iso,
            camera=exif.camera,
            focal_length_mm=focal,
            cards=exif.cards or {},
        ),
        notes,
    )


def read_exif(path: Path, *, clock_zone: tzinfo = UTC) -> Exif:
    """The EXIF tags of a raw, TIFF or JPEG file; empty when there are none or they are damaged."""
    import logging

    import exifread

    logging.getLogger("exifread").setLevel(logging.CRITICAL)
    try:
        with path.open("rb") as stream:
            tags = exifread.process_file(stream, details=False)
    except Exception:  # the parser fails in many ways on damaged files; tags are a courtesy
        return Exif()

    def value(name: str) -> Any:
        for group in ("EXIF", "Image"):
            tag = tags.get(f"{group} {name}")
            if tag is not None and getattr(tag, "values", None):
                return tag.values if isinstance(tag.values, str) else tag.values[0]
        return None

    def positive(name: str) -> float | None:
        try:
            found = float(value(name))
        except (TypeError, ValueError, ZeroDivisionError):
            return None
        return found if math.isfinite(found) and found > 0 else None

    taken, stated = _exif_time(value, clock_zone)
    iso = positive("ISOSpeedRatings") or positive("PhotographicSensitivity")
    model = value("Model") or value("UniqueCameraModel")
    return Exif(
        exposure_s=positive("ExposureTime"),
        iso=int(iso) if iso else None,
        taken=taken,
        zone_stated=stated,
        camera=str(model).strip() or None if model else None,
        focal_length_mm=positive("FocalLength"),
        cards={
            str(k): str(v)
            for k, v in tags.items()
            if not isinstance(v, bytes) and len(str(v)) < 200
        },
    )


def _exif_time(value: Any, clock_zone: tzinfo) -> tuple[datetime | None, bool]:
    """UTC time of the exposure and whether its zone was stated."""
    zone, stated = clock_zone, False
    offset = str(value("OffsetTimeOriginal") or value("OffsetTime") or "").strip()
    if len(offset) == 6 and offset[0] in "+-" and offset[3] == ":":
        try:
            shift = timedelta(hours=int(offset[1:3]), minutes=int(offset[4:6]))
            zone, stated = timezone(shift if offset[0] == "+" else -shift), True
        except ValueError:
            pass
    for name, fraction_name in (
        ("DateTimeOriginal", "SubSecTimeOriginal"),
        ("DateTime", "SubSecTime"),
    ):
        try:
            moment = datetime.strptime(str(value(name)).strip(), "%Y:%m:%d %H:%M:%S")
        except ValueError:
            continue
        fraction = str(value(fraction_name) or "").strip()
        if fraction.isdigit():
            moment += timedelta(seconds=float(f"0.{fraction}"))
        return moment.replace(tzinfo=zone).astimezone(UTC), stated
    return None, False
