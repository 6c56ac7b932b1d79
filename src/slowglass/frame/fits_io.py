"""FITS in and out (astropy), for headers of every quality."""

from __future__ import annotations

import gzip
import io
import math
import warnings
import zlib
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from slowglass.errors import UnreadableFile
from slowglass.frame.atomic import replacing
from slowglass.frame.gaps import fill_gaps
from slowglass.frame.header import first_number, frame_header, number
from slowglass.frame.image import Bayer, Frame

_PATTERNS: tuple[Bayer, ...] = ("RGGB", "BGGR", "GRBG", "GBRG")
_CUT_SHORT = "copy the file again from the camera or card; it was cut short"


def read_fits(path: Path) -> Frame:
    """The first picture of a FITS file, plain, gzipped or tile-compressed."""
    content: Any = path
    size = path.stat().st_size
    with path.open("rb") as stream:
        zipped = stream.read(2) == b"\x1f\x8b"
    if zipped:
        try:
            data = gzip.decompress(path.read_bytes())
        except (OSError, EOFError, zlib.error) as error:
            raise UnreadableFile(
                path, f"the gzip stream is damaged ({error})", _CUT_SHORT
            ) from error
        if not data.startswith(b"SIMPLE"):
            raise UnreadableFile(
                path, "a gzip file with no FITS picture inside", "unpack it and pass the frames"
            )
        content, size = io.BytesIO(data), len(data)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            return _read(path, content, size)
        except UnreadableFile:
            raise
        except Exception as error:  # the parser fails in many ways on damaged files
            raise UnreadableFile(path, f"damaged FITS ({one_line(error)})", _CUT_SHORT) from error


def one_line(error: BaseException) -> str:
    """What a library's error says, as one short line."""
    return " ".join(str(error).split())[:120] or type(error).__name__


def _read(path: Path, content: Any, size: int) -> Frame:
    from astropy.io import fits

    cards: dict[str, Any] = {}
    comments: dict[str, str] = {}
    with fits.open(content, memmap=False, lazy_load_hdus=True) as hdus:
        for index, hdu in enumerate(hdus):
            _collect_cards(hdu.header, cards, comments)
            if not isinstance(hdu, fits.PrimaryHDU | fits.ImageHDU | fits.CompImageHDU):
                continue
            shape = tuple(hdu.shape)
            if len(shape) < 2 or 0 in shape:
                continue
            if not isinstance(hdu, fits.CompImageHDU):
                promised = math.prod(shape) * abs(int(hdu.header["BITPIX"])) // 8
                if promised > size:
                    raise UnreadableFile(
                        path,
                        f"the header promises {promised / 1e6:.1f} MB of pixels "
                        f"(part {index}) and the file holds {size / 1e6:.1f} MB",
                        _CUT_SHORT,
                    )
            scale = number(cards.get("BSCALE")) or 1.0, number(cards.get("BZERO")) or 0.0
            bitpix = int(hdu.header["BITPIX"])
            return _frame(path, hdu.data, bitpix, scale, cards, comments)
    raise UnreadableFile(path, "a FITS file without a picture", "pass the file with the pixels")


def _collect_cards(header: Any, cards: dict[str, Any], comments: dict[str, str]) -> None:
    """Add every readable card; a broken one is left out."""
    for card in header.cards:
        try:
            key, value, comment = str(card.keyword), card.value, str(card.comment)
        except Exception:  # a card that cannot be parsed is junk, not a reason to stop
            continue
        if key in ("", "COMMENT", "HISTORY"):
            continue
        if isinstance(value, str | int | float | bool) or value is None:
            cards[key] = value
            comments[key] = comment


def _frame(
    path: Path,
    data: npt.NDArray[Any],
    bitpix: int,
    scale: tuple[float, float],
    cards: dict[str, Any],
    comments: dict[str, str],
) -> Frame:
    shape = data.shape
    data = data.reshape([n for n in shape if n != 1] if data.ndim > 2 else shape)
    if data.ndim == 3 and data.shape[0] == 3:
        data = np.moveaxis(data, 0, 2)
    if data.ndim not in (2, 3) or (data.ndim == 3 and data.shape[2] != 3):
        raise UnreadableFile(
            path,
            f"the picture has axes {' x '.join(str(n) for n in shape)}",
            "pass a single plane or a three-colour picture",
        )
    pixels = np.ascontiguousarray(data, dtype=np.float32)
    pixels, gaps = fill_gaps(pixels)
    white = _white_adu(pixels, bitpix, scale, cards)
    header = frame_header(cards, comments)
    history = [f"read from {path.name}"]
    if gaps:
        history.append(f"{gaps} pixels without a number filled by the local median")
    return Frame(
        pixels=pixels,
        header=header,
        bayer=bayer_from_cards(cards, pixels.shape[0]) if pixels.ndim == 2 else None,
        white_adu=white,
        path=str(path),
        history=tuple(history),
    )


