"""What finishing answers."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any


@dataclass(frozen=True)
class Rejected:
    """A light that was left out, and why."""

    file: str
    reason: str


@dataclass(frozen=True)
class FinishResult:
    """The finished picture: what went in, what it gained, where it is."""

    frames_in: int
    frames_used: int
    rejected: tuple[Rejected, ...]
    snr_gain: float | None
    """Signal to noise of the combined picture over the median single frame, same aperture."""
    fwhm_px: float | None
    """Median FWHM of the stars in the combined picture."""
    outputs: tuple[str, ...]
    """Absolute paths, the linear FITS first."""
    recipe: str
    """Absolute path of the recipe that repeats this picture."""
    seconds: float
    peak_memory_mb: float | None
    placed_by: str = "stars"
    """"stars", "drift" or "single": how the frames found their places."""
    solved: bool = False
    notes: tuple[str, ...] = field(default=())
    """What a careful person would want to know: calibration missing or refused, and the like."""
    subject: str | None = None
    """What the picture is of, if known."""
    shown: tuple[int, int, int, int] | None = None
    """Columns and rows, from and to, of the linear picture that the pictures for the eye show."""
    object_snr: float | None = None
    """Signal to noise of the object's inner half over the area of a star."""
    object_light_error: float | None = None
    """1 σ share of the object's light that the sky beneath it leaves open; None where unknown."""
    colour_rms_mag: float | None = None
    """Scatter of star colours about the catalogue's B−V."""
    colour_stars: int = 0
    advice: tuple[str, ...] = field(default=())
    """What would improve the picture, the most helpful first."""

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        plain = asdict(self)
        for key in ("rejected", "outputs", "notes", "advice"):
            plain[key] = list(plain[key])
        return plain
