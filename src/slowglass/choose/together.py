"""What else fits: neighbours worth the same frame, and two panels where one is too small."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from slowglass.choose.company import Neighbour, group_in_frame, two_panels
from slowglass.choose.framing import Fit, comfortable_share
from slowglass.choose.light import shape_of
from slowglass.choose.visibility import GOOD_SNR
from slowglass.choose.worked import Worked
from slowglass.expose.isophote import seen_extent
from slowglass.expose.profile import believable_axes_arcmin, object_model
from slowglass.kit.model import Kit
from slowglass.sky.objects import SkyObject
from slowglass.sky.wcs import project_tan

PANEL_SNR = GOOD_SNR * math.sqrt(2.0)
"""Of the whole session: half of it for each panel must still show the object."""
FAINTER_MAG = 5.0
"""A neighbour so much fainter is no company."""
SEEN_SHARE = 0.3
"""Of a neighbour's light must rise above the noise."""
SMALLEST_ARCMIN = 0.4
CROWDED = 0.7
"""Of its outline: a crowd smaller than this is worth a word."""


def with_crowd(fits: Fit, crowd_arcmin: float | None, obj: SkyObject) -> Fit:
    """The answer with the circle that holds a cluster's stars, where that is clearly smaller."""
    if crowd_arcmin is None:
        return fits
    text = fits.text
    if crowd_arcmin < CROWDED * (obj.major_arcmin or 0.0):
        text += f"; nine in ten of its brighter stars lie within {crowd_arcmin:.0f}′"
    return replace(fits, seen_arcmin=(crowd_arcmin, crowd_arcmin), text=text)


def with_company(
    fits: Fit, obj: SkyObject, neighbours: Sequence[SkyObject], *, kit: Kit, worked: Worked
) -> Fit:
    """The answer with two panels where those pay, or the neighbours that share the frame."""
    field = kit.field_width_deg, kit.field_height_deg
    comfortable = comfortable_share(worked.margin_arcmin, field)
    major, minor = believable_axes_arcmin(obj)
    if fits.fraction is not None and fits.fraction > 1.0:
        if worked.shows.snr_total < PANEL_SNR:
            return fits
        # The whole of it, or what the night shows of it.
        sizes = [(major, minor), *([fits.seen_arcmin] if fits.seen_arcmin else [])]
        made = (
            two_panels(
                major_arcmin=size[0],
                minor_arcmin=size[1],
                position_angle_deg=obj.position_angle_deg or 0.0,
                field_deg=field,
                comfortable=comfortable,
            )
            for size in sizes
        )
        panels = next((found for found in made if found is not None), None)
        if panels is None:
            return fits
        return replace(fits, panels=panels, text=f"{fits.text}; {panels.text}")
    if fits.answer != "yes":
        return fits
    worthy = [n for n in neighbours if n.id != obj.id and _is_company(n, obj, kit, worked)]
    group = group_in_frame(
        0.5 * major,
        [_place(n, obj) for n in worthy],
        field_deg=field,
        comfortable=comfortable,
    )
    if group is None:
        return fits
    return replace(fits, group=group, text=f"{fits.text}; {group.text}")


def _is_company(other: SkyObject, obj: SkyObject, kit: Kit, worked: Worked) -> bool:
    """Whether a neighbour is bright and large enough to be worth a place in the frame."""
    if shape_of(other.kind) is None or other.mag is None:
        return False
    if obj.mag is not None and other.mag > obj.mag + FAINTER_MAG:
        return False
    if (other.major_arcmin or 0.0) < SMALLEST_ARCMIN:
        return False
    model = object_model(other)
    if model is None or not model.smooth:
        return model is not None
    seen = seen_extent(model, kit, worked.taking)
    return seen is not None and seen.light_share >= SEEN_SHARE


def _place(other: SkyObject, obj: SkyObject) -> Neighbour:
    east, north = project_tan(other.ra_deg, other.dec_deg, obj.ra_deg, obj.dec_deg)
    radius = 0.5 * believable_axes_arcmin(other)[0]
    return Neighbour(
        other.name, 60.0 * float(east), 60.0 * float(north), radius, float(other.mag or 99.0)
    )
