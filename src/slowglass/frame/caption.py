"""What a picture says of itself: colour profile and caption, put into PNG and JPEG bytes.

Pure functions on bytes. PNG chunks after the PNG specification (third edition, 2023: iCCP,
iTXt, eXIf); JPEG segments after ICC.1:2001-04 annex B and EXIF 2.3. Caption text in EXIF is
ASCII, as the standard wants.
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass
from datetime import UTC, datetime
from fractions import Fraction

SOFTWARE = "slowglass"
_TEXT, _LONG, _RATIONAL = 2, 4, 5


@dataclass(frozen=True)
class Caption:
    """A picture's title and description, and when and how long light was gathered."""

    title: str = ""
    description: str = ""
    taken_utc: datetime | None = None
    exposure_s: float | None = None

    @property
    def text(self) -> str:
        """Title and description on one line."""
        return ". ".join(part for part in (self.title, self.description) if part)


def plain_ascii(text: str) -> str:
    """The text in ASCII, the signs of the trade spelled out."""
    for sign, word in (
        ("−", "-"), ("–", "-"), ("×", "x"), ("·", "*"), ("′", "'"), ("″", '"'), ("°", " deg"),
        ("²", "2"), ("’", "'"), ("…", "..."), ("“", '"'), ("”", '"'),
    ):  # fmt: skip
        text = text.replace(sign, word)
    return text.encode("ascii", "replace").decode("ascii")


def caption_png(png: bytes, profile: bytes, caption: Caption) -> bytes:
    """The PNG with profile and caption right after its header."""
    end = 8 + 12 + struct.unpack(">I", png[8:12])[0]
    parts = [_chunk(b"iCCP", b"sRGB\0\0" + zlib.compress(profile, 9))]
    texts = (
        ("Title", caption.title), ("Description", caption.description), ("Software", SOFTWARE)
    )  # fmt: skip
    parts += [
        _chunk(b"iTXt", key.encode("latin-1") + b"\0\0\0\0\0" + value.encode("utf-8"))
        for key, value in texts
        if value
    ]
    parts.append(_chunk(b"eXIf", exif_block(caption)))
    return png[:end] + b"".join(parts) + png[end:]


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


def caption_jpeg(jpeg: bytes, profile: bytes, caption: Caption) -> bytes:
    """The JPEG with EXIF and profile segments behind its JFIF header."""
    start = 2
    if jpeg[2:4] == b"\xff\xe0":
        start = 4 + struct.unpack(">H", jpeg[4:6])[0]
    exif = b"Exif\0\0" + exif_block(caption)
    icc = b"ICC_PROFILE\0\x01\x01" + profile
    return jpeg[:start] + _segment(0xE1, exif) + _segment(0xE2, icc) + jpeg[start:]


def _segment(marker: int, data: bytes) -> bytes:
    return bytes((0xFF, marker)) + struct.pack(">H", len(data) + 2) + data


def exif_block(caption: Caption) -> bytes:
    """EXIF as a small TIFF: description, software, time and exposure."""
    first: list[tuple[int, int, bytes]] = [(0x0131, _TEXT, _text(SOFTWARE))]
    if caption.text:
        first.insert(0, (0x010E, _TEXT, _text(caption.text)))
    detail: list[tuple[int, int, bytes]] = []
    if caption.exposure_s:
        share = Fraction(caption.exposure_s).limit_denominator(10000)
        pair = struct.pack("<II", share.numerator, share.denominator)
        detail.append((0x829A, _RATIONAL, pair))
    if caption.taken_utc is not None:
        moment = caption.taken_utc.astimezone(UTC).strftime("%Y:%m:%d %H:%M:%S")
        detail += [(0x9003, _TEXT, _text(moment)), (0x9011, _TEXT, _text("+00:00"))]
    head = b"II*\0" + struct.pack("<I", 8)
    if not detail:
        return head + _directory(first, 8)
    pointer = (0x8769, _LONG, struct.pack("<I", 0))
    size = len(_directory([*first, pointer], 8))
    pointer = (0x8769, _LONG, struct.pack("<I", 8 + size))
    return head + _directory([*first, pointer], 8) + _directory(detail, 8 + size)


def _text(value: str) -> bytes:
    return plain_ascii(value).encode("ascii") + b"\0"


def _directory(entries: list[tuple[int, int, bytes]], offset: int) -> bytes:
    """A TIFF directory that starts at ``offset``, its longer values behind it."""
    sizes = {_TEXT: 1, _LONG: 4, _RATIONAL: 8}
    behind = offset + 2 + 12 * len(entries) + 4
    table, data = struct.pack("<H", len(entries)), b""
    for tag, kind, value in entries:
        count = len(value) // sizes[kind]
        place = value.ljust(4, b"\0")
        if len(value) > 4:
            place = struct.pack("<I", behind + len(data))
            data += value + bytes(len(value) % 2)
        table += struct.pack("<HHI", tag, kind, count) + place
    return table + struct.pack("<I", 0) + data
