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

    def to_json(self) -> dict[str, Any]:
        """A JSON-serialisable mapping with the ratio."""
        return {**asdict(self), "ratio": self.ratio}


def focal_length_mm(pixel_um: float, scale_arcsec_per_px: float) -> float:
    """Focal length in mm that gives pixels of that size that scale (small-angle, exact to 1e-9)."""
    return 206.264806 * pixel_um / scale_arcsec_per_px


def sky_e_per_px(sky_adu: float, bias_adu: float, dark_e: float, gain_e_per_adu: float) -> float:
    """Electrons of sky in a pixel: level less bias, in electrons, less the dark current's."""
    return (sky_adu - bias_adu) * gain_e_per_adu - dark_e
