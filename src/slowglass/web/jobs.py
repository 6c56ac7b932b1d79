"""Long work in a thread of its own, so that a page never waits for it."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

from slowglass.errors import Cancelled, SlowglassError
from slowglass.progress import Report


@dataclass(frozen=True)
class Progress:
    """Where the work is."""

    state: Literal["idle", "running", "done", "failed"] = "idle"
    words: str = ""
    done: int = 0
    total: int = 0


class Job:
    """One piece of work at a time; starting while it runs changes nothing."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self.progress = Progress()
        self.result: Any = None

    def start(self, work: Callable[[Report], Any]) -> bool:
        """Start ``work(report)``; False when something is running already."""
        with self._lock:
            if self.progress.state == "running":
                return False
            self._stop.clear()
            self.progress = Progress("running", "starting")
            self._thread = threading.Thread(target=self._run, args=(work,), daemon=True)
            self._thread.start()
            return True

    def stop(self) -> None:
        """Ask the work to stop at its next report, and wait a little for it."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join(timeout=5.0)

    def _run(self, work: Callable[[Report], Any]) -> None:
        def report(stage: str, done: int, total: int) -> None:
            if self._stop.is_set():
                raise Cancelled
            self.progress = Progress("running", stage, done, total)

        try:
            self.result = work(report)
        except SlowglassError as error:
            self.progress = Progress("failed", str(error))
        except Exception as error:
            self.progress = Progress("failed", f"unexpected fault: {error!r}")
        else:
            self.progress = Progress("done", "done")
