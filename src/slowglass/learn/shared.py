"""What is worked out once for each group of frames and used by every lesson."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from typing import TYPE_CHECKING, Any, Protocol, TypeVar

from slowglass.learn.groups import Group, Prediction, predict

if TYPE_CHECKING:
    from slowglass.kit.model import Kit, Site
    from slowglass.sky.store import Sky

T = TypeVar("T")


class Once(Protocol):
    """Gives the value of a key, made at the first call and kept."""

    def __call__(self, key: Hashable, make: Callable[[], T], /) -> T:
        """The value."""


def afresh(key: Hashable, make: Callable[[], T], /) -> T:
    """The value, made anew: for callers that ask only once."""
    return make()


class Shared:
    """Predictions and fits of one reading of the logbook; ``sky`` is where objects are found.

    Corrections, trials, reviews and advice ask for the same predictions many times over; a
    prediction takes some ten milliseconds, a fit of a series a hundred.
    """

    def __init__(self, sky: Sky) -> None:
        self.sky = sky
        self._known: dict[Hashable, Any] = {}

    def once(self, key: Hashable, make: Callable[[], T], /) -> T:
        """The value of a key, made at the first call."""
        if key not in self._known:
            self._known[key] = make()
        found: T = self._known[key]
        return found

    def predict(self, group: Group, kit: Kit, site: Site) -> Prediction:
        """What a kit at a site promises for a group at its own hour."""
        # What was measured is told beside the values in use; the values alone count.
        values = kit.model_copy(update={"measured": ()}), site.model_copy(update={"measured": ()})
        return self.once(
            ("predict", group.key, *values), lambda: predict(group, kit, site, self.sky)
        )
