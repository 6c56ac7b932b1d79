"""Writing nights into the logbook: frames as they are judged, plans, finished pictures."""

from __future__ import annotations

import warnings
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from slowglass.errors import SlowglassError, UnreadableFile
from slowglass.frame.fingerprint import fingerprint
from slowglass.learn.entry import logged_frame, night_of_frame, object_in_the_middle
from slowglass.learn.logbook.records import LoggedFrame, LoggedPicture, LoggedPlan, Night
from slowglass.progress import Report, silent

if TYPE_CHECKING:
    from slowglass.finish.types import FinishResult
    from slowglass.judge.live_enough import TargetLight
    from slowglass.judge.verdict import Verdict
    from slowglass.judge.watch_state import WatchEvent
    from slowglass.kit.model import Kit, Site
    from slowglass.learn.logbook.store import Logbook
    from slowglass.sky.objects import SkyObject
    from slowglass.sky.place import Place
    from slowglass.sky.store import Sky


LOGGED_ROLES = ("light", "test", "dark", "flat", "bias")
PICTURE_SUFFIXES = (".png", ".jpg", ".jpeg")


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
    for done, path in enumerate(files):
        report(path.name, done, len(files))
        try:
            mark = fingerprint(path)
            known = None if again else logbook.frame(mark)
            if known is not None:
                yield Outcome(str(path), known)
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


def log_event(
    logbook: Logbook, event: WatchEvent, folder: Path, *, kit: Kit, site: Site, sky: Sky
) -> bool:
    """Write what a watch has just judged; False when the event holds no frame to log.

    Copies, developed twins and unreadable files are no frames of their own.
    """
    entry = event.entry
    if event.what != "frame" or entry is None or entry.role not in LOGGED_ROLES:
        return False
    path = folder / entry.name
    verdict = replace(entry.verdict, file=str(path))
    log_verdict(logbook, verdict, fingerprint(path), kit=kit, site=site, sky=sky, light=entry.light)
    return True


def log_judged(
    logbook: Logbook,
    verdict: Verdict,
    *,
    kit: Kit,
    site: Site,
    sky: Sky,
    target: SkyObject | None = None,
    light: TargetLight | None = None,
) -> None:
    """Write a frame that was judged just now; one that cannot be told apart again is left out.

    A frame beside its target is logged under what it shows.
    """
    try:
        mark = fingerprint(Path(verdict.file))
    except SlowglassError:  # gone meanwhile
        return
    aimed = target if light is not None else None
    log_verdict(logbook, verdict, mark, kit=kit, site=site, sky=sky, target=aimed, light=light)


def log_finished(logbook: Logbook, result: FinishResult, *, kit: Kit, site: Site, sky: Sky) -> int:
    """The id of a finished picture, written with what its linear file says of it."""
    from astropy.io import fits
    from astropy.wcs import WCS
    from astropy.wcs.utils import proj_plane_pixel_scales

    from slowglass.expose.service import tonight

    linear = Path(result.outputs[0])
    shown = [Path(p) for p in result.outputs if Path(p).suffix.lower() in PICTURE_SUFFIXES]
    header = fits.getheader(linear)
    thing = sky.objects.find(result.subject) if result.subject else None
    night_id = None
    if isinstance(header.get("DATE-OBS"), str):
        start = datetime.fromisoformat(header["DATE-OBS"]).replace(tzinfo=UTC)
        night = Night(tonight(site, start).isoformat(), site.name, kit.name)
        night_id = logbook.night(night)
    scale = None
    place = (thing.ra_deg, thing.dec_deg) if thing is not None else (None, None)
    if result.solved:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # remarks on how the header spells its dates
            wcs = WCS(header).celestial
        scale = 3600.0 * float(proj_plane_pixel_scales(wcs)[1])
        middle = wcs.wcs_pix2world([[header["NAXIS1"] / 2, header["NAXIS2"] / 2]], 0)[0]
        place = (float(middle[0]), float(middle[1]))
    each = header.get("EXPTIME")
    entry = LoggedPicture(
        file=str(shown[0] if shown else linear),
        object=thing.id if thing is not None else None,
        ra_deg=place[0],
        dec_deg=place[1],
        frames_used=result.frames_used,
        integration_s=float(each) * result.frames_used if each else None,
        fwhm_arcsec=result.fwhm_px * scale if result.fwhm_px and scale else None,
        caption=_caption(result, each),
        result=result.as_dict(),
        night_id=night_id,
    )
    return logbook.add(entry)


def _caption(result: FinishResult, each: float | None) -> str:
    count = "One frame" if result.frames_used == 1 else f"{result.frames_used} frames"
    of = f" of {each:g} s" if each else ""
    return f"{result.subject or 'Finished picture'}: {count}{of}"


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
