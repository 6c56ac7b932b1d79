"""The state of a watch at one moment, as interfaces show it: immutable, with its JSON."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

from slowglass.judge.instruction import Say
from slowglass.judge.watch_sort import Entry, count_roles

if TYPE_CHECKING:
    from slowglass.judge.live_enough import Enough
    from slowglass.judge.overlay import Overlay
    from slowglass.judge.watch_axis import AxisSession
    from slowglass.judge.watch_trends import Trends

Event = Literal["watching", "waiting", "frame", "renamed", "gone", "say", "stack", "stopped"]


@dataclass(frozen=True)
class Picture:
    """A small picture as JPEG, and its size in pixels."""

    jpeg: bytes
    width_px: int
    height_px: int


@dataclass(frozen=True)
class Newest:
    """The frame judged last: its picture and what to draw over it."""

    name: str
    picture: Picture
    overlay: Overlay


@dataclass(frozen=True)
class WatchState:
    """Everything a page or a terminal shows; another ``version`` means that something changed."""

    folder: str
    version: int = 0
    say: Say = field(default_factory=lambda: Say("Take a test frame"))
    entries: tuple[Entry, ...] = ()
    waiting: dict[str, str] = field(default_factory=dict)
    """Files not whole yet, and what they lack."""
    to_judge: int = 0
    newest: Newest | None = None
    enough: Enough | None = None
    stacked: int = 0
    stack_s: float = 0.0
    stack: Picture | None = None
    left_out: dict[str, str] = field(default_factory=dict)
    trends: Trends | None = None
    axis: AxisSession | None = None
    """The setting of the polar axis, while it goes on."""
    target: str | None = None
    note: str = ""
    """Why the folder cannot be looked through; empty when it can."""
    fault: str = ""
    """What ended a watch in the background."""

    @property
    def series(self) -> tuple[Entry, ...]:
        """The lights of the series, in the order they were taken; deleted ones are left out."""
        return tuple(e for e in self.entries if e.role == "light" and not e.gone)

    @property
    def keepers(self) -> int:
        """How many of the series are worth keeping."""
        return sum(entry.verdict.keeper for entry in self.series)

    def night_json(self) -> dict[str, Any]:
        """Counts, instruction and stack as plain values."""
        return {
            "say": {"text": self.say.text, "evidence": self.say.evidence, "cue": self.say.cue},
            "files": count_roles(self.entries),
            "series": {"frames": len(self.series), "keepers": self.keepers},
            "waiting": self.waiting,
            "stack": {
                "frames": self.stacked,
                "exposure_s": self.stack_s,
                "left_out": self.left_out,
            },
            "enough": self.enough,
            "trends": None if self.trends is None else self.trends.words,
            "axis": self.axis,
        }


@dataclass(frozen=True)
class WatchEvent:
    """Something happened: what, to which file, and how things stand since."""

    what: Event
    state: WatchState
    entry: Entry | None = None
    text: str = ""

    def to_json(self) -> dict[str, Any]:
        """One JSON object for a stream: a judged frame's verdict, and the night so far."""
        facts: dict[str, Any] = {"event": self.what}
        if self.text:
            facts["text"] = self.text
        if self.entry is not None:
            facts |= {
                "name": self.entry.name,
                "role": self.entry.role,
                "why": self.entry.why,
                **self.entry.verdict.to_json(),
            }
        return facts | {"night": self.state.night_json()}
