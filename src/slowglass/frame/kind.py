"""Whether a frame is a light, dark, flat or bias: header first, then folder, then content."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np

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


def guess_kind(frame: Frame, path: Path | str | None = None) -> tuple[Kind, str]:
    """The kind of a frame and the ground for it, for the person who has to trust it.

    The header's word counts most, then the nearest folder's name, then the file's own name,
    then the picture: a flat is bright and smooth, a light has stars or a sky well above black,
    a dark or bias has neither. "unknown" where a picture cannot be told.
    """
    if frame.header.kind != "unknown":
        return frame.header.kind, "the header says so"
    file = Path(path) if path is not None else Path(frame.path) if frame.path else None
    if file is not None:
        for name in [p.name for p in list(file.parents)[:2]]:
            kind = kind_from_name(name)
            if kind != "unknown":
                return kind, f"it lies in the folder {name}"
        kind = kind_from_name(file.stem)
        if kind != "unknown":
            return kind, "its name says so"
    return kind_from_content(frame)


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
    if 0.25 < share < 0.9 and stars < 25 and brief:  # a twilight flat may show a few
        return "flat", f"evenly lit to {share:.0%} of the range"
    if stars:
        return "light", f"{stars} stars stand out of it"
    if 0.12 < share < 0.9:
        return "flat", f"evenly lit to {share:.0%} of the range, without stars"
    if exposure_s is not None and exposure_s <= _BIAS_LONGEST_S:
        return "bias", f"no light, and an exposure of {exposure_s:g} s"
    if abs(level) < max(3.0 * noise, 0.004 * frame.white_adu) and frame.black_adu > 0:
        if exposure_s is None:
            return "dark", "no light above the black level (exposure not stated)"
        return "dark", f"no light above the black level in {exposure_s:g} s"
    if exposure_s is None or exposure_s >= 1.0:
        return "unknown", "no stars, and neither header nor name says what it is"
    return "unknown", "neither stars nor an even light, and no word in header or name"


def _stars_stand_out(frame: Frame) -> int:
    """How many stars a cautious search finds; 0 when the finds look like warm pixels."""
    from slowglass.frame.detect import detect_stars

    found = detect_stars(frame, threshold_sigma=10.0, max_stars=100, measure=40)
    sharp = found.fwhm_px < 1.4  # a warm pixel and its neighbour, not a lens or a sky
    return 0 if found.found < 6 or sharp or found.measured < 4 else found.found
