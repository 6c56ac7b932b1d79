"""One new file of a watched folder: judged, pictured, made ready for the stack."""

from __future__ import annotations

import time
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from slowglass.errors import SlowglassError, UnreadableFile
from slowglass.frame.fingerprint import file_print
from slowglass.frame.freed import give_back_freed
from slowglass.judge.live import LiveFrame, live_frame
from slowglass.judge.live_enough import TargetLight, target_light
from slowglass.judge.service import unreadable_verdict
from slowglass.judge.watch_memory import let_go_of_files
from slowglass.judge.watch_sort import Entry
from slowglass.judge.watch_state import Newest, Picture
from slowglass.sky.place import Place

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    from slowglass.frame.image import Frame
    from slowglass.judge.assess import Assessment, JudgeOptions
    from slowglass.judge.verdict import Verdict
    from slowglass.sky.store import Sky

PICTURE_PX = 1400
FOUND_RADIUS_DEG = 10.0
"""The next frame is looked for this near to the last one, whatever was nudged."""
ALIGNING_STARS = 120


@dataclass(frozen=True)
class JudgedFile:
    """What came of a file; ``newest`` and ``live`` are None where it shows no picture."""

    entry: Entry
    newest: Newest | None = None
    live: LiveFrame | None = None


def judge_new_file(
    path: Path, name: str, sky: Sky, options: JudgeOptions, last: Verdict | None
) -> JudgedFile:
    """One file judged, whatever is in it: one odd file must not end a night's watch.

    ``last`` is the verdict of the last solved frame, near which this one is looked for when no
    place was given.
    """
    started = time.perf_counter()
    fingerprint = ""
    try:
        fingerprint = file_print(path)
        return _judge(path, name, fingerprint, sky, options, last)
    except UnreadableFile as error:
        fault = error
    except SlowglassError:  # an option that makes no sense is no file's fault
        raise
    except OSError as error:
        fault = UnreadableFile(path, error.strerror or str(error), "copy it again")
    except Exception as error:
        fault = UnreadableFile(path, f"unexpected fault: {error!r}", "leave this file out")
    verdict = unreadable_verdict(path, fault, time.perf_counter() - started)
    return JudgedFile(Entry(name, verdict, fingerprint))


def live_from_file(path: Path, name: str, verdict: Verdict, options: JudgeOptions) -> LiveFrame:
    """A frame judged earlier, read again for the stack; its place comes from its verdict."""
    from slowglass.frame.detect import detect_stars
    from slowglass.sky.wcs import TanWcs

    frame = _read(path, options)
    stars = detect_stars(frame, max_stars=ALIGNING_STARS, measure=0).stars
    wcs = None
    if verdict.solved and verdict.ra_deg is not None and verdict.dec_deg is not None:
        wcs = TanWcs.from_simple(
            ra_deg=verdict.ra_deg,
            dec_deg=verdict.dec_deg,
            width_px=frame.width_px,
            height_px=frame.height_px,
            scale_arcsec_per_px=verdict.scale_arcsec_per_px or 1.0,
            rotation_deg=verdict.rotation_deg or 0.0,
            parity=verdict.parity or 1,
        )
    return live_frame(name, frame, stars, wcs)


def as_jpeg(picture: npt.NDArray[np.uint8]) -> Picture:
    """A small picture (R, G, B order or grey) as JPEG."""
    import cv2

    data = picture[..., ::-1] if picture.ndim == 3 else picture
    _, encoded = cv2.imencode(".jpg", data, [int(cv2.IMWRITE_JPEG_QUALITY), 88])
    return Picture(encoded.tobytes(), picture.shape[1], picture.shape[0])


def _judge(
    path: Path,
    name: str,
    fingerprint: str,
    sky: Sky,
    options: JudgeOptions,
    last: Verdict | None,
) -> JudgedFile:
    from slowglass.judge.look import overlay_of, picture_of

    started = time.perf_counter()
    frame = _read(path, options)
    give_back_freed()  # the unpacker's own copy of the picture
    assessed, used = assess_near(frame, sky, options, last)
    let_go_of_files()  # a search reads through most of the index; pictures come on top
    seconds = round(time.perf_counter() - started, 3)
    verdict = replace(assessed.verdict, file=str(path), seconds=seconds)
    light = _target_light(frame, assessed, options)
    entry = Entry(name, verdict, fingerprint, linear=_is_linear(frame), light=light)
    overlay = overlay_of(frame, assessed, sky, used)
    newest = Newest(name, as_jpeg(picture_of(frame, PICTURE_PX)), overlay)
    live = None
    if verdict.keeper:
        live = live_frame(name, frame, assessed.detection.stars, assessed.solution.wcs)
    return JudgedFile(entry, newest, live)


def assess_near(
    frame: Frame, sky: Sky, options: JudgeOptions, last: Verdict | None
) -> tuple[Assessment, JudgeOptions]:
    """An assessment near where the frame should be, else anywhere, and the options it took.

    It should be at ``near``, at the target, or where ``last`` was.
    """
    from slowglass.judge.assess import assess_frame

    used: JudgeOptions = {**options, "earlier": last}
    now = datetime.now(UTC)
    if used.get("near") is None:
        used["near"] = used.get("target")
    if used.get("near") is None and last is not None:
        if last.ra_deg is not None and last.dec_deg is not None:
            used["near"] = Place("the last frame", last.ra_deg, last.dec_deg)
            used["radius_deg"] = FOUND_RADIUS_DEG
        assessed = assess_frame(frame, sky, now_utc=now, **used)
        if assessed.solution.solved:
            return assessed, used
        used = {**options, "earlier": last}
    return assess_frame(frame, sky, now_utc=now, **used), used


def _target_light(frame: Frame, assessed: Assessment, options: JudgeOptions) -> TargetLight | None:
    target, kit = options.get("target"), options.get("kit")
    wcs = assessed.solution.wcs
    if target is None or target.object is None or wcs is None or not assessed.verdict.keeper:
        return None
    gain = frame.header.gain_e_per_adu
    if gain is None and kit is not None:
        gain = kit.camera.gain_e_per_adu
    return target_light(frame, target.object, wcs, gain)


def _read(path: Path, options: JudgeOptions) -> Frame:
    from slowglass.frame.io import read_frame

    site = options.get("site")
    return read_frame(path, clock_zone=ZoneInfo(site.timezone) if site is not None else UTC)


def _is_linear(frame: Frame) -> bool:
    """False for finished pictures, whose reader had to undo their tone curve."""
    return not any("sRGB" in step for step in frame.history)
