"""The answer of a measurement that cannot tell: nothing, and why."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class Silence:
    """No answer, with the reason in a line; false where a measurement is true."""

    reason: str

    def __bool__(self) -> Literal[False]:
        return False
