"""Judged frames kept in a folder, so that nothing is judged twice and a reload loses nothing.

Two JSON files a frame, verdict and stars, named by the frame's stamp: a frame that changes is
judged anew. A list of hundreds of frames reads the verdicts only.
"""

from __future__ import annotations

import json
import math
from dataclasses import asdict, dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from slowglass.errors import SlowglassError
from slowglass.frame.atomic import replacing
from slowglass.frame.header import header_wcs
from slowglass.frame.shelf import stamp_of
from slowglass.judge.verdict import Verdict
from slowglass.sky.sip import SipWcs, bent_by_cards
from slowglass.sky.wcs import TanWcs

if TYPE_CHECKING:
    from pydantic import TypeAdapter

    from slowglass.judge.assess import Assessment

FORMAT = 1
MOST_STARS = 800
"""More marks than this hide the picture at any size."""


@dataclass(frozen=True)
class Kept:
    """What is known of a judged frame: its verdict, its place, its stars as (x, y, HFD) in px.

    ``target`` is the name the verdict's nudge leads to; HFD is 0 where it was not measured.
    """

    verdict: Verdict
    wcs: TanWcs | None = None
    stars: tuple[tuple[float, float, float], ...] = ()
    target: str | None = None


@lru_cache(maxsize=1)
def verdict_reader() -> TypeAdapter[Verdict]:
    """What makes verdicts of plain values; its making costs as much as fifty readings."""
    from pydantic import TypeAdapter

    return TypeAdapter(Verdict)


def kept_of(assessed: Assessment, verdict: Verdict, target: str | None) -> Kept:
    """What is worth keeping of an assessment."""
    stars = assessed.detection.stars
    columns = (stars.x_px[:MOST_STARS], stars.y_px[:MOST_STARS], stars.hfd_px[:MOST_STARS])
    found = tuple(
        (round(float(x), 2), round(float(y), 2), round(float(d), 2) if math.isfinite(d) else 0.0)
        for x, y, d in zip(*columns, strict=True)
    )
    return Kept(verdict, assessed.solution.wcs, found, target)


class KeptFrames:
    """Judged frames in a folder of their own."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def get(self, path: Path, *, stars: bool = True) -> Kept | None:
        """What is kept of a frame as it is now; None for one not judged, or that is gone."""
        from pydantic import ValidationError

        try:
            file = self._file(path)
            told = json.loads(file.read_text(encoding="utf-8"))
            if told["format"] != FORMAT:
                return None
            verdict = verdict_reader().validate_python(told["verdict"])
            wcs = _wcs(told["wcs"], told["reach_px"])
            found = json.loads(_beside(file).read_text(encoding="utf-8")) if stars else ()
            rows = tuple((float(x), float(y), float(d)) for x, y, d in found)
        except (OSError, KeyError, TypeError, ValueError, ValidationError, SlowglassError):
            return None
        return Kept(replace(verdict, file=str(path)), wcs, rows, told["target"])

    def mark(self, path: Path) -> int:
        """A number that changes when a frame is judged anew; 0 for one not judged."""
        try:
            return self._file(path).stat().st_mtime_ns
        except (OSError, SlowglassError):
            return 0

    def put(self, path: Path, kept: Kept) -> None:
        """Keep what is known of a frame; ``UsageError`` where the folder cannot be written."""
        wcs = kept.wcs
        told = {
            "format": FORMAT,
            "frame": path.name,
            "target": kept.target,
            "verdict": asdict(kept.verdict),
            "wcs": None if wcs is None else wcs.to_header(),
            "reach_px": wcs.reach_px if isinstance(wcs, SipWcs) else 0.0,
        }
        file = self._file(path)
        for where, content in ((_beside(file), kept.stars), (file, told)):
            with replacing(where) as temporary:
                temporary.write_text(json.dumps(content, ensure_ascii=False), encoding="utf-8")

    def _file(self, path: Path) -> Path:
        return self.folder / f"{stamp_of(path)}.json"


def _beside(file: Path) -> Path:
    return file.with_suffix(".stars.json")


def _wcs(cards: dict[str, Any] | None, reach_px: float) -> TanWcs | None:
    if cards is None:
        return None
    straight = header_wcs(cards)
    if straight is None:
        raise ValueError("the kept place cannot be read")
    bent = bent_by_cards(straight, cards)
    return replace(bent, reach_px=float(reach_px)) if isinstance(bent, SipWcs) else bent
