"""Writing nights into the logbook: frames as they are judged, plans, finished pictures."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from slowglass.errors import SlowglassError, UnreadableFile
from slowglass.frame.fingerprint import fingerprint
from slowglass.learn.entry import logged_frame, night_of_frame, object_in_the_middle
from slowglass.learn.logbook.records import LoggedFrame, LoggedPicture, LoggedPlan, Night
from slowglass.progress import Report, silent

if TYPE_CHECKING:
    from slowglass.judge.live_enough import TargetLight
    from slowglass.judge.verdict import Verdict
    from slowglass.kit.model import Kit, Site
    from slowglass.learn.logbook.store import Logbook
    from slowglass.sky.objects import SkyObject
    from slowglass.sky.place import Place
    from slowglass.sky.store import Sky


@dataclass(frozen=True)
class Outcome:
    """What became of one file: its entry, or why there is none."""

    file: str
    frame: LoggedFrame | None
    new: bool = False
    error: str | None = None


def log_paths(
    logbook: Logbook,
    paths: Iterable[Path],
    *,
    kit: Kit,
    site: Site,
    sky: Sky,
    target: Place | None = None,
    again: bool = False,
    report: Report = silent,
) -> Iterator[Outcome]:
    """Judge frames and write each into the logbook as soon as it is done.

    A frame the logbook knows is passed over unless ``again``. What cannot be read gives an
    outcome with ``error``.
    """
    files = list(_files(paths))
    known = {frame.fingerprint: frame for frame in logbook.frames()}
    for done, path in enumerate(files):
        report(path.name, done, len(files))
        try:
            mark = fingerprint(path)
            if mark in known and not again:
                yield Outcome(str(path), known[mark])
                continue
            verdict, light, thing = _judge(path, kit=kit, site=site, sky=sky, target=target)
        except SlowglassError as error:
            yield Outcome(str(path), None, error=str(error))
            continue
        frame, new = log_verdict(
            logbook, verdict, mark, kit=kit, site=site, sky=sky, target=thing, light=light
        )
        yield Outcome(str(path), frame, new=new)
    report("logged", len(files), len(files))


def log_verdict(
    logbook: Logbook,
    verdict: Verdict,
    mark: str,
    *,
    kit: Kit,
    site: Site,
    sky: Sky,
    target: SkyObject | None = None,
    light: TargetLight | None = None,
) -> tuple[LoggedFrame, bool]:
    """The entry of one judged frame, written, and whether it is new.

    The first frame of an object and exposure in a night brings its plan along.

    The plan is what the kit as it stands predicts for that object, exposure and hour: what the
    frames will be compared with.
    """
    path = Path(verdict.file)
    modified_s = path.stat().st_mtime if path.exists() else datetime.now(UTC).timestamp()
    night_id = logbook.night(night_of_frame(verdict, kit=kit, site=site, modified_s=modified_s))
    if target is None:
        target = object_in_the_middle(verdict, sky)
    frame = logged_frame(verdict, mark, site=site, target=target, light=light)
    new = logbook.log_frames(night_id, [frame]) == 1
    if target is not None and frame.kind == "light" and frame.exposure_s and frame.start_utc:
        _log_plan(logbook, night_id, target, frame, kit=kit, site=site, sky=sky)
    return frame, new


def log_picture(
    logbook: Logbook,
    result: Mapping[str, Any],
    *,
    picture: Path,
    kit: Kit,
    site: Site,
    target: SkyObject | None = None,
    place: tuple[float, float] | None = None,
    integration_s: float | None = None,
    fwhm_arcsec: float | None = None,
    start_utc: datetime | None = None,
    caption: str = "",
) -> int:
    """The id of a finished picture just written; ``result`` is what finishing printed."""
    night_id = None
    if start_utc is not None:
        from slowglass.expose.service import tonight

        evening = tonight(site, start_utc).isoformat()
        night_id = logbook.night(Night(evening, site.name, kit.name))
    entry = LoggedPicture(
        file=str(picture),
        object=target.id if target is not None else None,
        ra_deg=place[0] if place else target.ra_deg if target else None,
        dec_deg=place[1] if place else target.dec_deg if target else None,
        frames_used=result.get("frames_used"),
        integration_s=integration_s,
        fwhm_arcsec=fwhm_arcsec,
        caption=caption,
        result=result,
        night_id=night_id,
    )
    return logbook.add(entry)


def _log_plan(
    logbook: Logbook,
    night_id: int,
    target: SkyObject,
    frame: LoggedFrame,
    *,
    kit: Kit,
    site: Site,
    sky: Sky,
) -> None:
    """One plan for an object, exposure and night; later frames find it there."""
    for known in logbook.all(LoggedPlan, night_id=night_id, object=target.id):
        if abs(known.plan.get("exposure_s", 0.0) - (frame.exposure_s or 0.0)) < 0.5:
            return
    from slowglass.expose.service import expose_object

    start = datetime.fromisoformat(frame.start_utc or "")
    plan = expose_object(
        kit, site, sky, target.id, seconds=frame.exposure_s or 0.0, frames=1, when=start
    )
    document = {
        **plan.to_json(),
        "when": frame.start_utc,
        # What the prediction rests on, so that it can be understood years later.
        "kit": kit.model_dump(mode="json", exclude={"measured", "eyepieces", "finder"}),
        "site": {"sky_mag_arcsec2": site.sky_mag_arcsec2, "seeing_arcsec": site.seeing_arcsec},
    }
    logbook.add(LoggedPlan(target.id, document, night_id=night_id))


def _judge(
    path: Path, *, kit: Kit, site: Site, sky: Sky, target: Place | None
) -> tuple[Verdict, TargetLight | None, SkyObject | None]:
    from slowglass.frame.io import read_frame
    from slowglass.judge.assess import assess_frame
    from slowglass.judge.live_enough import target_light

    frame = read_frame(path, clock_zone=ZoneInfo(site.timezone))
    assessed = assess_frame(
        frame, sky, now_utc=datetime.now(UTC), near=target, target=target, kit=kit, site=site
    )
    verdict = replace(assessed.verdict, file=str(path))
    thing = target.object if target is not None else None
    if thing is None:
        thing = object_in_the_middle(verdict, sky)
    light = None
    wcs = assessed.solution.wcs
    if thing is not None and wcs is not None:
        gain = frame.header.gain_e_per_adu or kit.camera.gain_e_per_adu
        light = target_light(frame, thing, wcs, gain)
    return verdict, light, thing


def _files(paths: Iterable[Path]) -> Iterator[Path]:
    from slowglass.frame.io import list_frames

    for path in paths:
        if path.is_dir():
            yield from list_frames(path)
        elif path.exists():
            yield path
        else:
            raise UnreadableFile(path, "there is no such file or folder", "check the spelling")
