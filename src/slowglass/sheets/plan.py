"""What a page says: the way, the exposures, the hours and the forecast of one object."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date, datetime
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from slowglass.choose.framing import Fit, fit_frame
from slowglass.expose.evening import best_stand
from slowglass.expose.forecast import render_forecast
from slowglass.expose.plan import ExposurePlan
from slowglass.expose.preview import preview_rgb
from slowglass.expose.service import expose_object
from slowglass.find.hour import clear_spans, darkest_window
from slowglass.find.plates import frame_around
from slowglass.find.result import Route
from slowglass.find.service import find_route, route_to
from slowglass.find.sheet import (
    PaperName,
)
from slowglass.find.svg import StyleName
from slowglass.kit.model import Kit, Site
from slowglass.sky.coords import separation_deg
from slowglass.sky.ephemeris import moon_alt_deg, moon_radec
from slowglass.sky.night import Night
from slowglass.sky.place import Place

if TYPE_CHECKING:
    from slowglass.find.chart import ViewName
    from slowglass.sky.store import Sky

FIRST_GUESS_S = 30.0
PICTURE_PX = 1500
"""Width of the forecast on a sheet: it is rendered with pixels joined to about this many."""


@dataclass(frozen=True)
class SheetWish:
    """How a night's pages are wanted; ``night`` None is the coming one."""

    night: date | None = None
    paper: PaperName = "a4"
    style: StyleName = "paper"
    view: ViewName = "erect"
    camera_angle_deg: float | None = None
    from_star: str | None = None


@dataclass(frozen=True, eq=False)
class NightPage:
    """All that a page of one object says."""

    route: Route
    plan: ExposurePlan
    fit: Fit
    camera_angle_deg: float | None
    when: datetime | None
    spans: tuple[tuple[datetime, datetime], ...]
    moon_text: str
    picture: npt.NDArray[np.uint8]


def night_page(
    place: Place, tonight: Night, kit: Kit, site: Site, sky: Sky, wish: SheetWish
) -> NightPage:
    """The way to a place, its exposures, its hours and its forecast picture for a night."""
    stand = best_stand(site, place.ra_deg, place.dec_deg, tonight.date)
    when = None if stand is None else stand.when
    if when is None:
        note = f"{place.name} does not clear the skyline in darkness that night"
        route = route_to(
            kit, site, sky, place, when=None, from_star=wish.from_star, note=note, alternatives=1
        )
    else:
        route = find_route(kit, site, sky, place.name, from_star=wish.from_star, when=when)
    day = tonight.date
    first = expose_object(kit, site, sky, place.name, seconds=FIRST_GUESS_S, night=day)
    plan = expose_object(
        kit,
        site,
        sky,
        place.name,
        seconds=first.suggested_s,
        frames=first.suggested_frames or 1,
        night=day,
    )
    obj = place.object
    fit = fit_frame(
        major_arcmin=None if obj is None else obj.major_arcmin,
        minor_arcmin=None if obj is None else obj.minor_arcmin,
        position_angle_deg=None if obj is None else obj.position_angle_deg,
        core_arcmin=None,
        field_deg=(kit.field_width_deg, kit.field_height_deg),
    )
    angle = fit.angle_deg if wish.camera_angle_deg is None else wish.camera_angle_deg
    small = joined_pixels(kit, math.ceil(kit.camera.width_px / PICTURE_PX))
    wcs = frame_around(kit, place.ra_deg, place.dec_deg, angle)
    frame = render_forecast(
        small,
        site,
        sky,
        place,
        exposure_s=plan.exposure_s,
        when=when,
        rotation_deg=wcs.rotation_deg,
    )
    window = darkest_window(tonight)
    spans = () if window is None else clear_spans(place.ra_deg, place.dec_deg, *window, site=site)
    return NightPage(
        route, plan, fit, angle, when, spans, _moon_at(place, when, site), preview_rgb(frame)
    )


def joined_pixels(kit: Kit, n: int) -> Kit:
    """The kit with n × n pixels joined to one: the same sky at a glance, in n² less work."""
    camera = kit.camera
    joined = camera.model_copy(
        update={
            "width_px": camera.width_px // n,
            "height_px": camera.height_px // n,
            "pixel_um": camera.pixel_um * n,
            "gain_e_per_adu": camera.gain_e_per_adu * n * n,
            "read_noise_e": camera.read_noise_e * n,
            "full_well_e": camera.full_well_e * n * n,
            "dark_e_per_s": camera.dark_e_per_s * n * n,
        }
    )
    return kit.model_copy(update={"camera": joined})


def _moon_at(place: Place, when: datetime | None, site: Site) -> str:
    """How far the Moon stands from the object at its best time, when it is up."""
    if when is None:
        return ""
    unix = when.timestamp()
    where = {"latitude_deg": site.latitude_deg, "longitude_deg": site.longitude_deg}
    if float(moon_alt_deg(unix, height_m=site.height_m, **where)) <= 0.0:
        return ""
    ra, dec = moon_radec(unix, height_m=site.height_m, **where)
    away = float(separation_deg(place.ra_deg, place.dec_deg, ra, dec))
    return f"; {away:.0f}° from the object at its best time"
