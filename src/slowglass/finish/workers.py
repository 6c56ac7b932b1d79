"""The same work on many things at once, on the machine's cores, in memory that stays bounded."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TypeVar

from slowglass.progress import Report

Thing = TypeVar("Thing")
Result = TypeVar("Result")
MOST = 4
"""Threads at most: each holds a frame or a block of all frames in memory."""


BYTES = 1.6e9


def workers(bytes_each: float = 0.0) -> int:
    """How many threads work at once: the cores this process may use, at most ``MOST``, and no
    more than hold ``bytes_each`` within ``BYTES`` together.
    """
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    return max(1, min(MOST, cores or 1, int(BYTES / max(bytes_each, 1.0))))


def each(
    work: Callable[[Thing], Result],
    things: Sequence[Thing],
    stage: str,
    report: Report,
    *,
    bytes_each: float = 0.0,
) -> Iterator[tuple[Thing, Result]]:
    """``work`` on each of ``things``, in their order, ``workers(bytes_each)`` at a time.

    Reports ``stage`` before each; an error or a cancel ends the rest and comes through. No more
    results wait than there are threads. ``work`` must leave the interpreter free while it
    computes to gain from more than one.
    """
    count = workers(bytes_each)
    with ThreadPoolExecutor(count) as pool:
        running: list[tuple[Thing, Future[Result]]] = []
        upcoming = iter(things)
        done = 0
        try:
            for thing in upcoming:
                running.append((thing, pool.submit(work, thing)))
                if len(running) <= count:
                    continue
                report(stage, done, len(things))
                first, future = running.pop(0)
                yield first, future.result()
                done += 1
            while running:
                report(stage, done, len(things))
                first, future = running.pop(0)
                yield first, future.result()
                done += 1
        finally:
            for _, future in running:
                future.cancel()
