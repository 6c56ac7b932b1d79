"""How long work tells the interface where it is."""

from __future__ import annotations

from collections.abc import Callable

Report = Callable[[str, int, int], None]
"""Called as ``report(stage, done, total)``. It may raise ``errors.Cancelled`` to stop the work,
so services call it only where stopping leaves nothing half-written."""


def silent(stage: str, done: int, total: int) -> None:
    """A report that goes nowhere."""
