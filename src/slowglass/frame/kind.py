"""Whether a frame is a light, dark, flat or bias: by its header, what it shows, and its names."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import numpy.typing as npt

from slowglass.frame.bayer import binned, luminance
from slowglass.frame.image import Frame, Kind

_WORDS: tuple[tuple[str, Kind], ...] = (
    (r"bias(es)?|zeros?|offsets?", "bias"),
    (r"darks?|darkflats?|flatdarks?", "dark"),  # before "flat": a dark for flats is a dark
    (r"flats?|skyflats?|twilight", "flat"),
    (r"lights?|objects?|science", "light"),
)
_BIAS_LONGEST_S = 0.01
"""Exposures longer than this are no bias, whatever they show."""
_FLAT_LONGEST_S = 5.0
"""Starless even light in so short an exposure serves as a flat, whatever it was meant for; in a
longer one it may be a light drowned in twilight."""
_FLAT_STARS = 25
"""A flat of the twilight sky may show so many."""
_FEW_STARS = 3
_SHAPES_TRIED = 40
_EVEN = 0.1
"""Unevenness over pixel noise below which no light fell: a lens always darkens its corners."""


def kind_by_sight(frame: Frame, *, stars: int) -> tuple[Kind, str]:
    """The kind of a frame by what it shows, and the ground where that is not the header's word.

    ``stars`` is how many a search has found. Names count only where neither header nor picture
    can tell: a day's frames have the camera's names, and folders hold what was put there. A
    bright even picture is a flat when it is short or named so.
    """
    stated = frame.header.kind
    contradicted = stated in ("dark", "bias", "flat") and stars >= _FLAT_STARS
    if contradicted and _stars_stand_out(frame, against_header=True):
        return "light", f"{stars} stars, though the header says {stated}"
    if stated != "unknown" or stars >= _FLAT_STARS:
        return stated, ""
    kind, ground = kind_from_content(frame)
    named, where = _kind_from_place(frame)
    if kind == "light" or (kind != "dark" and stars >= _FEW_STARS and named != "flat"):
        return "unknown", ""
    exposure_s = frame.header.exposure_s
    brief = exposure_s is not None and exposure_s <= _FLAT_LONGEST_S
    if kind == "flat" and not (brief or named == "flat"):
        return "unknown", ""
    return (kind, ground) if kind != "unknown" else (named, where)


def _kind_from_place(frame: Frame) -> tuple[Kind, str]:
    """What the names of a frame's folders (nearest first) and file say."""
    if frame.path is None:
        return "unknown", ""
    file = Path(frame.path)
    for name in [p.name for p in list(file.parents)[:2]]:
        if (kind := kind_from_name(name)) != "unknown":
            return kind, f"it lies in the folder {name}"
    kind = kind_from_name(file.stem)
    return kind, "" if kind == "unknown" else "its name says so"


def kind_from_name(name: str) -> Kind:
    """The kind a folder or file name such as "darks_300s" or "Flat-R" says in a word of its own."""
    words = re.split(r"[^a-z]+", name.lower())
    for pattern, kind in _WORDS:
        if any(re.fullmatch(pattern, word) for word in words):
            return kind
    return "unknown"


def kind_from_content(frame: Frame) -> tuple[Kind, str]:
    """The kind that the picture alone shows, and the ground for it; "unknown" in doubt."""
    picture, _ = luminance(frame)
    if min(picture.shape, default=0) < 32:
        return "unknown", "it is too small to tell"
    step = max(1, min(picture.shape) // 256)
    small = binned(picture, step)
    level = float(np.median(small))
    share = level / frame.white_adu if frame.white_adu > 0 else 0.0
    noise = 1.4826 * float(np.median(np.abs(picture[::7, ::5] - level)))
    stars = _stars_stand_out(frame)
    exposure_s = frame.header.exposure_s
    brief = exposure_s is None or exposure_s <= 30.0
    if 0.25 < share < 0.9 and stars < _FLAT_STARS and brief:
        return "flat", f"evenly lit to {share:.0%} of the range"
    if stars:
        return "light", f"{stars} stars stand out of it"
    if 0.12 < share < 0.9:
        return "flat", f"evenly lit to {share:.0%} of the range, without stars"
    if exposure_s is not None and exposure_s <= _BIAS_LONGEST_S:
        return "bias", f"no light, and an exposure of {exposure_s:g} s"
    if frame.black_adu > 0:
        closed = abs(level) < max(3.0 * noise, 0.004 * frame.white_adu)
    else:
        closed = exposure_s is not None and share < 0.1 and _unevenness(small) < _EVEN * noise
        if closed:
            return "dark", f"as even as a closed camera in {exposure_s:g} s"
    if closed:
        if exposure_s is None:
            return "dark", "no light above the black level (exposure not stated)"
        return "dark", f"no light above the black level in {exposure_s:g} s"
    if exposure_s is None or exposure_s >= 1.0:
        return "unknown", "no stars, and neither header nor name says what it is"
    return "unknown", "neither stars nor an even light, and no word in header or name"


def _unevenness(small: npt.NDArray[np.float32]) -> float:
    """Spread of the level over the picture, between the darker and the lighter tenth of cells."""
    rows, columns = (side // 8 for side in small.shape)
    cells = small[: 8 * rows, : 8 * columns].reshape(8, rows, 8, columns)
    low, high = np.quantile(np.median(cells, axis=(1, 3)), [0.1, 0.9])
    return float(high - low)


def _stars_stand_out(frame: Frame, *, against_header: bool = False) -> int:
    """How many stars a cautious search finds; 0 when the finds look like warm pixels.

    ``against_header`` asks for more: most finds must have a star's shape. A long warm dark has
    hundreds of clumps, few of which do.
    """
    from slowglass.frame.detect import detect_stars

    found = detect_stars(frame, threshold_sigma=10.0, max_stars=100, measure=_SHAPES_TRIED)
    sharp = found.fwhm_px < 1.4  # a warm pixel and its neighbour, not a lens or a sky
    if found.found < 6 or sharp or found.measured < 4:
        return 0
    if against_header and found.measured < 0.5 * min(found.found, _SHAPES_TRIED):
        return 0
    return found.found
