"""Pictures opened for looking at: read once, kept as levels in bounded memory, served as squares.

Memory: levels hold 4 bytes a pixel for a mosaic of whole numbers (96 MB at 24 megapixels), at
most 14 for a floating-point colour picture (340 MB); ``MOST_BYTES`` bounds their sum. While one
is being opened its float32 pixels come on top; one is opened at a time.
"""

from __future__ import annotations

import hashlib
import threading
from collections import OrderedDict
from dataclasses import dataclass, replace
from datetime import UTC, tzinfo
from pathlib import Path

import numpy as np

from slowglass.errors import UnreadableFile
from slowglass.frame.adjust import Adjustment, adjusted, finished_shade
from slowglass.frame.image import Frame, FrameHeader
from slowglass.frame.io import read_frame
from slowglass.frame.screen import srgb_to_linear
from slowglass.frame.stretch import to_8bit
from slowglass.frame.tiles import Eight, Pyramid, build_pyramid, level_light, tile

MOST_BYTES = 700_000_000
"""Two floating-point colour pictures of 24 megapixels; seven raw frames."""
MOST_PIXELS = 160_000_000
JPEG_QUALITY = 92
_MAKE = "1"
"""Part of every stamp: another make of squares must not meet those in a browser's store."""


@dataclass(frozen=True, eq=False)
class Shown:
    """A picture opened for looking at; ``stamp`` changes when the file does."""

    path: Path
    stamp: str
    pyramid: Pyramid
    header: FrameHeader
    unit: str
    white_adu: float

    @property
    def width_px(self) -> int:
        """Columns."""
        return int(self.pyramid.pixels.shape[1])

    @property
    def height_px(self) -> int:
        """Rows."""
        return int(self.pyramid.pixels.shape[0])


class Shelf:
    """The pictures looked at last, within ``most_bytes``; the newest stays whatever its size."""

    def __init__(self, most_bytes: int = MOST_BYTES) -> None:
        self.most_bytes = most_bytes
        self._held: OrderedDict[str, Shown] = OrderedDict()
        self._lock = threading.Lock()
        self._opening: dict[str, threading.Lock] = {}
        self._reading = threading.Lock()

    @property
    def nbytes(self) -> int:
        """Memory held."""
        with self._lock:
            return sum(shown.pyramid.nbytes for shown in self._held.values())

    @property
    def busy(self) -> bool:
        """True while a picture is being opened."""
        return bool(self._opening)

    def open(self, path: Path, *, clock_zone: tzinfo = UTC) -> Shown:
        """The picture in a file, read when it is not held; ``UnreadableFile``.

        Many threads may ask for one picture at once: it is read once.
        """
        stamp = stamp_of(path)
        with self._lock:
            held = self._taken(stamp)
            if held is not None:
                return held
            turn = self._opening.setdefault(stamp, threading.Lock())
        with turn:
            with self._lock:
                held = self._taken(stamp)
            if held is not None:
                return held
            try:
                with self._reading:
                    shown = _shown(path, stamp, read_frame(path, clock_zone=clock_zone))
                self._put(stamp, shown)
            finally:
                with self._lock:
                    self._opening.pop(stamp, None)
        return shown

    def _taken(self, stamp: str) -> Shown | None:
        held = self._held.get(stamp)
        if held is not None:
            self._held.move_to_end(stamp)
        return held

    def _put(self, stamp: str, shown: Shown) -> None:
        with self._lock:
            self._held[stamp] = shown
            total = sum(one.pyramid.nbytes for one in self._held.values())
            while total > self.most_bytes and len(self._held) > 1:
                _, left = self._held.popitem(last=False)
                total -= left.pyramid.nbytes


def stamp_of(path: Path) -> str:
    """A short name for a file as it is now; ``UnreadableFile`` where it cannot be looked at."""
    try:
        state = path.stat()
    except OSError as error:
        raise UnreadableFile(
            path, f"cannot be looked at ({error.strerror or error})", "check the name"
        ) from error
    text = f"{_MAKE} {path.resolve()} {state.st_size} {state.st_mtime_ns}"
    return hashlib.blake2b(text.encode("utf-8", "surrogateescape"), digest_size=8).hexdigest()


