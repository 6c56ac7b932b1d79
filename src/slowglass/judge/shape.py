"""What the star images say together: common elongation, pattern over the field, ring or point.

Pure functions on arrays; pixels are ``[y, x]`` and angles run from +x toward +y, 0–180°.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from slowglass.frame.stars import StarFlag, StarList

Floats = npt.NDArray[np.float64]

FEWEST_STARS = 3
"""A common shape is claimed from this many stars: one or two may be a double or a galaxy."""
SHAPE_SNR = 20.0
"""Stars fainter than this say little of shape: ellipticity noise is about 2 / SNR."""


@dataclass(frozen=True)
class FieldShape:
    """The shape that the stars of a frame share.

    ``elongation`` is major over minor axis of the common part (1 = round), so noise, which
    points every way, cancels. ``scatter`` is the median elongation star by star.
    ``radial`` is the mean ellipticity toward (+) or around (−) the frame's centre.
    NaN throughout when no star was measured.
    """

    elongation: float
    angle_deg: float
    scatter: float
    radial: float
    stars: int


def usable_shapes(stars: StarList) -> npt.NDArray[np.bool_]:
    """Mask of the stars whose shape can be trusted: measured, whole, single, not saturated."""
    bad = StarFlag.SATURATED | StarFlag.EDGE | StarFlag.BLENDED | StarFlag.UNMEASURED
    good = ((stars.flags & int(bad)) == 0) & np.isfinite(stars.fwhm_px) & (stars.fwhm_px > 0)
    bright = good & (stars.snr >= SHAPE_SNR)
    if np.count_nonzero(bright) >= FEWEST_STARS:
        return bright
    if np.count_nonzero(good) >= FEWEST_STARS:
        return good
    # A saturated or blended width is better than none; the flags stay in the star list.
    return np.isfinite(stars.fwhm_px) & (stars.fwhm_px > 0)


def common_shape(stars: StarList, width_px: int, height_px: int) -> FieldShape:
    """The elongation (ratio) and its angle (degrees) that the stars have in common.

    Each star's ellipticity χ = (e² − 1)/(e² + 1) is a vector of angle 2θ; the componentwise
    median is robust against galaxies, doubles and plate scratches.
    """
    use = usable_shapes(stars) & np.isfinite(stars.elongation) & (stars.elongation >= 1.0)
    count = int(np.count_nonzero(use))
    if count == 0:
        return FieldShape(math.nan, math.nan, math.nan, math.nan, 0)
    squared = stars.elongation[use] ** 2
    chi = (squared - 1.0) / (squared + 1.0)
    theta = np.radians(stars.elongation_angle_deg[use])
    x = float(np.median(chi * np.cos(2 * theta)))
    y = float(np.median(chi * np.sin(2 * theta)))
    size = min(math.hypot(x, y), 0.9999)
    phi = np.arctan2(
        stars.y_px[use] - (height_px - 1) / 2.0, stars.x_px[use] - (width_px - 1) / 2.0
    )
    return FieldShape(
        elongation=_elongation(size),
        angle_deg=math.degrees(0.5 * math.atan2(y, x)) % 180.0,
        scatter=_elongation(min(float(np.median(chi)), 0.9999)),
        radial=float(np.mean(chi * np.cos(2 * (theta - phi)))),
        stars=count,
    )


@dataclass(frozen=True)
class RadialProfile:
    """The mean star image by distance from its centre.

    ``centre_dip`` is the brightness at the centre over the highest ring (1 for a point of
    light, near 0 for the ring of a defocused telescope with a central obstruction).
    ``flatness`` is the half-light radius over the half-peak radius: 1.0 for a Gaussian, up to
    1.4 with seeing wings, 0.71 for an evenly lit disc. ``diameter_px`` is twice the outermost
    half-peak radius.
    """

    centre_dip: float
    flatness: float
    diameter_px: float
    stars: int

    @property
    def defocused(self) -> bool:
        """True where the profile is a disc or ring that no seeing makes."""
        return self.diameter_px >= 5.0 and (self.centre_dip < 0.8 or self.flatness < 0.86)

    def magnified(self, factor: float) -> RadialProfile:
        """The same profile in pixels ``factor`` times smaller."""
        return replace(self, diameter_px=self.diameter_px * factor)


def radial_profile(
    plane: npt.NDArray[np.float32], x_px: Floats, y_px: Floats, radius_px: int
) -> RadialProfile | None:
    """The mean radial profile of stars at (x, y) in a sky-subtracted plane; None without stars.

    Each stamp is scaled to unit light and the stack is a median, so neighbours fall away.
    """
    stamps = []
    rows, columns = plane.shape
    for x, y in zip(x_px, y_px, strict=True):
        column, row = round(float(x)), round(float(y))
        if not (radius_px <= column < columns - radius_px and radius_px <= row < rows - radius_px):
            continue
        stamp = plane[
            row - radius_px : row + radius_px + 1, column - radius_px : column + radius_px + 1
        ].astype(np.float64)
        edge = np.concatenate([stamp[0], stamp[-1], stamp[:, 0], stamp[:, -1]])
        stamp = stamp - np.median(edge)
        total = float(stamp.sum())
        if np.isfinite(total) and total > 0:
            stamps.append((stamp / total, float(x) - column, float(y) - row))
    if not stamps:
        return None

    axis = np.arange(-radius_px, radius_px + 1, dtype=np.float64)
    # Bins one pixel wide, the centre's own half as wide: a ring's hole stays a hole.
    edges = np.concatenate([[0.0], np.arange(radius_px) + 0.5])
    profiles = []
    for stamp, dx, dy in stamps:
        distance = np.hypot(axis[None, :] - dx, axis[:, None] - dy)
        which = np.digitize(distance.ravel(), edges) - 1
        inside = which < len(edges) - 1
        light = np.bincount(which[inside], stamp.ravel()[inside], minlength=len(edges) - 1)
        pixels = np.bincount(which[inside], minlength=len(edges) - 1)
        with np.errstate(invalid="ignore"):
            profiles.append(np.where(pixels > 0, light / np.maximum(pixels, 1), np.nan))
    stack = np.array(profiles)
    filled = ~np.all(np.isnan(stack), axis=0)
    radii = (0.5 * (edges[:-1] + edges[1:]))[filled]
    profile = np.nanmedian(stack[:, filled], axis=0)
    return _describe(radii, profile, len(stamps))


def _describe(radii: Floats, profile: Floats, count: int) -> RadialProfile | None:
    peak = float(profile.max())
    if not peak > 0:
        return None
    above = np.nonzero(profile >= 0.5 * peak)[0]
    last = int(above[-1])
    half_peak = float(radii[last])
    if last + 1 < len(radii):
        high, low = float(profile[last]), float(profile[last + 1])
        half_peak += (high - 0.5 * peak) / (high - low) * float(radii[last + 1] - radii[last])
    fine = np.linspace(0.0, float(radii[-1]), 40 * len(radii))
    light = np.clip(np.interp(fine, radii, profile), 0.0, None) * fine
    grown = np.cumsum(light)
    half_light = float(np.interp(0.5 * grown[-1], grown, fine))
    return RadialProfile(
        centre_dip=float(profile[0]) / peak,
        flatness=half_light / half_peak if half_peak > 0 else math.nan,
        diameter_px=2.0 * half_peak,
        stars=count,
    )


def _elongation(chi: float) -> float:
    return math.sqrt((1.0 + chi) / (1.0 - chi))
