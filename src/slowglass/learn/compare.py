"""What was predicted beside what was measured, one row a quantity."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any


@dataclass(frozen=True)
class Comparison:
    """One quantity; ``ratio`` is measured over predicted, None where that says nothing."""

    quantity: str
    unit: str
    predicted: float | None
    measured: float | None
    how: str
    """How it was measured, and from how much."""

    @property
    def ratio(self) -> float | None:
        """Measured over predicted."""
        if self.predicted is None or self.measured is None:
            return None
        if not (math.isfinite(self.predicted) and math.isfinite(self.measured)):
            return None
        return None if self.predicted == 0 else self.measured / self.predicted

    @property
    def difference(self) -> float | None:
        """Measured less predicted, of magnitudes, whose ratio says nothing; else None."""
        if not self.in_magnitudes or self.predicted is None or self.measured is None:
            return None
        return self.measured - self.predicted

    @property
    def in_magnitudes(self) -> bool:
        """True where the scale is logarithmic: differences count."""
        return self.unit.startswith("mag")

    def to_json(self) -> dict[str, Any]:
        """A JSON-serialisable mapping with the ratio and, of magnitudes, the difference."""
        return {**asdict(self), "ratio": self.ratio, "difference": self.difference}
