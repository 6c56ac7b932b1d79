"""A series summed up: focus, drift, worm, axis, sky, cloud, causes, the next exposure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

import numpy as np

from slowglass.expose.conditions import conditions_at
from slowglass.expose.plan import star_width_arcsec
from slowglass.expose.tracking import trail_tolerance_arcsec
from slowglass.judge.advice import ExposureAdvice, advise_exposure
from slowglass.judge.axis import AxisFit, measure_axis
from slowglass.judge.cause import Cause, find_cause
from slowglass.judge.cloud import Clouds, find_clouds
from slowglass.judge.drift import Drift, measure_drift
from slowglass.judge.focus import FocusTrend, measure_focus
from slowglass.judge.sample import Sample, sample_of
from slowglass.judge.silence import Silence
from slowglass.judge.tilt import FieldMap, field_map
from slowglass.judge.vcurve import FocusCurve, fit_focus
from slowglass.judge.verdict import Verdict
from slowglass.judge.worm import HoldTimes, WormFit, hold_times, measure_worm
from slowglass.sky.coords import separation_deg

if TYPE_CHECKING:
    from slowglass.kit.model import Kit, Site

SAME_FIELD_DEG = 1.0
"""Frames farther apart were aimed anew; a drive does not wander that far in a night."""


@dataclass(frozen=True, eq=False)
class SeriesReport:
    """What the frames of one field say together; each part may be silent, with its reason."""

    frames: int
    solved: int
    keepers: int
    focus: FocusTrend | Silence
    field: FieldMap | Silence
    drift: Drift | Silence
    worm: WormFit | Silence
    hold: HoldTimes | Silence
    axis: AxisFit | Silence
    clouds: Clouds | Silence
    sky_mag_arcsec2: float | None
    exposure: ExposureAdvice | Silence
    causes: tuple[Cause | Silence, ...]
    """For each frame, in order of time, its neighbours asked too."""
    order: tuple[int, ...]
    """Place of each cause's frame among the verdicts given."""
    run: tuple[Sample, ...] = ()
    """The lights in order of time."""
    field_run: tuple[Sample, ...] = ()
    """Those of one field: what drift, swing and cloud are told from."""
    curve: FocusCurve | Silence | None = None
    """Best focus, where the frames were taken while the focuser was turned."""
    positions: tuple[float, ...] = ()
    in_order: tuple[Sample, ...] = ()
    """The lights in the order given, one for each of the focuser's positions."""

    def to_json(self) -> dict[str, Any]:
        """The JSON object: parts that are silent become objects with a ``reason``."""
        from slowglass.judge.report_json import report_json

        return report_json(self)


def sum_up(
    verdicts: Sequence[Verdict],
    *,
    kit: Kit | None = None,
    site: Site | None = None,
    focus_turn: float | None = None,
    cause_of: int | None = None,
) -> SeriesReport:
    """The report on the lights among judged frames, in any order; pure.

    With ``focus_turn`` the frames, in the order given, were taken while the focuser was turned by
    so many turns between each. ``cause_of`` asks for the cause of one of the verdicts only, by its
    place among them: causes take most of the time of a long series.
    """
    lights = [
        i
        for i, v in enumerate(verdicts)
        if v.error is None and v.kind not in ("dark", "flat", "bias")
    ]
    samples = {i: sample_of(verdicts[i]) for i in lights}
    # Frames without a time keep their place in the order given.
    order = sorted(lights, key=lambda i: (samples[i].mid_s or 0.0, i))
    run = [samples[i] for i in order]
    field_run = same_field(run)
    worm = measure_worm(field_run)
    drift = measure_drift(field_run)
    hold = _hold(field_run, worm, drift)
    lights_seen = [verdicts[i].light for i in order]
    # Through cloud the sky is only reckoned: clear frames speak first.
    clear = [v.sky_mag_arcsec2 for v in lights_seen if v is not None and not v.sky_reason]
    cloudy = [v.sky_mag_arcsec2 for v in lights_seen if v is not None]
    sky = _median(clear) if any(v is not None for v in clear) else _median(cloudy)
    in_order = tuple(samples[i] for i in lights)
    positions = tuple(focus_turn * k for k in range(len(in_order))) if focus_turn else ()
    only = None if cause_of is None else order.index(cause_of)
    causes = causes_of(run, kit=kit, site=site, only=only)
    return SeriesReport(
        frames=len(lights),
        solved=sum(verdicts[i].solved for i in lights),
        keepers=sum(verdicts[i].keeper for i in lights),
        focus=(
            Silence("the focuser was turned between the frames: no trend")
            if focus_turn
            else measure_focus(run, aperture_mm=kit.optics.aperture_mm if kit else None)
        ),
        field=field_map([s for s in run if s.pattern is not None]),
        drift=drift,
        worm=worm,
        hold=hold,
        axis=_axis(run, site),
        clouds=find_clouds(field_run),
        sky_mag_arcsec2=sky,
        exposure=_exposure([verdicts[i] for i in order], hold, site),
        causes=causes,
        order=tuple(order),
        run=tuple(run),
        field_run=tuple(field_run),
        curve=_curve(positions, in_order) if focus_turn else None,
        positions=positions,
        in_order=in_order,
    )


