"""Predicted against measured for every object and night, and what a miss is owed to."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from slowglass.learn.compare import Comparison
from slowglass.learn.corrections import corrected, propose
from slowglass.learn.groups import Group, GroupMeasures, Prediction
from slowglass.learn.values import KitValue

if TYPE_CHECKING:
    from slowglass.kit.model import Kit, Site
    from slowglass.learn.shared import Shared

WELL_SAID = 0.1
"""Within this share a prediction is as good as the frames can tell: there is no miss."""
FEWEST_NIGHTS = 2
LIMIT = "Limiting magnitude"
STARS = "Catalogue stars reached"


@dataclass(frozen=True)
class Miss:
    """One cause of a difference, and what it alone does to the signal to noise."""

    cause: str
    factor: float
    text: str


@dataclass(frozen=True)
class GroupReview:
    """One object in one night: the plan's word, the frames' word, and why they differ."""

    group: Group
    predicted: Prediction
    measured: GroupMeasures
    rows: tuple[Comparison, ...]
    misses: tuple[Miss, ...]
    """Causes of the difference, the greatest first."""

    @property
    def reason(self) -> str:
        """The single biggest reason for a miss; empty when there is no miss."""
        return self.misses[0].text if self.misses else ""

    def to_json(self) -> dict[str, Any]:
        """A JSON-serialisable mapping."""
        return {
            "night": self.group.night.evening, "object": self.group.object,
            "exposure_s": self.group.exposure_s, "frames": self.measured.frames,
            "rows": [row.to_json() for row in self.rows], "reason": self.reason,
            "causes": [{"cause": m.cause, "factor": m.factor, "text": m.text}
                       for m in self.misses],
        }  # fmt: skip


@dataclass(frozen=True)
class Trial:
    """One night predicted from the other nights alone, before and after their corrections."""

    evening: str
    object: str
    exposure_s: float
    snr_measured: float | None
    snr_before: float | None
    snr_after: float | None
    kept_measured: float | None
    kept_before: float
    kept_after: float


@dataclass(frozen=True)
class TrialSummary:
    """What the corrections would have been worth, told honestly: each night left out in turn."""

    trials: tuple[Trial, ...]
    snr_error_before: float | None
    """Median of |ln(measured / predicted)|."""
    snr_error_after: float | None
    kept_error_before: float | None
    """Median difference of the share of frames kept."""
    kept_error_after: float | None

    @property
    def text(self) -> str:
        """The summary in a sentence."""
        if self.snr_error_before is None or self.snr_error_after is None:
            return "Two nights with measured objects are needed to try corrections on."
        before, after = (100.0 * math.expm1(e) for e in
                         (self.snr_error_before, self.snr_error_after))  # fmt: skip
        words = f"Predictions of the signal to noise were {before:.0f} % off; with what the other "
        words += f"nights taught they would have been {after:.0f} % off"
        if self.kept_error_before is not None and self.kept_error_after is not None:
            words += (
                f", and the share of frames kept {100 * self.kept_error_after:.0f} points off "
                f"instead of {100 * self.kept_error_before:.0f}"
            )
        return words + "."


def review_groups(
    groups: Sequence[Group], kit: Kit, site: Site, shared: Shared
) -> tuple[GroupReview, ...]:
    """Every group against the plan logged with it, or what the kit in use predicts."""
    return tuple(_review(group, kit, site, shared) for group in groups)


def leave_one_night_out(
    groups: Sequence[Group], kit: Kit, site: Site, shared: Shared
) -> TrialSummary:
    """Predictions of each night by a kit corrected from all other nights."""
    evenings = sorted({g.night.evening for g in groups})
    trials = []
    if len(evenings) >= FEWEST_NIGHTS:
        for evening in evenings:
            others = [g for g in groups if g.night.evening != evening]
            better = corrected(kit, site, propose(others, kit, site, shared))
            for group in (g for g in groups if g.night.evening == evening):
                trials.append(_trial(group, (kit, site), better, shared))
    return summarise(trials)


def summarise(trials: Sequence[Trial]) -> TrialSummary:
    """Median errors before and after."""

    def snr(name: str) -> float | None:
        pairs = [(t.snr_measured, getattr(t, name)) for t in trials]
        logs = [abs(math.log(m / p)) for m, p in pairs if m and p and m > 0 and p > 0]
        return float(np.median(logs)) if logs else None

    def kept(name: str) -> float | None:
        gaps = [
            abs(t.kept_measured - getattr(t, name)) for t in trials if t.kept_measured is not None
        ]
        return float(np.median(gaps)) if gaps else None

    return TrialSummary(
        tuple(trials), snr("snr_before"), snr("snr_after"), kept("kept_before"), kept("kept_after")
    )


def worthwhile(values: Sequence[KitValue], least_sigma: float = 2.0) -> tuple[KitValue, ...]:
    """The values that differ from the stated ones by more than their uncertainty allows."""
    return tuple(v for v in values if v.apart is None or abs(v.apart) >= least_sigma)


def _trial(
    group: Group, before: tuple[Kit, Site], after: tuple[Kit, Site], shared: Shared
) -> Trial:
    first, second = (shared.predict(group, *bench) for bench in (before, after))
    as_first = group.measures(predicted_fwhm_arcsec=first.fwhm_arcsec)
    as_second = group.measures(predicted_fwhm_arcsec=second.fwhm_arcsec)
    # Signal to noise is told in a disc of the star's width: bring both to the second's.
    scale = second.fwhm_arcsec / first.fwhm_arcsec
    return Trial(
        evening=group.night.evening,
        object=group.object,
        exposure_s=group.exposure_s,
        snr_measured=as_second.snr,
        snr_before=None if first.snr is None else first.snr * scale,
        snr_after=second.snr,
        kept_measured=as_first.keeper_fraction,
        kept_before=first.keeper_fraction,
        kept_after=second.keeper_fraction,
    )


def _review(group: Group, kit: Kit, site: Site, shared: Shared) -> GroupReview:
    predicted = group.predicted or shared.predict(group, kit, site)
    measured = group.measures(predicted_fwhm_arcsec=predicted.fwhm_arcsec)
    frames = f"{measured.frames} frames"
    rows = (
        Comparison("Signal to noise of one frame", "", predicted.snr, measured.snr,
                   f"the object's light in a resolution element, {frames}"),
        Comparison("Star width (FWHM)", "″", predicted.fwhm_arcsec, measured.fwhm_arcsec,
                   f"round stars, {frames}"),
        Comparison("Sky", "mag/arcsec²", predicted.sky_mag_arcsec2, measured.sky_mag_arcsec2,
                   f"against catalogue stars, {frames}"),
        Comparison("Light that arrived", "", 1.0, measured.transparency,
                   f"stars against the kit's promise, {frames}"),
        Comparison("Share of frames kept", "", predicted.keeper_fraction,
                   measured.keeper_fraction,
                   f"{measured.round_frames} of {measured.shaped_frames} with round stars"),
        Comparison(LIMIT, "mag", predicted.faintest_mag, measured.faintest_mag,
                   f"a star of five times the noise in one frame{_half_seen(measured)}"),
        Comparison(STARS, "", _whole(group.stars_brighter(predicted.faintest_mag)),
                   _whole(measured.stars_seen), "in one frame; all that the forecast's limiting "
                   "magnitude takes in, and those found"),
    )  # fmt: skip
    return GroupReview(group, predicted, measured, rows, misses_of(predicted, measured))


def _half_seen(measured: GroupMeasures) -> str:
    if measured.half_seen_mag is None:
        return ""
    return f"; half of the catalogue's stars were found at {measured.half_seen_mag:.1f}"


def _whole(count: float | None) -> float | None:
    return None if count is None else float(round(count))


def misses_of(predicted: Prediction, measured: GroupMeasures) -> tuple[Miss, ...]:
    """Causes that change the stack's signal to noise by more than a tenth, the greatest first.

    Each is taken alone, by the signal-to-noise equation with one term changed; the share of
    frames kept counts by its square root.
    """
    found: list[Miss] = []
    if predicted.object_e_per_px is not None and predicted.snr:
        light = measured.transparency or 1.0
        if measured.transparency is not None:
            factor = _snr_factor(predicted, light=light, sky=light)
            found.append(Miss("light", factor, f"{light:.0%} of the promised light arrived: "
                              "haze, dew, or glass that passes less than stated"))  # fmt: skip
        if measured.sky_mag_arcsec2 is not None:
            brighter = predicted.sky_mag_arcsec2 - measured.sky_mag_arcsec2
            factor = _snr_factor(predicted, light=1.0, sky=10.0 ** (0.4 * brighter))
            word = "brighter" if brighter > 0 else "darker"
            found.append(Miss("sky", factor, f"the sky was {abs(brighter):.1f} mag/arcsec² "
                              f"{word} than the site promises"))  # fmt: skip
    kept = measured.keeper_fraction
    if kept is not None and predicted.keeper_fraction > 0:
        factor = math.sqrt(max(kept, 0.01) / max(predicted.keeper_fraction, 0.01))
        word = "fewer" if factor < 1 else "more"
        found.append(Miss("tracking", factor, f"{word} frames stayed round: {kept:.0%} instead "
                          f"of {predicted.keeper_fraction:.0%}"))  # fmt: skip
    if measured.fwhm_arcsec is not None:
        factor = predicted.fwhm_arcsec / measured.fwhm_arcsec
        word = "wider" if factor < 1 else "narrower"
        found.append(Miss("width", factor, f"stars were {measured.fwhm_arcsec:.1f}″ wide instead "
                          f"of {predicted.fwhm_arcsec:.1f}″ ({word}: focus or air)"))  # fmt: skip
    told = [m for m in found if abs(math.log(m.factor)) > math.log1p(WELL_SAID)]
    return tuple(sorted(told, key=lambda m: -abs(math.log(m.factor))))


def _snr_factor(predicted: Prediction, *, light: float, sky: float) -> float:
    """Signal to noise with light and sky changed by factors, over that predicted."""
    signal = predicted.object_e_per_px or 0.0
    fixed = predicted.dark_e_per_px + predicted.read_noise_e**2
    before = signal / math.sqrt(signal + predicted.sky_e_per_px + fixed)
    after = light * signal / math.sqrt(light * signal + sky * predicted.sky_e_per_px + fixed)
    return after / before
