"""The questions that the logbook answers for a kit at a site."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from slowglass.learn.advice import Advice, advise
from slowglass.learn.corrections import corrected, propose
from slowglass.learn.groups import groups_of
from slowglass.learn.logbook.records import FrameQuery, LoggedFrame, LoggedPicture, Night
from slowglass.learn.review import (
    GroupReview,
    TrialSummary,
    leave_one_night_out,
    review_groups,
    worthwhile,
)
from slowglass.learn.values import KitValue

if TYPE_CHECKING:
    from slowglass.kit.model import Kit, Site
    from slowglass.learn.logbook.store import Logbook
    from slowglass.sky.store import Sky


@dataclass(frozen=True)
class NightSummary:
    """One night in numbers."""

    night: Night
    objects: tuple[str, ...]
    frames: int
    keepers: int
    kept_s: float
    """Exposure of the frames kept."""


@dataclass(frozen=True)
class LogbookSummary:
    """What the logbook holds."""

    nights: tuple[NightSummary, ...]
    frames: int
    keepers: int
    kept_s: float
    pictures: int
    objects: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        """A JSON-serialisable mapping."""
        return {
            "nights": [
                {
                    "evening": n.night.evening, "site": n.night.site, "kit": n.night.kit,
                    "objects": list(n.objects), "frames": n.frames, "keepers": n.keepers,
                    "kept_s": n.kept_s,
                }
                for n in self.nights
            ],
            "frames": self.frames, "keepers": self.keepers, "kept_s": self.kept_s,
            "pictures": self.pictures, "objects": list(self.objects),
        }  # fmt: skip


@dataclass(frozen=True)
class Lessons:
    """What the nights teach: reviews, corrections with their worth, and advice."""

    reviews: tuple[GroupReview, ...]
    values: tuple[KitValue, ...]
    """Every correction the frames allow."""
    differing: tuple[KitValue, ...]
    """Those that differ from the value in use by more than their uncertainty."""
    trial: TrialSummary
    advice: tuple[Advice, ...]

    def to_json(self) -> dict[str, Any]:
        """A JSON-serialisable mapping."""
        return {
            "reviews": [review.to_json() for review in self.reviews],
            "corrections": [value.to_json() for value in self.values],
            "differing": [value.quantity for value in self.differing],
            "trial": {
                "snr_error_before": self.trial.snr_error_before,
                "snr_error_after": self.trial.snr_error_after,
                "kept_error_before": self.trial.kept_error_before,
                "kept_error_after": self.trial.kept_error_after,
                "text": self.trial.text,
            },
            "advice": [piece.to_json() for piece in self.advice],
        }


def summarise_logbook(logbook: Logbook) -> LogbookSummary:
    """Nights, frames and pictures in numbers, newest night first."""
    lights: dict[int | None, list[LoggedFrame]] = {}
    for frame in logbook.frames(FrameQuery(kind="light")):
        lights.setdefault(frame.night_id, []).append(frame)
    nights = sorted(logbook.all(Night), key=lambda n: n.evening, reverse=True)
    rows = tuple(_summary(night, lights.get(night.id, [])) for night in nights)
    everything = [frame for frames in lights.values() for frame in frames]
    return LogbookSummary(
        nights=rows,
        frames=len(everything),
        keepers=sum(f.keeper for f in everything),
        kept_s=sum(row.kept_s for row in rows),
        pictures=len(logbook.all(LoggedPicture)),
        objects=tuple(sorted({f.object for f in everything if f.object})),
    )


def learn_from(
    logbook: Logbook, kit: Kit, site: Site, sky: Sky, *, evening: str | None = None
) -> Lessons:
    """Reviews, corrections and advice from the logbook's frames of a kit at a site.

    ``evening`` narrows the reviews to one night; corrections and advice use all of them.
    """
    groups = groups_of(logbook, kit=kit.name, site=site.name)
    shown = [g for g in groups if evening is None or g.night.evening == evening]
    values = propose(groups, kit, site, sky)
    differing = worthwhile(values)
    better = corrected(kit, site, differing)
    return Lessons(
        reviews=review_groups(shown, kit, site, sky),
        values=values,
        differing=differing,
        trial=leave_one_night_out(groups, kit, site, sky),
        advice=advise(groups, *better, sky),
    )


def _summary(night: Night, frames: Sequence[LoggedFrame]) -> NightSummary:
    kept = [f for f in frames if f.keeper]
    return NightSummary(
        night=night,
        objects=tuple(sorted({f.object for f in frames if f.object})),
        frames=len(frames),
        keepers=len(kept),
        kept_s=sum(f.exposure_s or 0.0 for f in kept),
    )
