"""A list of detected stars, as parallel arrays."""

from __future__ import annotations

from dataclasses import dataclass, fields
from enum import IntFlag

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


class StarFlag(IntFlag):
    """Why a star's numbers may not be taken at face value."""

    NONE = 0
    SATURATED = 1
    EDGE = 2
    BLENDED = 4
    UNMEASURED = 8
    """Too faint or too close to the edge for a profile fit: shape columns are NaN."""


@dataclass(frozen=True)
class StarList:
    """Detected stars, brightest first; every array has shape (n,).

    Positions are full-resolution pixels, centre of the first pixel at 0. ``elongation_angle_deg``
    is 0–180 from the +x (column) axis toward +y (row). Shape columns are NaN where unmeasured.
    """

    x_px: Floats
    y_px: Floats
    flux_adu: Floats
    """Background-subtracted total, ADU (for a mosaic: of the 2 × 2 colour mean times 4)."""
    peak_adu: Floats
    """Highest raw pixel above black, ADU."""
    snr: Floats
    fwhm_px: Floats
    hfd_px: Floats
    """Diameter of the circle that holds half of the star's light."""
    elongation: Floats
    """Major over minor axis, 1 = round."""
    elongation_angle_deg: Floats
    flags: npt.NDArray[np.int32]

    def __len__(self) -> int:
        return len(self.x_px)

    def take(self, index: npt.ArrayLike) -> StarList:
        """The stars at ``index`` (positions or a boolean mask), in that order."""
        chosen = np.asarray(index)
        return StarList(**{f.name: getattr(self, f.name)[chosen] for f in fields(self)})

    @classmethod
    def empty(cls) -> StarList:
        """No stars at all."""
        none = np.empty(0)
        return cls(
            none, none, none, none, none, none, none, none, none, np.empty(0, dtype=np.int32)
        )
