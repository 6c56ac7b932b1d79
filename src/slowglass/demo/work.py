"""Working through the example night with the workbench, step by step."""

from __future__ import annotations

import time
from collections.abc import Iterator, Mapping
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from slowglass.demo import plates, scenario
from slowglass.demo.compare import compare_night
from slowglass.demo.folder import NightFolder
from slowglass.demo.frames import (
    Writer,
    calibration_frames,
    render_aim,
    render_calibration,
    render_shot,
)
from slowglass.demo.show import PICTURE_PX, SMALL_PX, Night, show_forecast, show_single
from slowglass.documents import document
from slowglass.errors import NothingUseful
from slowglass.learn.night import NightRecord, save_night
from slowglass.progress import Report

if TYPE_CHECKING:
    from slowglass.choose.answers import Candidate, Choice
    from slowglass.expose.plan import ExposurePlan
    from slowglass.find.result import Route
    from slowglass.find.svg import StyleName
    from slowglass.finish.types import FinishResult
    from slowglass.judge.look import Look
    from slowglass.kit.model import Kit, Site
    from slowglass.sky.objects import SkyObject

LISTED = 12
"""Objects of the night's list that are kept for showing."""
DEPTHS = (60, 1000)
"""How far down the night's list the target is looked for, the second time round further."""
TEST_LEAD = timedelta(minutes=6)


def work_through(
    folder: NightFolder, kit: Kit, site: Site, *, index: Mapping[str, Any], report: Report
) -> NightRecord:
    """The night's record, everything it names written into the folder."""
    from slowglass.finish.memory import forget_peak, peak_memory_mb
    from slowglass.workbench import Workbench

    started = time.monotonic()
    forget_peak()
    night = Night(Workbench(kit, site, report=report), folder, report, {}, {}, {})
    place = night.bench.place(scenario.TARGET)
    assert place.object is not None

    choice, rank, candidate = choose(night)
    best = candidate.reachable.best_time
    if best is None:
        raise NothingUseful(f"{place.name} does not clear the skyline that night", "")
    seconds = candidate.shows.exposure_s
    route = find(night, best)
    plan = expose(night, seconds, best)

    test, aim = first_aim(night, place.object, seconds, best - TEST_LEAD)
    shots = take_frames(night, place.object, aim, seconds, best)
    looks = judge(night, test, shots)
    peaks = [peak_memory_mb() or 0.0]
    result = finish(night, looks)
    peaks.append(result.peak_memory_mb or 0.0)
    show_single(night, result)
    show_forecast(night, looks)
    rows = compare_night(night.bench, night.folder.folder, plan, looks, result)
    report("writing the record", 0, 1)

    steps = {
        "choice": {**document(choice), "objects": listed(night, choice, candidate, rank)},
        "route": document(route),
        "plan": document(plan),
        "verdicts": [look.verdict.to_json() for look in looks],
        "finish": document(result.as_dict()),
        "compare": [row.to_json() for row in rows],
    }
    kept = sum(look.verdict.keeper for look in looks[1:])
    peaks.append(peak_memory_mb() or 0.0)
    whole = {
        **index,
        "rendered": True,
        "night": choice.night.isoformat(),
        "kit": document(kit),
        "site": document(site),
        "target": {**document(place.object), "title": place.object.title},
        "rank": rank,
        "considered": choice.considered,
        "frames": frame_index(looks),
        "plates": night.plates,
        "sizes": night.sizes,
        "alt": night.alt,
        "outputs": {Path(p).name: f"finished/{Path(p).name}" for p in result.outputs},
        "seconds": round(time.monotonic() - started, 1),
        "peak_memory_mb": round(max(peaks), 1),
    }
    whole["summary"] = {
        "target": place.name,
        "night": whole["night"],
        "exposure_s": seconds,
        "rank": rank,
        "route_legs": len(route.legs),
        "frames": len(looks) - 1,
        "keepers": kept,
        "solved": sum(look.verdict.solved for look in looks),
        "nudge": looks[0].verdict.instruction,
        "frames_used": result.frames_used,
        "snr_gain": result.snr_gain,
        "peak_memory_mb": whole["peak_memory_mb"],
    }
    record = save_night(folder.folder, whole, steps)
    report("done", 1, 1)
    return record


def choose(night: Night) -> tuple[Choice, int, Candidate]:
    """The night's list, and the target's rank (from 1) and answers in it."""
    bench = night.bench
    for depth in DEPTHS:
        choice = bench.choose(
            night=scenario.autumn_night(bench.site), limit=depth, report=night.report
        )
        for rank, candidate in enumerate(choice.objects, 1):
            if candidate.object.name == scenario.TARGET:
                return choice, rank, candidate
    raise NothingUseful(f"{scenario.TARGET} is not worth a frame that night", "use a darker site")


def listed(night: Night, choice: Choice, target: Candidate, rank: int) -> list[dict[str, Any]]:
    """The head of the list and the target, each with its rank."""
    head = list(enumerate(choice.objects[:LISTED], 1))
    if rank > LISTED:
        head = [*head[:-1], (rank, target)]
    return [{**document(candidate), "rank": rank} for rank, candidate in head]


def find(night: Night, when: datetime) -> Route:
    """The route, its charts on paper and in red kept for showing."""
    night.report("finding the way", 0, 1)
    route = night.bench.find(scenario.TARGET, when=when)
    styles: tuple[tuple[str, StyleName], ...] = (("chart", "paper"), ("chart-night", "night"))
    for name, style in styles:
        path = night.folder.path("plates", f"{name}.svg")
        night.bench.chart(route, path, style=style)
        night.plates[name] = f"plates/{path.name}"
        night.sizes[name] = plates.svg_size(path)
        night.alt[name] = (
            f"Star chart from {route.anchor} to {route.target}: {len(route.legs)} moves drawn "
            "as arrows between stars, with the eyepiece field around each stop."
        )
    return route


