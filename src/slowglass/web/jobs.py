"""Long work of the pages: in threads of its own, in order, and kept beside the night.

Work is registered by kind and started with a request of plain values, so a job outlives the page
that asked, the browser and the workbench: each has a small file in the night's folder, written
when it is asked for, begins and ends. What was under way when the workbench was closed is shown
as stopped and can be taken up again.
"""

from __future__ import annotations

import contextlib
import json
import logging
import re
import secrets
import threading
from collections import deque
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from slowglass.documents import document
from slowglass.errors import Cancelled, SlowglassError, UsageError
from slowglass.learn.night import write_json
from slowglass.web.job import INTERRUPTED, Job, Progress, Request, Run

log = logging.getLogger(__name__)

KEPT = 60
"""Jobs that have ended and are remembered, the newest."""
LANES = ("heavy", "quick")


@dataclass(frozen=True)
class Kind:
    """What is done for the requests of a kind, and with which other work it waits in line."""

    run: Run
    lane: str


class Jobs:
    """Runs one heavy job at a time and, beside it, one quick one; the others wait in order."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.trouble = ""
        """Why jobs cannot be kept on the disk, if they cannot; they run all the same."""
        self.ended = 0
        """Raised when heavy work ends, so that pages know that there is something new."""
        self._kinds: dict[str, Kind] = {}
        self._jobs: dict[str, Job] = {}
        self._lock = threading.Condition()
        self._lines: dict[str, deque[Job]] = {lane: deque() for lane in LANES}
        self._threads: dict[str, threading.Thread] = {}
        self._closed = False
        self._read()

    def register(self, kind: str, run: Run, *, quick: bool = False) -> None:
        """Name a kind of work: ``run(request, report)`` gives its result as plain values.

        ``quick`` is for work of seconds that a page waits for: it passes by heavy work.
        """
        if kind in self._kinds or not re.fullmatch(r"[a-z]+(-[a-z]+)*", kind):
            raise ValueError(f"{kind}: a kind has one name, in small letters, and one way to run")
        self._kinds[kind] = Kind(run, "quick" if quick else "heavy")

    def start(self, kind: str, *, title: str, request: Request, href: str = "") -> Job:
        """A job that waits for its turn, or the one that is under way for the same request."""
        job = Job(
            id=f"{kind}-{secrets.token_hex(4)}",
            kind=kind,
            title=title,
            request=document(request),
            href=href,
        )
        return self._line_up(job)

    def again(self, id: str) -> Job:
        """The job in line once more; one that is under way is left alone."""
        job = self.get(id)
        if job is None or job.kind not in self._kinds:
            raise UsageError("there is no such work to take up again", "start it on its page")
        return self._line_up(job)

    def stop(self, id: str) -> None:
        """Stop a job at its next report, or take it out of the line; others change nothing."""
        with self._lock:
            job = self._jobs.get(id)
            if job is None:
                return
            if job.state == "waiting":
                for line in self._lines.values():
                    with contextlib.suppress(ValueError):
                        line.remove(job)
                self._end(job, Progress("stopped", "Stopped before it began."))
            elif job.state == "running":
                job.stopping.set()
                job.progress = Progress("running", "stopping")

    def forget(self, id: str) -> None:
        """Take a job that has ended off the list, its file too."""
        with self._lock:
            job = self._jobs.get(id)
            if job is not None and not job.under_way:
                self._drop(job)

    def get(self, id: str) -> Job | None:
        """The job of that name, if there is one."""
        return self._jobs.get(id)

    def all(self) -> list[Job]:
        """Every job, the newest first."""
        with self._lock:
            return sorted(self._jobs.values(), key=lambda job: job.asked_utc, reverse=True)

    def latest(self, kind: str, request: Request | None = None) -> Job | None:
        """The newest job of a kind, or of just that request."""
        wanted = None if request is None else _key(kind, request)
        for job in self.all():
            if job.kind == kind and wanted in (None, job.key):
                return job
        return None

    def current(self) -> Job | None:
        """The job to show on every page: the heavy one that runs, else a waiting or quick one."""
        under_way = [job for job in reversed(self.all()) if job.under_way]
        under_way.sort(key=lambda job: (job.state != "running", self._lane(job) != "heavy"))
        return under_way[0] if under_way else None

    def waiting(self) -> int:
        """How many jobs are in line."""
        return sum(map(len, self._lines.values()))

    def worth_telling(self, job: Job) -> bool:
        """False for quick work that is done: its page shows it."""
        return self._lane(job) == "heavy" or job.state != "done"

    def can_run(self, job: Job) -> bool:
        """True when this workbench knows how to do a job."""
        return job.kind in self._kinds

    def wait(self, job: Job, *, seconds: float) -> Job:
        """The job, once it has ended or the time is over."""
        with self._lock:
            self._lock.wait_for(lambda: not job.under_way, timeout=seconds)
        return job

    def close(self) -> None:
        """Stop what runs and start nothing more; what is not done can be taken up again."""
        with self._lock:
            self._closed = True
            for job in self._jobs.values():
                if job.state == "running":
                    job.stopping.set()
            self._lock.notify_all()
        for thread in self._threads.values():
            thread.join(timeout=5.0)

    def _lane(self, job: Job) -> str:
        kind = self._kinds.get(job.kind)
        return "heavy" if kind is None else kind.lane

    def _line_up(self, job: Job) -> Job:
        lane = self._kinds[job.kind].lane
        with self._lock:
            if self._closed:
                raise UsageError("the workbench is being closed", "start it again")
            for other in self._jobs.values():
                if other.under_way and other.key == job.key:
                    return other
            job.stopping.clear()
            job.asked_utc, job.started_utc, job.ended_utc = datetime.now(UTC), None, None
            job.result = None
            job.progress = Progress("waiting", "waits for its turn")
            self._jobs[job.id] = job
            self._lines[lane].append(job)
            self._keep(job)
            self._prune()
            if lane not in self._threads:
                self._threads[lane] = threading.Thread(
                    target=self._work, args=(self._lines[lane],), name=f"{lane} work", daemon=True
                )
                self._threads[lane].start()
            self._lock.notify_all()
        return job

    def _work(self, line: deque[Job]) -> None:
        while True:
            with self._lock:
                while not line and not self._closed:
                    self._lock.wait()
                if self._closed:
                    return
                job = line.popleft()
                job.started_utc = datetime.now(UTC)
                job.progress = Progress("running", "starting")
                self._keep(job)
            self._run(job)

    def _run(self, job: Job) -> None:
        def report(stage: str, done: int, total: int) -> None:
            if job.stopping.is_set():
                raise Cancelled
            job.progress = Progress("running", stage, done, total)

        result = None
        try:
            result = document(self._kinds[job.kind].run(job.request, report) or {})
        except Cancelled:
            end = Progress("stopped", INTERRUPTED if self._closed else "Stopped on request.")
        except SlowglassError as error:
            end = Progress("failed", str(error))
        except Exception as error:
            log.exception("%s failed", job.title)
            end = Progress("failed", f"An unexpected fault: {error!r}.")
        else:
            end = Progress("done", "done")
        with self._lock:
            job.result = result
            self._end(job, end)

    def _end(self, job: Job, end: Progress) -> None:
        job.ended_utc = datetime.now(UTC)
        job.progress = end
        if self._lane(job) == "heavy":
            self.ended += 1
        self._keep(job)
        self._lock.notify_all()

    def _prune(self) -> None:
        ended = [job for job in self.all() if not job.under_way]
        for job in ended[KEPT:]:
            self._drop(job)

    def _drop(self, job: Job) -> None:
        self._jobs.pop(job.id, None)
        with contextlib.suppress(OSError):
            self._path(job).unlink(missing_ok=True)

    def _path(self, job: Job) -> Path:
        return self.folder / f"{job.id}.json"

    def _keep(self, job: Job) -> None:
        try:
            write_json(self._path(job), job.kept())
        except SlowglassError as error:
            self.trouble = str(error)
        else:
            self.trouble = ""

    def _read(self) -> None:
        """The jobs of earlier days; a file that is none of ours is left alone."""
        try:
            paths = sorted(self.folder.glob("*.json"))
        except OSError:
            return
        for path in paths:
            try:
                job = Job.read(json.loads(path.read_text(encoding="utf-8")))
            except (OSError, ValueError):
                log.warning("%s is not read: it holds no job", path)
                continue
            if job.id == path.stem:
                self._jobs[job.id] = job


def _key(kind: str, request: Request) -> tuple[str, str]:
    return Job(id="", kind=kind, title="", request=document(request)).key
