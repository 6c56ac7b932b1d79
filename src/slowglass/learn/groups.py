"""What was predicted and what was measured for one object, exposure and night."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from slowglass.judge.light import CLOUDED
from slowglass.judge.reach import STEP_MAG
from slowglass.learn.logbook.records import FrameQuery, LoggedFrame, LoggedPlan, Night

if TYPE_CHECKING:
    from slowglass.kit.model import Kit, Site
    from slowglass.learn.logbook.store import Logbook
    from slowglass.sky.store import Sky

FEWEST_FRAMES = 3
"""Fewer frames of an object say nothing of the share that is kept."""
ROUND = 1.15
"""Frames rounder than this show the air's width, not the drive's."""


@dataclass(frozen=True)
class Prediction:
    """What a kit promises for a group; None where it cannot tell."""

    snr: float | None
    fwhm_arcsec: float
    keeper_fraction: float
    sky_mag_arcsec2: float
    faintest_mag: float
    object_e_per_px: float | None
    sky_e_per_px: float
    dark_e_per_px: float
    read_noise_e: float


@dataclass(frozen=True)
class GroupMeasures:
    """What the frames of a group gave; None where they do not tell. Medians of good frames."""

    frames: int
    round_frames: int
    """Frames whose stars are round enough to keep, of those whose stars could be measured."""
    shaped_frames: int
    snr: float | None
    """In one frame and one resolution element of the predicted size."""
    fwhm_arcsec: float | None
    sky_mag_arcsec2: float | None
    transparency: float | None
    """Share of the light that arrived of what the kit promised when the frames were judged."""
    scale_arcsec_per_px: float | None
    faintest_mag: float | None = None
    """V of a star of five times the noise in one frame."""
    half_seen_mag: float | None = None
    """V at which half of the catalogue's stars are found, where the catalogue is deep enough."""
    stars_seen: float | None = None
    """Catalogue stars found in one frame."""

    @property
    def keeper_fraction(self) -> float | None:
        """Share of frames with round stars."""
        return self.round_frames / self.shaped_frames if self.shaped_frames else None


