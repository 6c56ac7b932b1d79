"""What the series as a whole shows: drift, focus, the drive's swing, the polar axis. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from slowglass.judge.axis import AxisFit, measure_axis
from slowglass.judge.cause import Cause, find_cause
from slowglass.judge.drift import Drift, measure_drift
from slowglass.judge.focus import FocusTrend, measure_focus
from slowglass.judge.instruction import Say
from slowglass.judge.sample import Sample, offsets_arcsec, sample_of
from slowglass.judge.silence import Silence
from slowglass.judge.watch_sort import Entry
from slowglass.judge.worm import WormFit, measure_worm

MOST_FOR_AXIS = 40
"""Frames the axis is fitted to, spread over the series: more cost time and add little."""
TRAILING = ("drive", "polar axis", "wind", "slip", "field rotation")


@dataclass(frozen=True)
class PlotPoint:
    """One frame of the series in the plots; None where it was not measured."""

    name: str
    minutes: float | None
    keeper: bool
    fwhm_px: float | None
    east_arcsec: float | None
    north_arcsec: float | None
    sky_adu: float | None


@dataclass(frozen=True)
class Trends:
    """The series' measurements, or the reason for silence in place of each."""

    points: tuple[PlotPoint, ...]
    drift: Drift | Silence
    focus: FocusTrend | Silence
    worm: WormFit | Silence
    axis: AxisFit | Silence
    cause: Cause | None
    """Why the newest frame's stars are as they are, its neighbours asked."""

    @property
    def warnings(self) -> tuple[Say, ...]:
        """What should be said of the series though the newest frame is in order."""
        if isinstance(self.focus, FocusTrend) and self.focus.creeping:
            text = f"Refocus: stars have grown by {self.focus.change_px:.1f} px"
            return (Say(text, (self.focus.text,), "act"),)
        return ()


def find_trends(
    series: Sequence[Entry],
    *,
    aperture_mm: float | None = None,
    worm_period_s: float | None = None,
    latitude_deg: float | None = None,
    longitude_deg: float | None = None,
) -> Trends:
    """The trends of a series; without a place on Earth the polar axis stays unknown."""
    samples = [sample_of(entry.verdict) for entry in series]
    axis: AxisFit | Silence = Silence("the polar axis needs your site: see slowglass site")
    if latitude_deg is not None and longitude_deg is not None:
        step = max(1, -(-len(samples) // MOST_FOR_AXIS))
        axis = measure_axis(samples[::step], latitude_deg=latitude_deg, longitude_deg=longitude_deg)
    cause = find_cause(samples, len(samples) - 1, worm_period_s=worm_period_s) if samples else None
    return Trends(
        _points(series, samples),
        measure_drift(samples),
        measure_focus(samples, aperture_mm=aperture_mm),
        measure_worm(samples),
        axis,
        cause if isinstance(cause, Cause) else None,
    )


def said_of_cause(trends: Trends | None) -> Say | None:
    """The cause's own advice for a trailed frame, where the series makes the cause sure."""
    cause = None if trends is None else trends.cause
    if cause is None or cause.alone or not cause.sure or cause.name not in TRAILING:
        return None
    return Say(cause.advice, (cause.text,), "act")


def _points(series: Sequence[Entry], samples: Sequence[Sample]) -> tuple[PlotPoint, ...]:
    timed = [s.mid_s for s in samples if s.mid_s is not None]
    placed = [i for i, s in enumerate(samples) if s.placed]
    places: dict[int, tuple[float, float]] = {}
    nowhere: tuple[float | None, float | None] = (None, None)
    if placed:
        _, east, north = offsets_arcsec([samples[i] for i in placed])
        places = {i: (float(e), float(n)) for i, e, n in zip(placed, east, north, strict=True)}
    points = []
    for index, (entry, sample) in enumerate(zip(series, samples, strict=True)):
        east_arcsec, north_arcsec = places.get(index, nowhere)
        points.append(
            PlotPoint(
                entry.name,
                None if sample.mid_s is None else (sample.mid_s - min(timed)) / 60.0,
                entry.verdict.keeper,
                entry.verdict.fwhm_px,
                east_arcsec,
                north_arcsec,
                entry.verdict.sky_adu,
            )
        )
    return tuple(points)
