"""Reading a frame of any supported format, told by its content and not by its name."""

from __future__ import annotations

import os
from datetime import UTC, tzinfo
from pathlib import Path
from typing import Any

from slowglass.errors import UnreadableFile, UsageError
from slowglass.frame.image import Frame, FrameHeader

RAW_SUFFIXES = frozenset(
    {".cr2", ".cr3", ".nef", ".arw", ".raf", ".orf", ".rw2", ".pef", ".dng", ".nrw", ".srw"}
)
FITS_SUFFIXES = frozenset({".fits", ".fit", ".fts", ".fz"})
PICTURE_SUFFIXES = frozenset({".tif", ".tiff", ".png", ".jpg", ".jpeg"})
IMAGE_SUFFIXES = RAW_SUFFIXES | FITS_SUFFIXES | PICTURE_SUFFIXES
"""Suffixes looked for in a folder, lower case; ``.fits.gz`` and the like count as well."""
WCS_SUFFIX = ".wcs.fits"
"""A solution saved beside its frame: a header without a picture, so no frame."""

_TIFF_HEADS = (b"II*\x00", b"MM\x00*", b"II+\x00", b"MM\x00+")
_DNG_VERSION, _CFA, _LINEAR_RAW = 50706, 32803, 34892


def is_image_name(path: Path) -> bool:
    """True where the name ends like a frame's."""
    suffixes = [s.lower() for s in path.suffixes[-2:]]
    if not suffixes or path.name.startswith(".") or path.name.lower().endswith(WCS_SUFFIX):
        return False
    if suffixes[-1] == ".gz":
        return len(suffixes) == 2 and suffixes[0] in FITS_SUFFIXES
    return suffixes[-1] in IMAGE_SUFFIXES


def list_frames(folder: Path | str) -> list[Path]:
    """Every frame file in a folder and its sub-folders, by name; hidden ones are left out."""
    root = Path(folder)
    if not root.is_dir():
        raise UsageError(f"{root} is not a folder", "name the folder that holds the frames")
    found: list[Path] = []
    for place, folders, names in os.walk(root):  # a folder that goes away meanwhile is no fault
        folders[:] = [name for name in folders if not name.startswith(".")]
        found += [Path(place) / name for name in names]
    return sorted(path for path in found if is_image_name(path) and path.is_file())


def read_frame(path: Path | str, *, clock_zone: tzinfo = UTC) -> Frame:
    """One exposure as float32 linear ADU above black.

    Camera raw, FITS (plain, gzip, tile-compressed), TIFF, PNG and JPEG. ``clock_zone`` is the
    zone of a camera's clock where the file does not state one. Raises UnreadableFile, in one
    line with the cure, for anything else and for damaged files.
    """
    from slowglass.frame.fits_io import read_fits
    from slowglass.frame.picture_io import read_jpeg, read_png, read_tiff
    from slowglass.frame.raw_io import read_raw

    file = Path(path)
    head = _head(file)
    if head.startswith((b"SIMPLE", b"\x1f\x8b")):
        return read_fits(file)
    if head.startswith(b"\x89PNG\r\n\x1a\n"):
        return read_png(file)
    if head.startswith(b"\xff\xd8\xff"):
        return read_jpeg(file, clock_zone=clock_zone)
    if _is_raw(file, head):
        return read_raw(file, clock_zone=clock_zone)
    if head[:4] in _TIFF_HEADS:
        return read_tiff(file, clock_zone=clock_zone)
    if _looks_like_text(head):
        raise UnreadableFile(file, "text, not a picture", "pass a camera raw or FITS frame")
    raise UnreadableFile(
        file,
        "not a picture in a format known here",
        "pass camera raw, FITS, TIFF, PNG or JPEG",
    )


def open_raw(path: Path | str) -> tuple[tuple[int, int], FrameHeader] | None:
    """Rows and columns of a camera raw file, and its header, without decoding a pixel.

    None for a file of any other format; raises UnreadableFile like :func:`read_frame`.
    """
    from slowglass.frame.raw_io import read_raw_header

    file = Path(path)
    return read_raw_header(file) if _is_raw(file, _head(file)) else None


def _is_raw(file: Path, head: bytes) -> bool:
    if head[:4] in _TIFF_HEADS:
        return _is_raw_tiff(file, head)
    if head.startswith((b"SIMPLE", b"\x1f\x8b", b"\x89PNG", b"\xff\xd8\xff")):
        return False
    if _looks_like_text(head):
        return False
    return file.suffix.lower() in RAW_SUFFIXES or head[4:8] == b"ftyp" or b"CCD-RAW" in head[:24]


def _head(file: Path) -> bytes:
    if file.is_dir():
        raise UnreadableFile(file, "a folder, not a file", "name a frame inside it")
    try:
        with file.open("rb") as stream:
            head = stream.read(512)
    except FileNotFoundError as error:
        raise UnreadableFile(file, "no such file", "check the name and the folder") from error
    except OSError as error:
        raise UnreadableFile(
            file, f"cannot be opened ({error.strerror or error})", "check its permissions"
        ) from error
    if not head:
        raise UnreadableFile(file, "empty (0 bytes)", "copy it again from the camera or card")
    return head


def _looks_like_text(head: bytes) -> bool:
    return all(32 <= b < 127 or b in b"\t\r\n\f" or b >= 0xC2 for b in head)


def _is_raw_tiff(file: Path, head: bytes) -> bool:
    """Whether a TIFF holds sensor data: DNG by its tag, others by a mosaic page or the suffix."""
    if head[8:10] == b"CR" or file.suffix.lower() in RAW_SUFFIXES:
        return True
    import logging

    import tifffile

    logging.getLogger("tifffile").setLevel(logging.CRITICAL)
    try:
        with tifffile.TiffFile(file) as tiff:
            first: Any = tiff.pages[0]
            if _DNG_VERSION in first.tags:
                return True
            pages = [first, *(first.pages or [])]
            return any(int(p.tags.get(262).value) in (_CFA, _LINEAR_RAW) for p in pages)
    except Exception:  # a damaged file: the TIFF reader words the complaint
        return False