def expose(night: Night, seconds: float, when: datetime) -> ExposurePlan:
    """The plan, and the forecast frame kept for showing."""
    from slowglass.expose.service import expose_object

    bench = night.bench
    path = night.folder.path("test", "forecast.fits")
    plan = expose_object(
        bench.kit,
        bench.site,
        bench.sky,
        scenario.TARGET,
        seconds=seconds,
        frames=scenario.LIGHTS,
        when=when,
        out=path,
        rotation_deg=scenario.CAMERA_ANGLE_DEG,
        report=night.report,
    )
    picture = plates.sky_picture(path, PICTURE_PX)
    night.keep("forecast", picture, f"Forecast of one {seconds:g} s exposure of M15.")
    return plan


def first_aim(
    night: Night, target: SkyObject, seconds: float, when: datetime
) -> tuple[Path, scenario.Aim]:
    """The test frame off target, and the aim after following its nudge by hand."""
    bench = night.bench
    night.report("taking a test frame", 0, 1)
    aim = scenario.Aim(*scenario.FIRST_AIM_ARCSEC)
    frame = render_aim(
        bench.kit, bench.site, bench.sky, target, aim,
        exposure_s=seconds, when=when, seed=scenario.SEED, worm_phase_rad=np.pi / 2,
    )  # fmt: skip
    path = night.folder.path("test", "test-1.fits")
    with Writer() as writer:
        writer.put(path, frame)
    look = next(_look(night, [path]))
    nudge = look.verdict.nudge
    if nudge is None:
        raise NothingUseful(f"the test frame could not be placed: {look.verdict.reason}", "")
    dec = np.radians(target.dec_deg)
    return path, scenario.nudged(
        aim, nudge.ra_deg * 3600.0 * float(np.cos(dec)), nudge.dec_deg * 3600.0
    )


def take_frames(
    night: Night, target: SkyObject, aim: scenario.Aim, seconds: float, start: datetime
) -> list[Path]:
    """Every light, dark, flat and bias, written as FITS; the lights' paths."""
    from slowglass.sky.coords import hour_angle_deg

    bench = night.bench
    shots = scenario.plan_shots(
        bench.kit,
        bench.site,
        aim,
        dec_deg=target.dec_deg,
        hour_angle_deg=float(
            hour_angle_deg(target.ra_deg, bench.site.longitude_deg, start.timestamp())
        ),
        start_utc=start,
        exposure_s=seconds,
    )
    others = calibration_frames(
        bench.kit, bench.site, exposure_s=seconds,
        after=shots[-1].start_utc + timedelta(seconds=seconds + 60.0),
    )  # fmt: skip
    total, lights = len(shots) + len(others), []
    with Writer() as writer:
        for done, shot in enumerate(shots):
            night.report("taking frames", done, total)
            path = night.folder.path("frames", "lights", f"light-{shot.number:02d}.fits")
            writer.put(
                path,
                render_shot(bench.kit, bench.site, bench.sky, target, shot, exposure_s=seconds),
            )
            lights.append(path)
        for done, (kind, number, moment) in enumerate(others, len(shots)):
            night.report("taking frames", done, total)
            folder = kind if kind == "bias" else f"{kind}s"
            writer.put(
                night.folder.path("frames", folder, f"{kind}-{number:02d}.fits"),
                render_calibration(bench.kit, bench.site, kind, number, moment, exposure_s=seconds),
            )
    night.report("taking frames", total, total)
    return lights


def _look(night: Night, paths: list[Path]) -> Iterator[Look]:
    return night.bench.look(
        paths, near=scenario.TARGET, target=scenario.TARGET,
        longest_px=PICTURE_PX, report=night.report,
    )  # fmt: skip


def judge(night: Night, test: Path, lights: list[Path]) -> list[Look]:
    """Verdict, overlay and picture of the test frame and of every light."""
    from slowglass.frame.preview import shrink
    from slowglass.learn.night import write_json

    looks = []
    for look in _look(night, [test, *lights]):
        name = Path(look.verdict.file).stem
        night.keep(name, look.picture, f"Frame {name}, stars dark on light.")
        small = np.rint(shrink(look.picture, SMALL_PX)).astype(np.uint8)
        night.keep(f"{name}-small", small, "")
        write_json(night.folder.path("overlays", f"{name}.json"), look.overlay.to_json())
        looks.append(look)
    return looks


def frame_index(looks: list[Look]) -> list[dict[str, Any]]:
    """What the record says of each frame beside its verdict."""
    rows = []
    for number, look in enumerate(looks):
        path = Path(look.verdict.file)
        height, width = look.picture.shape[:2]
        small = SMALL_PX / max(width, height)
        rows.append(
            {
                "id": path.stem,
                "name": path.name,
                "label": "Test frame" if number == 0 else f"Frame {number}",
                "overlay": f"overlays/{path.stem}.json",
                "size": [width, height],
                "small": [round(width * small), round(height * small)],
            }
        )
    return rows


def finish(night: Night, looks: list[Look]) -> FinishResult:
    """The finished picture from the folder of frames, as the command would make it."""
    root = night.folder.folder
    result = night.bench.finish(
        root / "frames", night.folder.path("finished", scenario.TARGET), report=night.report
    )
    jpeg = next(Path(p) for p in result.outputs if p.endswith(".jpg"))
    picture = plates.read_picture(jpeg)
    night.keep(
        "finished",
        plates.shrink_8bit(picture, PICTURE_PX),
        f"{scenario.TARGET} in the middle of a field of stars, in natural colour.",
    )
    return result
