"""Sky coordinates for the finished picture, from whatever is known about where it points."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from slowglass.finish.geometry import Box, Projective, fit_projective
from slowglass.frame.header import header_wcs
from slowglass.frame.image import FrameHeader
from slowglass.frame.stars import StarList
from slowglass.sky.coords import epoch_year
from slowglass.sky.wcs import TanWcs

if TYPE_CHECKING:
    from slowglass.kit.model import Kit
    from slowglass.sky.place import Place
    from slowglass.sky.store import Sky

HEADER_RADIUS_DEG = 1.0
NEAR_RADIUS_DEG = 10.0


def solve_picture(
    stars: StarList,
    width_px: int,
    height_px: int,
    box: Box,
    header: FrameHeader,
    sky: Sky,
    kit: Kit | None,
    near: Place | None,
    scale_arcsec_per_px: float | None = None,
    *,
    finer: float = 1.0,
) -> tuple[TanWcs | None, str]:
    """The WCS of the picture, or None and why.

    ``near`` limits the search, else a solution in the reference's header does; the scale is
    the given one, else that header's, else the kit's. With none of these the whole sky is searched.
    The picture's pixels are ``finer`` times smaller than those that the scale is of.
    """
    from slowglass.solve.service import solve_stars
    from slowglass.solve.types import Prior

    known = header_wcs(header.cards)
    ra = dec = radius = scale = None
    tolerance = 0.05
    if known is not None:
        scale = known.scale_arcsec_per_px
        x, y = (box.x0 + width_px / 2) / finer, (box.y0 + height_px / 2) / finer
        centre = known.pixel_to_sky(x, y)
        ra, dec, radius = float(centre[0]), float(centre[1]), HEADER_RADIUS_DEG
    elif kit is not None:
        scale = kit.scale_arcsec_per_px
    if near is not None:
        ra, dec, radius = near.ra_deg, near.dec_deg, NEAR_RADIUS_DEG
    scale = scale_arcsec_per_px or scale
    if scale is not None:
        scale /= finer
    epoch = epoch_year(header.start_utc) if header.start_utc else 2016.0
    prior = Prior(
        ra_deg=ra,
        dec_deg=dec,
        radius_deg=radius,
        scale_arcsec_per_px=scale,
        scale_tolerance=tolerance,
        epoch_year=epoch,
    )
    solution = solve_stars(stars, width_px, height_px, sky, prior)
    return solution.wcs if solution.solved else None, solution.reason


def between(own: TanWcs, reference: TanWcs, width_px: int, height_px: int) -> Projective:
    """The map from a frame to the reference through the sky: both are gnomonic, so projective."""
    grid = Box(0, 0, width_px, height_px).grid(5)
    ra, dec = own.pixel_to_sky(grid[:, 0], grid[:, 1])
    x, y = reference.sky_to_pixel(ra, dec)
    return fit_projective(grid, np.column_stack([x, y]))