@dataclass(frozen=True)
class Group:
    """The light frames of one object and exposure in one night, with the plan logged for them."""

    night: Night
    object: str
    exposure_s: float
    frames: tuple[LoggedFrame, ...]
    plan: Mapping[str, Any] | None

    @cached_property
    def when(self) -> datetime:
        """The middle of the group's frames."""
        starts = sorted(datetime.fromisoformat(f.start_utc or "") for f in self.frames)
        return starts[len(starts) // 2]

    @property
    def key(self) -> Hashable:
        """Tells this group from others of one reading of the logbook."""
        night, first = self.night, self.frames[0]
        return (night.evening, night.site, night.kit, self.object, self.exposure_s,
                len(self.frames), first.start_utc, first.fingerprint)  # fmt: skip

    @property
    def predicted(self) -> Prediction | None:
        """What the plan logged with the frames promised."""
        return None if self.plan is None else prediction_from(self.plan)

    def measures(
        self, *, predicted_fwhm_arcsec: float | None = None, passes: float = 1.0
    ) -> GroupMeasures:
        """What the frames gave; signal to noise in a disc of the predicted star width.

        ``passes`` is the share of the promised light that the kit lets through on clear nights,
        as far as it has been learned: what is missing beyond that is cloud.
        """
        from slowglass.expose.tracking import KEEPER_ELONGATION

        shaped = [f for f in self.frames if f.elongation is not None]
        good = [f for f in self.frames if f.keeper] or list(self.frames)
        width = _median([_untrailed_arcsec(f) for f in shaped if (f.elongation or 9.0) < ROUND])
        if width is None:
            width = _median([_untrailed_arcsec(f) for f in good])
        at_size = [
            f.snr * (predicted_fwhm_arcsec or f.fwhm_arcsec) / f.fwhm_arcsec
            for f in good
            if f.snr is not None and f.fwhm_arcsec
        ]
        return GroupMeasures(
            frames=len(self.frames),
            round_frames=sum((f.elongation or 9.0) <= KEEPER_ELONGATION for f in shaped),
            shaped_frames=len(shaped),
            snr=_median(at_size),
            fwhm_arcsec=width,
            sky_mag_arcsec2=_median([sky_of_frame(f, passes) for f in good]),
            transparency=_median([light_of(f).get("transparency") for f in good]),
            scale_arcsec_per_px=_median(
                [f.verdict.get("scale_arcsec_per_px") for f in self.frames if f.solved]
            ),
            faintest_mag=_median([f.faintest_mag for f in good]),
            half_seen_mag=_median([light_of(f).get("half_seen_mag") for f in good]),
            stars_seen=_median(
                [sum(seen for _, _, seen in rows) for f in good if (rows := _by_mag(f))]
            ),
        )

    def stars_brighter(self, faintest_mag: float) -> float | None:
        """Catalogue stars in one frame down to a magnitude, whether found or not."""
        good = [f for f in self.frames if f.keeper] or list(self.frames)
        counts = [
            sum(
                there * min(1.0, max(0.0, (faintest_mag - (end - STEP_MAG)) / STEP_MAG))
                for end, there, _ in rows
            )
            for f in good
            if (rows := _by_mag(f))
        ]
        return _median(counts)


def groups_of(logbook: Logbook, *, kit: str | None = None, site: str | None = None) -> list[Group]:
    """Every group of a kit and a site in the logbook, oldest night first."""
    nights = {n.id: n for n in logbook.all(Night)}
    plans: dict[tuple[int | None, str], list[LoggedPlan]] = defaultdict(list)
    for plan in logbook.all(LoggedPlan):
        plans[plan.night_id, plan.object].append(plan)
    found: dict[tuple[int | None, str, float], list[LoggedFrame]] = defaultdict(list)
    for frame in logbook.frames(FrameQuery(kind="light", kit=kit, site=site)):
        if frame.object and frame.exposure_s and frame.start_utc:
            found[frame.night_id, frame.object, round(frame.exposure_s, 1)].append(frame)
    groups = []
    for (night_id, thing, exposure_s), frames in found.items():
        mine = [
            p.plan
            for p in plans[night_id, thing]
            if abs(float(p.plan.get("exposure_s", 0.0)) - exposure_s) < 0.5
        ]
        groups.append(
            Group(nights[night_id], thing, exposure_s, tuple(frames), mine[0] if mine else None)
        )
    return sorted(groups, key=lambda g: (g.night.evening, g.frames[0].start_utc or ""))


def predict(group: Group, kit: Kit, site: Site, sky: Sky) -> Prediction:
    """What a kit at a site promises for a group at its own hour."""
    from slowglass.expose.service import expose_object

    plan = expose_object(
        kit, site, sky, group.object, seconds=group.exposure_s, frames=1, when=group.when
    )
    return prediction_from({**plan.to_json(), "scale_arcsec_per_px": kit.scale_arcsec_per_px})


def prediction_from(plan: Mapping[str, Any]) -> Prediction:
    """The part of a plan's JSON that frames can be compared with."""
    scale = plan.get("scale_arcsec_per_px")
    if scale is None:
        from slowglass.kit.optics import scale_arcsec_per_px

        kit = plan["kit"]
        scale = scale_arcsec_per_px(kit["camera"]["pixel_um"], kit["optics"]["focal_length_mm"])
    names = ("object_e_per_px", "sky_e_per_px", "dark_e_per_px", "read_noise_e", "snr")
    return Prediction(
        **{name: plan[name] for name in names},
        fwhm_arcsec=plan["fwhm_px"] * scale,
        keeper_fraction=plan["keeper_fraction"],
        sky_mag_arcsec2=plan["sky_mag_arcsec2"],
        faintest_mag=plan["faintest_mag"],
    )


def sky_of_frame(frame: LoggedFrame, passes: float) -> float | None:
    """Sky of a frame, freed from a cloud that was only a kit's dimmer glass.

    A frame short of light is reckoned through cloud, with the kit's own zero point; if the kit
    never passes more, that was no cloud, and the stars' own zero point holds.
    """
    light = light_of(frame)
    share, sky = light.get("transparency"), frame.sky_mag_arcsec2
    if sky is None or not share or share >= CLOUDED:
        return sky
    return sky + 2.5 * math.log10(share if share >= CLOUDED * passes else passes)


def light_of(frame: LoggedFrame) -> Mapping[str, Any]:
    """What judging said of a frame's light and sky; empty where it said nothing."""
    return frame.verdict.get("light") or {}


def _untrailed_arcsec(frame: LoggedFrame) -> float | None:
    """Width of a frame's stars across their trail.

    The width of a star is that of a disc of its area: a trail makes it √elongation wider.
    """
    if frame.fwhm_arcsec is None:
        return None
    return frame.fwhm_arcsec / math.sqrt(max(1.0, frame.elongation or 1.0))


def _by_mag(frame: LoggedFrame) -> Sequence[tuple[float, int, int]]:
    """By half magnitudes: fainter end, catalogue stars in the frame, those found."""
    return light_of(frame).get("catalogue_by_mag") or ()


def _median(values: Sequence[float | None]) -> float | None:
    known = [v for v in values if v is not None and math.isfinite(v)]
    return float(np.median(known)) if known else None
