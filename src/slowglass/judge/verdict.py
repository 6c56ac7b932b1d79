"""What judging one frame gives: a record, and the JSON object it becomes."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any

from slowglass.judge.bend import Distortion
from slowglass.judge.cause import Cause
from slowglass.judge.donut import Donut
from slowglass.judge.pattern import Pattern
from slowglass.judge.sky import SkyLight


@dataclass(frozen=True)
class NudgeToTarget:
    """Axis turns in degrees (east and north positive) that centre the target."""

    ra_deg: float
    dec_deg: float
    separation_deg: float
    text: str


@dataclass(frozen=True)
class Verdict:
    """One frame judged. ``None`` stands for "not measured"; positions are ICRS J2000."""

    file: str
    width_px: int | None = None
    height_px: int | None = None
    exposure_s: float | None = None
    stars: int = 0
    solved: bool = False
    reason: str = ""
    """Why the frame is unsolved; empty when solved."""
    ra_deg: float | None = None
    dec_deg: float | None = None
    scale_arcsec_per_px: float | None = None
    rotation_deg: float | None = None
    parity: int | None = None
    matched: int = 0
    rms_arcsec: float | None = None
    odds_log10: float | None = None
    fwhm_px: float | None = None
    hfd_px: float | None = None
    elongation: float | None = None
    elongation_angle_deg: float | None = None
    sky_adu: float | None = None
    saturated_fraction: float | None = None
    keeper: bool = False
    reasons: tuple[str, ...] = ()
    """Why the frame is not worth keeping; empty for a keeper."""
    nudge: NudgeToTarget | None = None
    seconds: float = 0.0

    kind: str = "unknown"
    instruction: str = ""
    """The one thing to do next, in a line."""
    cautions: tuple[str, ...] = ()
    """Worth knowing, not held against the frame."""
    fwhm_arcsec: float | None = None
    trail_arcsec: float | None = None
    trail_position_angle_deg: float | None = None
    trail_axis: str | None = None
    saturated_stars: int = 0
    catalogue_expected: int | None = None
    light_loss_mag: float | None = None
    """Magnitudes by which the stars are fainter than the kit predicts."""
    start_utc: str | None = None
    pattern: Pattern | None = None
    """How the star images change over the field: what causes and maps are told from."""
    cause: Cause | None = None
    """Why the stars are as they are, from this frame alone; a series may know better."""
    donut: Donut | None = None
    """The ring of defocused stars: whether its hole is in the middle."""
    light: SkyLight | None = None
    """Sky brightness, zero points, transparency, reach, clipping."""
    distortion: Distortion | None = None
    """How the optics bend the frame toward its corners."""
    wcs_file: str | None = None
    error: str | None = None
    """Why the file could not be read at all; everything else is then empty."""

    def to_json(self) -> dict[str, Any]:
        """A JSON-serialisable mapping: NaN and infinity become null."""
        cleaned: dict[str, Any] = _clean(asdict(self))
        if self.donut is not None:
            cleaned["donut"] |= {
                "offset_share": self.donut.offset_share,
                "error_share": self.donut.error_share,
                "angle_deg": self.donut.angle_deg,
                "text": self.donut.text,
            }
        cleaned["cause"] = self.cause.to_json() if self.cause is not None else None
        return cleaned


def _clean(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _clean(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_clean(item) for item in value]
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return value