def _shown(path: Path, stamp: str, frame: Frame) -> Shown:
    if frame.width_px * frame.height_px > MOST_PIXELS:
        raise UnreadableFile(
            path,
            f"{frame.width_px} × {frame.height_px} px are more than can be held here",
            "cut the picture, or halve its size",
        )
    if has_profile(path) and not _was_finished(frame):
        top = frame.white_adu
        light = np.asarray(srgb_to_linear(frame.pixels / top) * top, dtype=np.float32)
        frame = replace(frame, pixels=light)
        finished = True
    else:
        finished = _was_finished(frame)
    pyramid = build_pyramid(
        frame.pixels, bayer=frame.bayer, finished=finished, white=frame.white_adu
    )
    return Shown(path, stamp, pyramid, frame.header, frame.unit, frame.white_adu)


def _was_finished(frame: Frame) -> bool:
    """Whether the reader had to undo a tone curve."""
    return any("sRGB" in step for step in frame.history)


def has_profile(path: Path) -> bool:
    """Whether a TIFF or PNG says how a screen shall show it: then it was made for the eye."""
    try:
        with path.open("rb") as stream:
            head = stream.read(4096)
    except OSError:
        return False
    if head.startswith(b"\x89PNG"):
        return b"iCCP" in head or b"sRGB" in head
    if head[:2] not in (b"II", b"MM"):
        return False
    import tifffile

    try:
        with tifffile.TiffFile(path) as tiff:
            return 34675 in tiff.pages.first.tags
    except Exception:  # the parser fails in many ways on damaged files
        return False


def encode_tile(shown: Shown, level: int, column: int, row: int, coding: int) -> tuple[bytes, str]:
    """One square and its media type: the pixels themselves without loss, means of them as JPEG.

    ``IndexError`` where there is no such square.
    """
    import cv2

    square = tile(shown.pyramid, level, column, row, coding)
    data = np.ascontiguousarray(square[..., ::-1]) if square.ndim == 3 else square
    if level:
        return _jpeg(data), "image/jpeg"
    quick = [
        int(cv2.IMWRITE_PNG_COMPRESSION), 1,
        int(cv2.IMWRITE_PNG_STRATEGY), int(cv2.IMWRITE_PNG_STRATEGY_HUFFMAN_ONLY),
    ]  # fmt: skip
    _, encoded = cv2.imencode(".png", data, quick)
    return encoded.tobytes(), "image/png"


def encode_quick(shown: Shown, *, longest_px: int, by: Adjustment, grey: bool) -> bytes:
    """The whole picture as a JPEG of at most ``longest_px``, in R, G, B or ``grey``."""
    return _jpeg(np.ascontiguousarray(_channels_back(quick_look(shown, longest_px, by, grey))))


def quick_look(shown: Shown, longest_px: int, by: Adjustment, grey: bool) -> Eight:
    """The whole picture for the eye, from the first level that fits."""
    pyramid = shown.pyramid
    sizes = pyramid.sizes[1:]
    level = next((i for i, size in enumerate(sizes, 1) if max(size) <= longest_px), len(sizes))
    light = level_light(pyramid, level)
    if pyramid.finished:
        shade = finished_shade(light / shown.white_adu, by)
        if grey:
            shade = shade.mean(axis=2, keepdims=True)
        return _squeezed(np.rint(shade * 255.0).astype(np.uint8))
    stretch = adjusted(pyramid.stretch, pyramid.sky, by)
    if grey and pyramid.channels == 3:
        light = light.mean(axis=2, keepdims=True, dtype=np.float32)
        stretch = replace(stretch, black=(float(np.mean(stretch.black)),))
    return to_8bit(_squeezed(light), stretch)


def _squeezed(picture: np.ndarray) -> np.ndarray:
    return picture[..., 0] if picture.shape[2] == 1 else picture


def _channels_back(picture: Eight) -> Eight:
    return picture[..., ::-1] if picture.ndim == 3 else picture


def _jpeg(data: Eight) -> bytes:
    import cv2

    options = [
        int(cv2.IMWRITE_JPEG_QUALITY), JPEG_QUALITY,
        int(cv2.IMWRITE_JPEG_SAMPLING_FACTOR), int(cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444),
    ]  # fmt: skip
    _, encoded = cv2.imencode(".jpg", data, options)
    return encoded.tobytes()
