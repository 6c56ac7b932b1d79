"""Middles of bright stars without rings of false colour.

The colours of a mosaic are sampled apart. Where a star is so steep that its light falls a
hundredfold within a few pixels, what interpolation makes of that step are rings, other ones in
each colour; where it clips, each colour clips at a radius of its own besides. None of that is
the star's. So around such a middle the light is drawn anew: it falls outward as is usual so far
from the middle, in the star's own colour. That is the colour of the middle where nothing
clipped, else the colour of the light just outside, fading to white inside.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from slowglass.finish.combined import FoundStars, Picture
from slowglass.frame.stars import StarFlag

Floats = npt.NDArray[np.float64]

NEARLY, HALF = 0.85, 0.5
"""Share of the clipped level, or else of its own peak, from which on a pixel is of the middle."""
RINGS_PX = 6.0
"""How far the lobes of interpolation reach outside the step: Lanczos's of four lobes."""
RING_SHARE, RING_SIGMA = 0.01, 3.0
"""Rings are of this share of the peak, and seen from this many σ on."""
STEEP = 0.1
"""Light just outside over the edge of the middle, below which a star is steep."""
LARGEST_PX = 60
WHITE_FROM = 0.8
"""Share of the depth inside at which a clipped middle is white."""


def heal_middles(
    light: Picture, stars: FoundStars, *, sigma_adu: float, ceiling_adu: float | None
) -> None:
    """Draw the surroundings of bright stars' middles anew, in place.

    ``sigma_adu`` is the noise of a pixel's brightness, ``ceiling_adu`` the level at which
    clipped stars end. The light is flattened, or its sky small against those stars.
    """
    if light.ndim == 2:
        return
    every = stars.every
    width = max(stars.fwhm_px, 2.0) if np.isfinite(stars.fwhm_px) else 3.0
    for k in range(len(every)):
        clipped = ceiling_adu is not None and bool(every.flags[k] & int(StarFlag.SATURATED))
        x, y = round(float(every.x_px[k])), round(float(every.y_px[k]))
        if not (0 <= x < light.shape[1] and 0 <= y < light.shape[0]):
            continue
        top = light[max(0, y - 1) : y + 2, max(0, x - 1) : x + 2].max(axis=(0, 1))
        if clipped and ceiling_adu is not None:
            _heal(light, x, y, NEARLY * ceiling_adu, ceiling_adu, width)
        elif RING_SHARE * float(top.mean()) > RING_SIGMA * sigma_adu:
            _heal(light, x, y, HALF * float(top.max()), None, width)


def _heal(
    light: Picture, x: int, y: int, least_adu: float, ceiling_adu: float | None, fwhm_px: float
) -> None:
    from scipy import ndimage

    x0, y0 = max(0, x - LARGEST_PX), max(0, y - LARGEST_PX)
    part = light[y0 : y + LARGEST_PX + 1, x0 : x + LARGEST_PX + 1]
    patches, _ = ndimage.label(part.max(axis=2) >= least_adu)
    core = patches == patches[y - y0, x - x0]
    if not patches[y - y0, x - x0] or core.sum() > LARGEST_PX**2:
        return
    away = ndimage.distance_transform_edt(~core)
    around = (away > RINGS_PX) & (away <= RINGS_PX + fwhm_px)
    if around.sum() < 8:
        return
    own = np.median(part[around], axis=0).astype(np.float64)
    if ceiling_adu is None:
        if own.mean() > STEEP * least_adu:
            return
        own = part[core].sum(axis=0, dtype=np.float64)
    if own.min() <= 0:
        return
    mean = part.mean(axis=2)
    top = float(mean[core].min()) if ceiling_adu is None else ceiling_adu
    white: Floats = np.zeros(away.shape)
    rim = (away <= RINGS_PX) & ~core
    if ceiling_adu is not None:
        depth = ndimage.distance_transform_edt(core)
        white = np.clip(depth / (WHITE_FROM * max(float(depth.max()), 1.0)), 0.0, 1.0)
        rim |= core
    colour = own / own.mean()
    mixed = (1.0 - white)[..., None] * colour + white[..., None]
    drawn = _falling(mean, away, top)[..., None] * mixed
    # the seam is a pixel wide
    seam = np.clip(RINGS_PX - away, 0.0, 1.0)[..., None]
    part[rim] = (seam * drawn + (1.0 - seam) * part)[rim]


def _falling(brightness: Picture, away: Floats, top_adu: float) -> Floats:
    """The brightness that is usual so far from the middle, never rising outward."""
    steps = np.arange(np.ceil(RINGS_PX) + 1)
    usual = [top_adu]
    for step in steps[1:]:
        ring = brightness[np.abs(away - step) <= 0.5]
        usual.append(min(usual[-1], float(np.median(ring))) if ring.size else usual[-1])
    return np.exp(np.interp(away, steps, np.log(np.maximum(usual, 1e-6 * top_adu))))
