"""A folder of frames judged earlier, as one night: the same state that a watch would show."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from slowglass.judge.axis import measure_axis
from slowglass.judge.instruction import Say, say_next
from slowglass.judge.kept import verdict_reader
from slowglass.judge.overlay import Overlay, overlay_over, stars_round
from slowglass.judge.sample import sample_of
from slowglass.judge.watch_sort import Entry, sort_out
from slowglass.judge.watch_state import WatchState
from slowglass.judge.watch_trends import Trends, find_trends, said_of_cause
from slowglass.sky.coords import epoch_year

if TYPE_CHECKING:
    from slowglass.judge.kept import Kept, KeptFrames
    from slowglass.kit.model import Kit, Site
    from slowglass.sky.place import Place
    from slowglass.sky.store import Sky


@dataclass(frozen=True)
class JudgedFolder:
    """What is known of a folder's frames, and which of them are still to be judged."""

    state: WatchState
    to_judge: tuple[Path, ...]


def judged_folder(
    folder: Path,
    paths: list[Path],
    kept: KeptFrames,
    *,
    target: str | None = None,
    kit: Kit | None = None,
    site: Site | None = None,
) -> JudgedFolder:
    """The state of a folder whose frames are ``paths``, from what is kept of each.

    The instruction is about the lights; where there are none, about what there is.
    """
    entries, missing = [], []
    for path in paths:
        known = kept.get(path, stars=False)
        if known is None:
            missing.append(path)
        else:
            entries.append(Entry(path.relative_to(folder).as_posix(), known.verdict))
    state = told_state(folder, entries, target=target, kit=kit, site=site)
    return JudgedFolder(replace(state, to_judge=len(missing)), tuple(missing))


def entries_of_json(told: Sequence[Mapping[str, Any]]) -> list[Entry]:
    """Entries of verdicts as a night's record has them."""
    verdicts = verdict_reader()
    found = [
        verdicts.validate_python({k: v for k, v in one.items() if k != "cause"}) for one in told
    ]
    return [Entry(Path(verdict.file).name, verdict) for verdict in found]


def told_state(
    folder: Path,
    entries: Sequence[Entry],
    *,
    target: str | None = None,
    kit: Kit | None = None,
    site: Site | None = None,
) -> WatchState:
    """The state of a night of which these entries are all there is, in any order."""
    in_time = sorted(entries, key=lambda e: (e.start_s is None, e.start_s or 0.0, e.name))
    sorted_out = sort_out(in_time)
    trends = find_trends([e for e in sorted_out if e.role == "light"], kit=kit, site=site)
    if trends is not None and not trends.report.axis and site is not None:
        trends = _with_turned(trends, sorted_out, site)
    about = [e for e in sorted_out if e.role not in ("dark", "flat", "bias")] or list(sorted_out)
    say = Say("Judge these frames")
    if about:
        warnings = () if trends is None else trends.warnings
        say = say_next(about, warnings=warnings, cause=said_of_cause(trends))
    return WatchState(str(folder), say=say, entries=sorted_out, trends=trends, target=target)


def _with_turned(trends: Trends, entries: Sequence[Entry], site: Site) -> Trends:
    """The trends with the axis from all lights: frames turned in RA show no field in common."""
    samples = [sample_of(e.verdict) for e in entries if e.role in ("light", "test")]
    axis = measure_axis(samples, latitude_deg=site.latitude_deg, longitude_deg=site.longitude_deg)
    return replace(trends, report=replace(trends.report, axis=axis)) if axis else trends


def overlay_of_kept(kept: Kept, sky: Sky, target: Place | None) -> Overlay | None:
    """The overlay of a frame judged earlier; None where its size is not known."""
    verdict = kept.verdict
    width, height = verdict.width_px, verdict.height_px
    if not width or not height:
        return None
    catalogue = None
    if kept.wcs is not None:
        start = verdict.start_utc
        when = datetime.fromisoformat(start) if start else datetime.now(UTC)
        catalogue, _ = stars_round(kept.wcs, width, height, sky, epoch_year(when))
    return overlay_over(width, height, kept.stars, wcs=kept.wcs, catalogue=catalogue, target=target)
