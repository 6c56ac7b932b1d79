"""The questions that the logbook answers for a kit at a site."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from slowglass.learn.advice import Advice, advise
from slowglass.learn.corrections import corrected, propose
from slowglass.learn.groups import groups_of
from slowglass.learn.logbook.records import LoggedPicture, Night
from slowglass.learn.review import (
    GroupReview,
    TrialSummary,
    leave_one_night_out,
    review_groups,
    worthwhile,
)
from slowglass.learn.shared import Shared
from slowglass.learn.values import KitValue
from slowglass.progress import Report, silent

if TYPE_CHECKING:
    from slowglass.kit.model import Kit, Site
    from slowglass.learn.logbook.search import NightCount
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
    counts = logbook.counts()
    nights = sorted(logbook.all(Night), key=lambda n: n.evening, reverse=True)
    rows = tuple(_summary(night, counts.get(night.id or 0)) for night in nights)
    return LogbookSummary(
        nights=rows,
        frames=sum(row.frames for row in rows),
        keepers=sum(row.keepers for row in rows),
        kept_s=sum(row.kept_s for row in rows),
        pictures=logbook.count(LoggedPicture),
        objects=tuple(sorted({name for row in rows for name in row.objects})),
    )


def learn_from(
    logbook: Logbook,
    kit: Kit,
    site: Site,
    sky: Sky,
    *,
    evening: str | None = None,
    report: Report = silent,
) -> Lessons:
    """Reviews, corrections and advice from the logbook's frames of a kit at a site.

    ``evening`` narrows the reviews to one night; corrections and advice use all of them.
    """
    report("reading the logbook", 0, 5)
    groups = groups_of(logbook, kit=kit.name, site=site.name)
    shown = [g for g in groups if evening is None or g.night.evening == evening]
    shared = Shared(sky)
    report("predicting and measuring", 1, 5)
    values = propose(groups, kit, site, shared)
    differing = worthwhile(values)
    better = corrected(kit, site, differing)
    report("comparing", 2, 5)
    reviews = review_groups(shown, kit, site, shared)
    report("leaving out one night after another", 3, 5)
    trial = leave_one_night_out(groups, kit, site, shared)
    report("weighing changes", 4, 5)
    advice = advise(groups, *better, shared)
    report("learned", 5, 5)
    return Lessons(reviews, values, differing, trial, advice)


def _summary(night: Night, count: NightCount | None) -> NightSummary:
    if count is None:
        return NightSummary(night, (), 0, 0, 0.0)
    return NightSummary(night, count.objects, count.frames, count.keepers, count.kept_s)
