"""What a screen's numbers mean: the sRGB curve, its primaries, and the profile that says so.

Source: IEC 61966-2-1 (curve and primaries); ICC.1:2001-04 (version 2 profile layout).
"""

from __future__ import annotations

import struct
from functools import lru_cache

import numpy as np
import numpy.typing as npt


def srgb_to_linear(code: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Linear light 0–1 of sRGB values 0–1 (IEC 61966-2-1)."""
    v = np.asarray(code, dtype=np.float64)
    return np.where(v <= 0.04045, v / 12.92, ((np.maximum(v, 0.04045) + 0.055) / 1.055) ** 2.4)


def srgb(light: npt.ArrayLike) -> npt.NDArray:
    """sRGB value of linear light, both 0–1 (IEC 61966-2-1); float32 stays float32."""
    x = np.clip(np.asarray(light), 0.0, 1.0)
    steep = 1.055 * np.power(np.maximum(x, 0.0031308), 1 / 2.4) - 0.055
    return np.where(x <= 0.0031308, 12.92 * x, steep)


WHITE_D50 = (0.9642, 1.0, 0.8249)
PRIMARIES_D50 = {
    "rXYZ": (0.43607, 0.22249, 0.01392),
    "gXYZ": (0.38515, 0.71687, 0.09708),
    "bXYZ": (0.14307, 0.06061, 0.71410),
}
"""sRGB primaries adapted to the profile space's D50 (Bradford), as every sRGB profile has them."""
CURVE_POINTS = 1024


@lru_cache(maxsize=2)
def icc_profile(*, grey: bool = False) -> bytes:
    """An ICC version 2 display profile of sRGB, or of a grey scale with its curve.

    The same bytes every time: pictures made twice are alike to the bit.
    """
    codes = srgb_to_linear(np.arange(CURVE_POINTS) / (CURVE_POINTS - 1))
    levels = np.rint(codes * 65535).astype(">u2").tobytes()
    curve = b"curv" + struct.pack(">II", 0, CURVE_POINTS) + levels
    name = "Grey with the sRGB curve" if grey else "sRGB (IEC 61966-2-1)"
    tags = {
        "desc": _description(name),
        "cprt": b"text" + struct.pack(">I", 0) + b"No rights reserved\0",
        "wtpt": _xyz(WHITE_D50),
    }
    if grey:
        tags["kTRC"] = curve
    else:
        tags |= {key: _xyz(value) for key, value in PRIMARIES_D50.items()}
        tags |= dict.fromkeys(("rTRC", "gTRC", "bTRC"), curve)
    return _assemble(tags, b"GRAY" if grey else b"RGB ")


def _description(text: str) -> bytes:
    ascii_part = text.encode("ascii") + b"\0"
    head = b"desc" + struct.pack(">II", 0, len(ascii_part)) + ascii_part
    return head + struct.pack(">II", 0, 0) + struct.pack(">HB", 0, 0) + bytes(67)


def _xyz(value: tuple[float, float, float]) -> bytes:
    return b"XYZ " + struct.pack(">I3i", 0, *(round(v * 65536) for v in value))


def _assemble(tags: dict[str, bytes], space: bytes) -> bytes:
    """Header, tag table and tag data, equal data stored once."""
    table, data, where = b"", b"", {}
    start = 128 + 4 + 12 * len(tags)
    for key, value in tags.items():
        if value not in where:
            where[value] = start + len(data)
            data += value + bytes(-len(value) % 4)
        table += key.encode("ascii") + struct.pack(">II", where[value], len(value))
    size = start + len(data)
    date = struct.pack(">6H", 2000, 1, 1, 0, 0, 0)
    header = struct.pack(">I4sI4s4s4s", size, b"\0\0\0\0", 0x02100000, b"mntr", space, b"XYZ ")
    header += date + b"acsp" + bytes(28) + _xyz(WHITE_D50)[8:]
    header += bytes(128 - len(header))
    return header + struct.pack(">I", len(tags)) + table + data
