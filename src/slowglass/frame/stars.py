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
    """Highest raw pixel above black, ADU; hot pixels do not count."""
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


def spread_evenly(stars: StarList, count: int, *, width_px: int, height_px: int) -> StarList:
    """``count`` stars shared out over a grid of about 50 cells, brightest of each cell first.

    Returned brightest first.
    """
    if len(stars) <= count:
        return stars
    across = max(1, round(np.sqrt(50.0 * width_px / height_px)))
    down = max(1, round(50.0 / across))
    cell = (
        np.clip(stars.x_px * across / width_px, 0, across - 1).astype(int)
        + np.clip(stars.y_px * down / height_px, 0, down - 1).astype(int) * across
    )
    by_flux = np.argsort(-stars.flux_adu, kind="stable")
    order = by_flux[np.argsort(cell[by_flux], kind="stable")]
    sorted_cell = cell[order]
    starts = np.nonzero(np.diff(sorted_cell, prepend=-1))[0]
    rank = np.arange(len(order)) - np.repeat(starts, np.diff(np.append(starts, len(order))))
    chosen = order[np.argsort(rank, kind="stable")[:count]]
    return stars.take(chosen[np.argsort(-stars.flux_adu[chosen], kind="stable")])
