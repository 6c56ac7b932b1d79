"""A judged frame with what an interface needs to show it: the picture and what goes over it."""

from __future__ import annotations

import time
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Unpack
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from slowglass.frame.bayer import luminance
from slowglass.frame.io import read_frame
from slowglass.frame.preview import shrink
from slowglass.frame.stretch import measure_stretch, to_8bit
from slowglass.judge.overlay import Overlay, plan_overlay, stars_round
from slowglass.judge.prior import teaches
from slowglass.judge.verdict import Verdict
from slowglass.progress import Report, silent
from slowglass.sky.coords import epoch_year

if TYPE_CHECKING:
    from slowglass.frame.image import Frame
    from slowglass.judge.assess import Assessment, JudgeOptions
    from slowglass.sky.store import Sky


@dataclass(frozen=True)
class Look:
    """One frame: verdict, overlay in the frame's pixels, and a small grey picture (uint8)."""

    verdict: Verdict
    overlay: Overlay
    picture: npt.NDArray[np.uint8]
    assessment: Assessment


def look_at_files(
    paths: Iterable[Path],
    sky: Sky,
    *,
    longest_px: int = 1600,
    report: Report = silent,
    **options: Unpack[JudgeOptions],
) -> Iterator[Look]:
    """Judge each file and prepare it for showing; the longer side of the picture is given.

    Raises ``UnreadableFile`` on the first file that cannot be read.
    """
    from slowglass.judge.assess import assess_frame

    files = list(paths)
    site = options.get("site")
    zone = ZoneInfo(site.timezone) if site is not None else UTC
    for done, path in enumerate(files):
        report(path.name, done, len(files))
        started = time.perf_counter()
        frame = read_frame(path, clock_zone=zone)
        assessed = assess_frame(frame, sky, now_utc=datetime.now(UTC), **options)
        seconds = round(time.perf_counter() - started, 3)
        verdict = replace(assessed.verdict, file=str(path), seconds=seconds)
        if teaches(verdict):
            options["earlier"] = verdict
        yield Look(
            verdict,
            overlay_of(frame, assessed, sky, options),
            picture_of(frame, longest_px),
            assessed,
        )
    report("judged", len(files), len(files))


def overlay_of(frame: Frame, assessed: Assessment, sky: Sky, options: JudgeOptions) -> Overlay:
    """The overlay of an assessed frame, with the catalogue stars at its epoch."""
    wcs = assessed.solution.wcs
    catalogue = None
    if wcs is not None:
        year = epoch_year(frame.header.start_utc or datetime.now(UTC))
        catalogue, _ = stars_round(wcs, frame.width_px, frame.height_px, sky, year)
    return plan_overlay(
        width_px=frame.width_px,
        height_px=frame.height_px,
        stars=assessed.detection.stars,
        wcs=wcs,
        catalogue=catalogue,
        target=options.get("target"),
    )


def picture_of(frame: Frame, longest_px: int) -> npt.NDArray[np.uint8]:
    """A frame's brightness as a small uint8 picture, first stored row on top."""
    plane, _ = luminance(frame)
    small = shrink(plane, longest_px)
    return to_8bit(small, measure_stretch(small))
