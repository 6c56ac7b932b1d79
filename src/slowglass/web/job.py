"""One piece of long work: what was asked, where it is, what came out."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Literal, get_args

from slowglass.progress import Report

Request = dict[str, Any]
"""Plain JSON values: a request outlives the process that was asked."""
Run = Callable[[Request, Report], Mapping[str, Any] | None]
State = Literal["waiting", "running", "done", "failed", "stopped"]
UNDER_WAY = ("waiting", "running")
INTERRUPTED = "The workbench was closed before this was done."


@dataclass(frozen=True)
class Progress:
    """Where the work is."""

    state: State
    words: str = ""
    done: int = 0
    total: int = 0

    @property
    def spoken(self) -> str:
        """The words with the count, if there is one."""
        return f"{self.words}: {self.done} of {self.total}" if self.total else self.words


class Job:
    """A piece of work of a named kind; threads other than its own only read it.

    ``href`` is the page on which its result is seen, "" for none.
    """

    def __init__(
        self,
        *,
        id: str,
        kind: str,
        title: str,
        request: Request,
        href: str = "",
        asked_utc: datetime | None = None,
    ) -> None:
        self.id = id
        self.kind = kind
        self.title = title
        self.request = request
        self.href = href
        self.asked_utc = asked_utc or datetime.now(UTC)
        self.started_utc: datetime | None = None
        self.ended_utc: datetime | None = None
        self.result: dict[str, Any] | None = None
        self.progress = Progress("waiting")
        self.stopping = threading.Event()

    @property
    def state(self) -> State:
        """Waiting, running, done, failed or stopped."""
        return self.progress.state

    @property
    def words(self) -> str:
        """The stage under way, or why it ended."""
        return self.progress.words

    @property
    def done(self) -> int:
        """Steps of the stage behind it."""
        return self.progress.done

    @property
    def total(self) -> int:
        """Steps of the stage; 0 when they are not counted."""
        return self.progress.total

    @property
    def under_way(self) -> bool:
        """True while it waits or runs."""
        return self.state in UNDER_WAY

    @property
    def key(self) -> tuple[str, str]:
        """Equal for jobs that would do the same."""
        return self.kind, json.dumps(self.request, sort_keys=True)

    def told(self) -> dict[str, Any]:
        """Where it is, for a page that follows it."""
        p = self.progress
        return {
            "id": self.id,
            "kind": self.kind,
            "title": self.title,
            "href": self.href,
            "state": p.state,
            "words": p.spoken,
            "done": p.done,
            "total": p.total,
        }

    def kept(self) -> dict[str, Any]:
        """Everything of it, for its file."""
        return {
            "id": self.id,
            "kind": self.kind,
            "title": self.title,
            "request": self.request,
            "href": self.href,
            "state": self.state,
            "words": self.words,
            "asked_utc": self.asked_utc.isoformat(),
            "started_utc": self.started_utc.isoformat() if self.started_utc else None,
            "ended_utc": self.ended_utc.isoformat() if self.ended_utc else None,
            "result": self.result,
        }

    @classmethod
    def read(cls, kept: Mapping[str, Any]) -> Job:
        """The job of a file, stopped if it was under way; ``ValueError`` for anything else."""
        try:
            state, result, request = kept["state"], kept["result"], kept["request"]
            texts = [kept[name] for name in ("id", "kind", "title", "href", "words")]
            moments = [kept[name] for name in ("asked_utc", "started_utc", "ended_utc")]
            asked, started, ended = (m and datetime.fromisoformat(m) for m in moments)
        except (KeyError, TypeError) as error:
            raise ValueError(f"not a job: {error}") from error
        if (
            state not in get_args(State)
            or not all(isinstance(text, str) for text in texts)
            or not isinstance(request, dict)
            or not isinstance(result, dict | None)
            or asked is None
        ):
            raise ValueError("not a job")
        id_, kind, title, href, words = texts
        job = cls(id=id_, kind=kind, title=title, request=request, href=href, asked_utc=asked)
        job.started_utc, job.ended_utc, job.result = started, ended, result
        interrupted = state in UNDER_WAY
        job.progress = Progress("stopped", INTERRUPTED) if interrupted else Progress(state, words)
        return job