def _white_adu(
    pixels: npt.NDArray[np.float32],
    bitpix: int,
    scale: tuple[float, float],
    cards: Mapping[str, Any],
) -> float:
    """The clipping level: stated, else the top of the integer type, else the data's own range."""
    stated = first_number(cards, "SATURATE", "SATLEVEL")
    if stated is not None and stated > 0:
        return stated
    if bitpix in (8, 16):
        top = 255 if bitpix == 8 else 32767
        return float(top * scale[0] + scale[1])
    highest = float(pixels.max(initial=0.0))
    for usual in (1.0, 65535.0):
        if highest <= usual * 1.0001:
            return usual
    return highest


def bayer_from_cards(cards: Mapping[str, Any], height_px: int) -> Bayer | None:
    """Colour of the stored pixel [0, 0] and its neighbours from BAYERPAT and its companions.

    XBAYROFF and YBAYROFF say how far into the pattern the first pixel lies. With ROWORDER
    BOTTOM-UP the pattern is stated from the picture's top, which is the last stored row.
    """
    word = str(cards.get("BAYERPAT") or cards.get("COLORTYP") or "").strip().upper()
    if word not in _PATTERNS:
        return None
    x = int(number(cards.get("XBAYROFF")) or 0)
    y = int(number(cards.get("YBAYROFF")) or 0)
    if str(cards.get("ROWORDER", "")).strip().upper() == "BOTTOM-UP":
        y += height_px - 1
    return shift_bayer(word, x, y)


def shift_bayer(pattern: str, columns: int, rows: int) -> Bayer:
    """The pattern as seen from a pixel ``columns`` to the right and ``rows`` further down."""
    x, y = columns % 2, rows % 2
    letters = [pattern[2 * ((r + y) % 2) + (c + x) % 2] for r in (0, 1) for c in (0, 1)]
    found = "".join(letters)
    return next(p for p in _PATTERNS if p == found)


def write_fits(
    path: Path | str,
    pixels: npt.NDArray[Any],
    *,
    cards: Mapping[str, Any] | None = None,
    history: Iterable[str] = (),
    dtype: Literal["float32", "uint16"] = "float32",
    extensions: Sequence[Any] = (),
) -> Path:
    """Write a picture as FITS, atomically, and return its path.

    (rows, columns, 3) pixels become three planes. "uint16" rounds and clips to 0–65535. Cards
    that FITS cannot hold (long keys, odd types, structure) are left out. ``extensions`` (astropy
    HDUs) follow the picture.
    """
    from astropy.io import fits

    data = np.asarray(pixels)
    if data.ndim == 3:
        data = np.moveaxis(data, 2, 0)
    if dtype == "uint16":
        data = np.clip(np.rint(np.nan_to_num(data)), 0, 65535).astype(np.uint16)
    else:
        data = np.ascontiguousarray(data, dtype=np.float32)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        hdu = fits.PrimaryHDU(data)
        for key, value in (cards or {}).items():
            _add_card(hdu.header, key, value)
        for line in history:
            hdu.header.add_history(_ascii(line))
        with replacing(path) as temporary:
            fits.HDUList([hdu, *extensions]).writeto(temporary, overwrite=True)
    return Path(path)


_STRUCTURE = {"SIMPLE", "BITPIX", "EXTEND", "END", "BSCALE", "BZERO", "BLANK", "PCOUNT", "GCOUNT"}
_STRUCTURE |= {"XTENSION", "EXTNAME", "CHECKSUM", "DATASUM", "COMMENT", "HISTORY", ""}


def _ascii(text: str) -> str:
    plain = text.encode("ascii", "replace").decode("ascii")
    return "".join(c if c.isprintable() else " " for c in plain)


def _add_card(header: Any, key: str, value: Any) -> None:
    name = key.upper().strip()
    if name in _STRUCTURE or name.startswith("NAXIS") or len(name) > 8:
        return
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return
    if isinstance(value, str):
        value = _ascii(value)
    try:
        header[name] = value
    except Exception:  # what FITS cannot hold is left out
        header.remove(name, ignore_missing=True)