def same_field(run: Sequence[Sample]) -> list[Sample]:
    """The frames of the field most of them show, in their order; unplaced ones stay in."""
    placed = [s for s in run if s.placed]
    if not placed:
        return list(run)
    ra = np.array([s.ra_deg for s in placed], dtype=np.float64)
    dec = np.array([s.dec_deg for s in placed], dtype=np.float64)
    apart = separation_deg(ra[:, None], dec[:, None], ra[None, :], dec[None, :])
    most = int(np.argmax((apart < SAME_FIELD_DEG).sum(axis=1)))
    near = {id(s) for s, close in zip(placed, apart[most] < SAME_FIELD_DEG, strict=True) if close}
    return [s for s in run if not s.placed or id(s) in near]


def _curve(positions: Sequence[float], samples: Sequence[Sample]) -> FocusCurve | Silence:
    widths = [math.nan if s.hfd_px is None else s.hfd_px for s in samples]
    return fit_focus(positions, widths, unit="turn")


def causes_of(
    run: Sequence[Sample],
    *,
    kit: Kit | None = None,
    site: Site | None = None,
    only: int | None = None,
) -> tuple[Cause | Silence, ...]:
    """The cause of each frame of a series in order of time, or of ``only`` one of them."""
    worm = kit.mount.worm_period_s if kit is not None else None
    found: list[Cause | Silence] = []
    for i, sample in enumerate(run):
        if only not in (None, i):
            found.append(Silence("not asked for"))
            continue
        sharp = None
        if kit is not None and site is not None and sample.scale_arcsec_per_px:
            sharp = star_width_arcsec(kit, site) / sample.scale_arcsec_per_px
        found.append(find_cause(run, i, worm_period_s=worm, sharp_fwhm_px=sharp))
    return tuple(found)


def _axis(run: Sequence[Sample], site: Site | None) -> AxisFit | Silence:
    if site is None:
        return Silence("the site is not known: name it to get the polar axis")
    return measure_axis(run, latitude_deg=site.latitude_deg, longitude_deg=site.longitude_deg)


def _hold(
    run: Sequence[Sample], worm: WormFit | Silence, drift: Drift | Silence
) -> HoldTimes | Silence:
    """Hold times on this drive at this declination, for the width the stars really have."""
    if isinstance(worm, Silence):
        return worm
    widths = [
        s.fwhm_px * s.scale_arcsec_per_px
        for s in run
        if s.fwhm_px is not None and s.scale_arcsec_per_px is not None
    ]
    decs = [s.dec_deg for s in run if s.dec_deg is not None]
    if not widths or not decs:
        return Silence("no star width on the sky: no hold time")
    # The narrower frames show the round star; the wider are trailed themselves.
    tolerance = trail_tolerance_arcsec(float(np.quantile(widths, 0.25)))
    exposure = float(np.median([s.exposure_s or 30.0 for s in run]))
    return hold_times(
        worm,
        tolerance_arcsec=tolerance,
        dec_deg=float(np.median(decs)),
        exposure_s=exposure,
        dec_drift_arcsec_per_min=drift.dec_arcsec_per_min if drift else 0.0,
    )


def _exposure(
    verdicts: Sequence[Verdict], hold: HoldTimes | Silence, site: Site | None
) -> ExposureAdvice | Silence:
    usable = [v for v in verdicts if v.light is not None and v.exposure_s]
    if not usable:
        return Silence("no frame with a known exposure: nothing to advise")
    last = usable[-1]
    if last.light is None or not last.exposure_s:  # for the type checker: chosen above
        return Silence("no frame with a known exposure: nothing to advise")
    return advise_exposure(
        last.light,
        exposure_s=last.exposure_s,
        hold=hold or None,
        moon_mag=moon_brightening_mag(last, site),
    )


def moon_brightening_mag(verdict: Verdict, site: Site | None) -> float | None:
    """By how much Moon and twilight brighten the sky there and then, magnitudes."""
    if (
        site is None
        or verdict.start_utc is None
        or verdict.ra_deg is None
        or verdict.dec_deg is None
    ):
        return None
    when = datetime.fromisoformat(verdict.start_utc)
    there = conditions_at(site, verdict.ra_deg, verdict.dec_deg, when)
    return there.brightened_mag if math.isfinite(there.brightened_mag) else None


def _median(values: Sequence[float | None]) -> float | None:
    known = [v for v in values if v is not None and math.isfinite(v)]
    return float(np.median(known)) if known else None
