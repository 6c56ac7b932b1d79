"""Frames looked at in full size: opened, placed on the sky, judged once and remembered."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from typing import TYPE_CHECKING, Any, Unpack
from zoneinfo import ZoneInfo

from slowglass.errors import SlowglassError, UnreadableFile
from slowglass.frame.io import read_frame
from slowglass.frame.shelf import Shelf, Shown
from slowglass.judge.kept import Kept, KeptFrames, kept_of
from slowglass.judge.marks import Marks, PlacedAt, find_marks, find_place
from slowglass.judge.service import unreadable_verdict
from slowglass.progress import Report, silent
from slowglass.sky.coords import epoch_year

if TYPE_CHECKING:
    from slowglass.judge.assess import JudgeOptions
    from slowglass.judge.live_enough import TargetLight
    from slowglass.judge.verdict import Verdict
    from slowglass.sky.place import Place
    from slowglass.sky.store import Sky
    from slowglass.sky.wcs import TanWcs

FinishedPlace = Callable[[Path, tuple[int, int]], "TanWcs | None"]
Hear = Callable[["Verdict", "TargetLight | None"], None]
PLACES_HELD = 64


class Viewing:
    """The frames on the shelf and what is known of each; safe to use from several threads."""

    def __init__(self, kept: KeptFrames, shelf: Shelf | None = None) -> None:
        self.kept = kept
        self.shelf = shelf or Shelf()
        self._places: OrderedDict[tuple[str, int], PlacedAt] = OrderedDict()
        self._lock = threading.Lock()

    def open(self, path: Path, *, clock_zone: tzinfo = UTC) -> Shown:
        """The picture in a file; ``UnreadableFile``."""
        return self.shelf.open(path, clock_zone=clock_zone)

    def place(
        self,
        shown: Shown,
        *,
        verdict: Mapping[str, Any] | None = None,
        finished: FinishedPlace | None = None,
    ) -> PlacedAt:
        """Where a picture lies on the sky, looked up once until it is judged anew.

        ``finished`` is asked for a finished picture whose place nothing else tells.
        """
        key = (shown.stamp, self.kept.mark(shown.path))
        with self._lock:
            known = self._places.get(key)
        if known is None:
            size = (shown.width_px, shown.height_px)
            kept = self.kept.get(shown.path)
            known = find_place(shown.path, shown.header, size, kept=kept, verdict=verdict)
            if known.wcs is None and finished is not None and shown.pyramid.finished:
                wcs = finished(shown.path, size)
                if wcs is not None:
                    known = PlacedAt(wcs, "placed by the linear picture beside it")
            with self._lock:
                self._places[key] = known
                while len(self._places) > PLACES_HELD:
                    self._places.popitem(last=False)
        return known

    def marks(self, shown: Shown, placed: PlacedAt, sky: Sky, target: Place | None) -> Marks:
        """What goes over a picture."""
        when = shown.header.start_utc or datetime.now(UTC)
        return find_marks(
            (shown.width_px, shown.height_px),
            placed,
            sky,
            epoch_year=epoch_year(when),
            kept=self.kept.get(shown.path),
            target=target,
        )


def judge_and_keep(
    paths: Iterable[Path],
    kept: KeptFrames,
    sky: Sky,
    *,
    hear: Hear | None = None,
    report: Report = silent,
    **options: Unpack[JudgeOptions],
) -> list[Kept]:
    """What is known of each frame, judged where that is not kept already, in the order given.

    Each is kept as soon as it is judged, so that stopping costs one frame, and ``hear`` is told
    of it, with the target's light. One that cannot be read has a verdict that says so.
    """
    files = list(paths)
    target = options.get("target")
    name = None if target is None else target.name
    done: list[Kept] = []
    last: Verdict | None = None
    for count, path in enumerate(files):
        report("judging", count, len(files))
        known = kept.get(path)
        if known is None or known.target != name or known.verdict.error is not None:
            known, light = _judge(path, sky, last, name, options)
            kept.put(path, known)
            if hear is not None and known.verdict.error is None:
                hear(known.verdict, light)
        last = known.verdict if known.verdict.solved else last
        done.append(known)
    report("judged", len(files), len(files))
    return done


def _judge(
    path: Path, sky: Sky, last: Verdict | None, target: str | None, options: JudgeOptions
) -> tuple[Kept, TargetLight | None]:
    from slowglass.judge.live_enough import target_light
    from slowglass.judge.watch_frame import assess_near

    started = datetime.now(UTC)
    site = options.get("site")
    zone = UTC if site is None else ZoneInfo(site.timezone)
    try:
        frame = read_frame(path, clock_zone=zone)
        assessed, _ = assess_near(frame, sky, options, last)
    except UnreadableFile as error:
        return Kept(unreadable_verdict(path, error, 0.0), target=target), None
    except SlowglassError:  # an option that makes no sense is no file's fault
        raise
    except Exception as error:  # one odd file must not end the work on a folder
        fault = UnreadableFile(path, f"unexpected fault: {error!r}", "leave this file out")
        return Kept(unreadable_verdict(path, fault, 0.0), target=target), None
    seconds = round((datetime.now(UTC) - started).total_seconds(), 3)
    verdict = replace(assessed.verdict, file=str(path), seconds=seconds)
    wcs, aim, kit = assessed.solution.wcs, options.get("target"), options.get("kit")
    light = None
    if aim is not None and aim.object is not None and wcs is not None:
        gain = frame.header.gain_e_per_adu or (None if kit is None else kit.camera.gain_e_per_adu)
        light = target_light(frame, aim.object, wcs, gain)
    return kept_of(assessed, verdict, target), light
