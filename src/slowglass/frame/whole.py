"""Whether a file is all there, told by its own structure and not by waiting.

Cameras and copying programs write a frame bit by bit, some stall half-way, and some set the
final size first and fill it later. Each format says how long it must be; nothing is decoded
here, so a look costs a few reads.

Sources: FITS standard 4.0 (2018), §3.1 and §4.4.1 (blocks of 2880 bytes, data size from BITPIX,
NAXISn, PCOUNT, GCOUNT); TIFF 6.0 (1992), §2 (offsets and byte counts of strips and tiles);
ISO/IEC 14496-12 §4.2 (boxes); ITU-T T.81 Annex B (EOI marker); PNG specification, IEND chunk.
"""

from __future__ import annotations

import struct
from pathlib import Path
from typing import BinaryIO

BLOCK = 2880
_LENGTHS = {1: 1, 2: 1, 3: 2, 4: 4, 6: 1, 7: 1, 8: 2, 9: 4, 13: 4}
"""Bytes of one value of a TIFF field type that can hold an offset or a count."""
_STARTS, _COUNTS = (273, 324), (279, 325)
_SUB_PAGES = 330
_MOST_PAGES = 32
_MOST_HEADER_BLOCKS = 400


def missing_part(path: Path) -> str:
    """What shows that a file is not all there yet; "" when nothing does.

    Formats whose length cannot be told give "". A file that cannot be opened at all is told
    as such: some systems lock a file while it is written.
    """
    try:
        with path.open("rb") as stream:
            size = stream.seek(0, 2)
            stream.seek(0)
            head = stream.read(16)
            if not head:
                return "it is still empty"
            if head.startswith(b"SIMPLE"):
                return _fits(stream, size)
            if head.startswith(b"\xff\xd8\xff"):
                return _jpeg(stream, size)
            if head.startswith(b"\x89PNG"):
                return _ends_with(stream, size, b"IEND\xaeB`\x82")
            if head[:4] in (b"II*\x00", b"MM\x00*"):
                return _tiff(stream, size, "<" if head[:1] == b"I" else ">")
            if head[4:8] == b"ftyp":
                return _boxes(stream, size)
    except OSError as error:
        return f"it cannot be opened ({error.strerror or error})"
    except (struct.error, ValueError):
        return "its structure ends too early"
    return ""


def _short(size: int, needed: int) -> str:
    return "" if size >= needed else f"{size} of {needed} bytes are there"


def _fits(stream: BinaryIO, size: int) -> str:
    """Primary header and its data; extensions that follow may come later, blocks must be whole."""
    cards: dict[str, int] = {}
    stream.seek(0)
    for _ in range(_MOST_HEADER_BLOCKS):
        block = stream.read(BLOCK)
        if len(block) < BLOCK:
            return "its header has no end yet"
        for start in range(0, BLOCK, 80):
            card = block[start : start + 80].decode("ascii", errors="replace")
            name = card[:8].strip()
            if name == "END":
                return _short(size, stream.tell() + _fits_data(cards))
            if name in ("BITPIX", "PCOUNT", "GCOUNT") or name.startswith("NAXIS"):
                value = card[10:].partition("/")[0].strip()
                if value.lstrip("-").isdigit():
                    cards[name] = int(value)
    return ""


def _fits_data(cards: dict[str, int]) -> int:
    pixels = 1 if cards.get("NAXIS", 0) else 0
    for axis in range(1, cards.get("NAXIS", 0) + 1):
        pixels *= cards.get(f"NAXIS{axis}", 0)
    return (
        abs(cards.get("BITPIX", 8))
        // 8
        * cards.get("GCOUNT", 1)
        * (cards.get("PCOUNT", 0) + pixels)
    )


def _jpeg(stream: BinaryIO, size: int) -> str:
    """The end marker, near the end: some cameras add notes behind it."""
    stream.seek(max(0, size - 65536))
    return "" if b"\xff\xd9" in stream.read() else "its end marker is missing"


def _ends_with(stream: BinaryIO, size: int, mark: bytes) -> str:
    stream.seek(max(0, size - 64))
    return "" if mark in stream.read() else "its end marker is missing"


def _boxes(stream: BinaryIO, size: int) -> str:
    """Boxes one after another, each saying its length."""
    place = 0
    while place < size:
        stream.seek(place)
        head = stream.read(16)
        if len(head) < 8:
            return "its last part is cut"
        length = struct.unpack(">I", head[:4])[0]
        if length == 1:
            length = struct.unpack(">Q", head[8:16])[0]
        if length == 0:
            return ""  # runs to the end of the file, whatever that is
        if length < 8:
            return ""  # no box: zeros or notes of a maker's own behind the last one
        place += length
    return _short(size, place)


def _tiff(stream: BinaryIO, size: int, order: str) -> str:
    """Every directory and every strip or tile inside the file, and the last one not all zeros."""
    stream.seek(4)
    todo = [struct.unpack(order + "I", stream.read(4))[0]]
    seen: set[int] = set()
    furthest = (0, 0)
    while todo and len(seen) < _MOST_PAGES:
        offset = todo.pop()
        if not offset or offset in seen:
            continue
        if offset + 2 > size:
            return _short(size, offset + 2)
        seen.add(offset)
        stream.seek(offset)
        count = struct.unpack(order + "H", stream.read(2))[0]
        table = stream.read(12 * count + 4)
        if len(table) < 12 * count + 4:
            return "its directory is cut"
        fields = {}
        for k in range(count):
            tag, kind, number = struct.unpack_from(order + "HHI", table, 12 * k)
            if tag in (*_STARTS, *_COUNTS, _SUB_PAGES) and kind in _LENGTHS:
                fields[tag] = _values(stream, order, table[12 * k + 8 : 12 * k + 12], kind, number)
        todo.extend(fields.get(_SUB_PAGES, ()))
        todo.append(struct.unpack_from(order + "I", table, 12 * count)[0])
        for start_tag, count_tag in zip(_STARTS, _COUNTS, strict=True):
            for start, length in zip(
                fields.get(start_tag, ()), fields.get(count_tag, ()), strict=False
            ):
                furthest = max(furthest, (start + length, length))
    end, length = furthest
    if size < end:
        return _short(size, end)
    tail = min(length, 4096)
    stream.seek(end - tail)
    if tail >= 512 and not any(stream.read(tail)):
        return "its last part is still blank"
    return ""


def _values(stream: BinaryIO, order: str, inline: bytes, kind: int, number: int) -> list[int]:
    width = _LENGTHS[kind]
    letter = {1: "B", 2: "H", 4: "I"}[width]
    raw = inline
    if width * number > 4:
        stream.seek(struct.unpack(order + "I", inline)[0])
        raw = stream.read(width * number)
    return list(struct.unpack_from(f"{order}{number}{letter}", raw))
