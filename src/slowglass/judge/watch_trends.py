"""What the series as a whole shows while it grows: the same report as afterwards. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from slowglass.judge.advice import ExposureAdvice
from slowglass.judge.cause import Cause
from slowglass.judge.cloud import CLOUD_MAG, Clouds
from slowglass.judge.focus import FocusTrend
from slowglass.judge.instruction import Say
from slowglass.judge.report import SeriesReport, sum_up
from slowglass.judge.sample import offsets_arcsec, sample_of

if TYPE_CHECKING:
    from slowglass.judge.watch_sort import Entry
    from slowglass.kit.model import Kit, Site

NEWEST = 200
"""Frames that the report looks back on, some hours: a quarter of a second after each frame."""
TRAILING = ("drive", "polar axis", "wind", "slip", "field rotation")
CLOUDY_IN_A_ROW = 2


@dataclass(frozen=True)
class PlotPoint:
    """One frame of the series in the plots; None where it was not measured."""

    name: str
    minutes: float | None
    keeper: bool
    fwhm_px: float | None
    east_arcsec: float | None
    north_arcsec: float | None


@dataclass(frozen=True)
class Trends:
    """The series' report, its plots' points, and why the newest frame is as it is."""

    report: SeriesReport
    points: tuple[PlotPoint, ...]
    cause: Cause | None

    @property
    def warnings(self) -> tuple[Say, ...]:
        """What to say of the series though the newest frame is in order, most pressing first."""
        report, found = self.report, []
        if isinstance(report.clouds, Clouds):
            lost = [mag for mag in report.clouds.lost_mag if mag is not None][-CLOUDY_IN_A_ROW:]
            if report.clouds.fading:
                found.append(
                    Say("Check the glass for dew: stars fade", (report.clouds.text,), "act")
                )
            elif len(lost) == CLOUDY_IN_A_ROW and min(lost) > CLOUD_MAG:
                found.append(Say("Cloud passes: shoot on, or wait", (report.clouds.text,)))
        if isinstance(report.focus, FocusTrend) and report.focus.creeping:
            text = f"Refocus: stars have grown by {report.focus.change_px:.1f} px"
            found.append(Say(text, (report.focus.text,), "act"))
        if isinstance(report.exposure, ExposureAdvice) and report.exposure.step == "stop":
            text = "Stop, or choose something bright: the Moon"
            found.append(Say(text, (report.exposure.text,), "act"))
        return tuple(found)

    @property
    def words(self) -> tuple[str, ...]:
        """What was measured, a sentence each; what cannot be told yet is left out."""
        report = self.report
        parts = (report.focus, report.clouds, report.drift, report.worm, report.axis)
        words = [str(part.text) for part in parts if part]
        if report.hold:
            words.append(f"{report.hold.keep_80_s:.0f} s keep 80 % of the frames round")
        if report.exposure:
            words.append(f"next exposure: {report.exposure.text}")
        if self.cause is not None and self.cause.name != "round":
            words.insert(0, f"newest frame: {self.cause.text}")
        return tuple(words)


def find_trends(
    series: Sequence[Entry], *, kit: Kit | None = None, site: Site | None = None
) -> Trends | None:
    """The trends of a series in the order it was taken; None without a frame."""
    if not series:
        return None
    recent = series[-NEWEST:]
    last = len(recent) - 1
    report = sum_up([entry.verdict for entry in recent], kit=kit, site=site, cause_of=last)
    newest = report.causes[report.order.index(last)]
    return Trends(report, _points(recent), newest if isinstance(newest, Cause) else None)


def said_of_cause(trends: Trends | None) -> Say | None:
    """The cause's own advice for a trailed frame, where the series makes the cause sure."""
    cause = None if trends is None else trends.cause
    if cause is None or cause.alone or not cause.sure or cause.name not in TRAILING:
        return None
    return Say(cause.advice, (cause.text,), "act")


def _points(series: Sequence[Entry]) -> tuple[PlotPoint, ...]:
    samples = [sample_of(entry.verdict) for entry in series]
    timed = [s.mid_s for s in samples if s.mid_s is not None]
    placed = [i for i, s in enumerate(samples) if s.placed]
    places: dict[int, tuple[float, float]] = {}
    if placed:
        _, east, north = offsets_arcsec([samples[i] for i in placed])
        places = {i: (float(e), float(n)) for i, e, n in zip(placed, east, north, strict=True)}
    nowhere: tuple[float | None, float | None] = (None, None)
    points = []
    for index, (entry, sample) in enumerate(zip(series, samples, strict=True)):
        east_arcsec, north_arcsec = places.get(index, nowhere)
        minutes = None if sample.mid_s is None else (sample.mid_s - min(timed)) / 60.0
        points.append(
            PlotPoint(
                entry.name,
                minutes,
                entry.verdict.keeper,
                entry.verdict.fwhm_px,
                east_arcsec,
                north_arcsec,
            )
        )
    return tuple(points)
