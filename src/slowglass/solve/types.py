"""What a solve is told, and what it answers."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from slowglass.errors import UsageError
from slowglass.sky.wcs import TanWcs

SMALLEST_FIELD_DEG = 0.1
LARGEST_FIELD_DEG = 60.0
"""Longer side of the frames the whole-sky search considers when no scale is given."""


@dataclass(frozen=True)
class Prior:
    """What is known before the stars are looked at; ``None`` where nothing is.

    The frame's centre lies within ``radius_deg`` of (ra, dec); the pixel scale within a factor
    ``1 ± scale_tolerance`` of ``scale_arcsec_per_px``; the position angle of the stored +y axis
    within ``rotation_tolerance_deg`` of ``rotation_deg``. ``parity`` is the sign of det(CD).
    """

    ra_deg: float | None = None
    dec_deg: float | None = None
    radius_deg: float | None = None
    scale_arcsec_per_px: float | None = None
    scale_tolerance: float = 0.05
    rotation_deg: float | None = None
    rotation_tolerance_deg: float = 10.0
    parity: int | None = None
    epoch_year: float = 2016.0

    def __post_init__(self) -> None:
        if (self.ra_deg is None) != (self.dec_deg is None):
            raise UsageError("a pointing needs both right ascension and declination")
        if self.dec_deg is not None and not -90.0 <= self.dec_deg <= 90.0:
            raise UsageError(f"declination {self.dec_deg}° is outside −90…90°")
        if self.radius_deg is not None and not 0.0 < self.radius_deg <= 180.0:
            raise UsageError(f"search radius {self.radius_deg}° is outside 0…180°")
        scale = self.scale_arcsec_per_px
        if scale is not None and not 0.01 <= scale <= 3600.0:
            raise UsageError(
                f"scale {scale}″ per pixel is outside 0.01…3600",
                "give the arcseconds that one pixel covers: 206.265 × pixel µm / focal length mm",
            )
        if not 0.0 < self.scale_tolerance < 1.0:
            raise UsageError(f"scale tolerance {self.scale_tolerance} is outside 0…1")
        if self.parity not in (None, -1, 1):
            raise UsageError(f"parity {self.parity} is neither −1 nor 1")

    @property
    def has_pointing(self) -> bool:
        """True when the search is limited to a cone."""
        return self.ra_deg is not None

    @property
    def cone_radius_deg(self) -> float:
        """Radius of the cone the centre may lie in; 180 for the whole sky."""
        if not self.has_pointing:
            return 180.0
        return 10.0 if self.radius_deg is None else self.radius_deg

    def scale_range(self, width_px: int, height_px: int) -> tuple[float, float]:
        """Smallest and largest pixel scale to consider, arcsec per pixel."""
        if self.scale_arcsec_per_px is None:
            longer = max(width_px, height_px)
            return (
                SMALLEST_FIELD_DEG * 3600.0 / longer,
                LARGEST_FIELD_DEG * 3600.0 / longer,
            )
        return (
            self.scale_arcsec_per_px / (1.0 + self.scale_tolerance),
            self.scale_arcsec_per_px * (1.0 + self.scale_tolerance),
        )


@dataclass(frozen=True)
class Match:
    """Which detected star is which catalogue star; arrays of shape (n,)."""

    star_index: npt.NDArray[np.int64]
    """Row in the star list that was solved."""
    ra_deg: npt.NDArray[np.float64]
    dec_deg: npt.NDArray[np.float64]
    mag: npt.NDArray[np.float64]
    residual_arcsec: npt.NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.star_index)

    @classmethod
    def empty(cls) -> Match:
        """No pairs."""
        none = np.empty(0)
        return cls(np.empty(0, dtype=np.int64), none, none, none, none)


@dataclass(frozen=True)
class Solution:
    """Where a frame points, or why that could not be told.

    ``odds_log10`` is the base-10 log-odds of the best hypothesis found against "these stars lie
    anywhere"; see ``docs/design/solve-odds.md``. It is reported for refused hypotheses too.
    """

    solved: bool
    reason: str
    wcs: TanWcs | None = None
    matched: int = 0
    rms_arcsec: float | None = None
    odds_log10: float | None = None
    ra_deg: float | None = None
    dec_deg: float | None = None
    scale_arcsec_per_px: float | None = None
    rotation_deg: float | None = None
    parity: int | None = None
    match: Match = field(default_factory=Match.empty)
    expected_stars: float | None = None
    """Catalogue stars to be expected in such a frame at the prior's place."""
    own_stars: int = 0
    """Of the matched stars those known only from the user's own frames."""
    cause: str = ""
    """Of a refusal, in a word or two: see ``refusal.Cause``."""
    seconds: float = 0.0

    def __bool__(self) -> bool:
        return self.solved
