"""Coordinates of a finished picture, from the linear one and the recipe that lie beside it."""

from __future__ import annotations

from pathlib import Path

from slowglass.errors import SlowglassError
from slowglass.finish.compose import Cut
from slowglass.finish.geometry import Box
from slowglass.finish.names import Names
from slowglass.finish.recipe import load_recipe
from slowglass.frame.header import header_wcs
from slowglass.sky.wcs import TanWcs


def place_of_finished(path: Path, size_px: tuple[int, int]) -> TanWcs | None:
    """The coordinates of a finished picture of (width, height), or None where they are not known.

    The linear picture has them; the recipe says which part is shown, and which way up.
    """
    names = Names(path.parent, path.stem)
    if path in (names.fits, names.labelled) or not names.fits.is_file():
        return None
    from astropy.io import fits

    try:
        cards = fits.getheader(names.fits)
        step = load_recipe(names.recipe).cut
    except (OSError, SlowglassError):
        return None
    wcs = header_wcs(dict(cards))
    whole = (int(cards.get("NAXIS1", 0)), int(cards.get("NAXIS2", 0)))
    box = Box(*(step.box or (0, 0, *whole)))
    if wcs is None or (box.width_px, box.height_px) != size_px:
        return None
    return Cut(box, step.turn_deg, step.flip).wcs(wcs)
