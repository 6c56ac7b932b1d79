"""Night sheets put together: the way, the forecast, the exposures and the hours of each object."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from slowglass.choose.framing import Fit, fit_frame
from slowglass.choose.service import moon_words
from slowglass.expose.evening import best_stand
from slowglass.expose.forecast import render_forecast
from slowglass.expose.plan import ExposurePlan
from slowglass.expose.preview import preview_rgb
from slowglass.expose.service import expose_object
from slowglass.find.cautions import CAUTIONS, LASER, SUN, TUBE
from slowglass.find.direction import clock_words, compass_words
from slowglass.find.hour import clear_spans, darkest_window, site_night
from slowglass.find.nudge import format_angle, format_ra_time
from slowglass.find.plates import CREDIT, ChartWish, frame_around, plate
from slowglass.find.result import Route
from slowglass.find.service import find_route
from slowglass.find.sheet import (
    Block,
    Contents,
    ContentsRow,
    PaperName,
    Sheet,
    page_format,
    write_sheets,
)
from slowglass.find.svg import StyleName
from slowglass.kit.model import Kit, Site
from slowglass.progress import Report, silent
from slowglass.sky.coords import separation_deg
from slowglass.sky.ephemeris import moon_alt_deg, moon_radec
from slowglass.sky.night import Night
from slowglass.sky.place import Place, resolve_place

if TYPE_CHECKING:
    from slowglass.find.chart import ViewName
    from slowglass.sky.store import Sky

FIRST_GUESS_S = 30.0
PICTURE_PX = 1500
"""Width of the forecast on a sheet: it is rendered with pixels joined to about this many."""
FEWEST_DARKS, MOST_DARKS = 15, 40
"""Half as many darks as lights within these (common practice): the mount's drift between frames
spreads what noise they add."""
SESSION_MIN = 20.0
"""A stack shorter than this is not worth the walk outside."""
FLATS = 25
"""Frames of a white screen: their noise is then a fortieth of one light's (common practice)."""


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


def write_night(
    names: Sequence[str],
    path: Path,
    kit: Kit,
    site: Site,
    sky: Sky,
    *,
    night: date,
    wish: SheetWish,
    report: Report = silent,
) -> tuple[Path, tuple[Route, ...]]:
    """The file of a night's sheets, with contents when there are several, and their routes.

    Several objects come in the order of their best hours.
    """
    page_format(path, len(names))
    places = [resolve_place(name, sky) for name in names]
    tonight = site_night(site, night)
    pages = []
    for i, place in enumerate(places):
        report(f"night sheet: {place.name}", i, len(names))
        pages.append(night_page(place, tonight, kit, site, sky, wish))
    if len(pages) > 1:
        pages.sort(key=lambda page: (page.when or tonight.end).timestamp())
    sheets = [_sheet(page, kit, site, sky, tonight, wish) for page in pages]
    contents = _contents(pages, kit, site, tonight) if len(pages) > 1 else None
    report("night sheet: drawing", len(names), len(names))
    written = write_sheets(sheets, path, contents=contents, paper=wish.paper, style=wish.style)
    return written, tuple(page.route for page in pages)


def night_page(
    place: Place, tonight: Night, kit: Kit, site: Site, sky: Sky, wish: SheetWish
) -> NightPage:
    """The way to a place, its exposures, its hours and its forecast picture for a night."""
    stand = best_stand(site, place.ra_deg, place.dec_deg, tonight.date)
    when = None if stand is None else stand.when
    route = find_route(kit, site, sky, place.name, from_star=wish.from_star, when=when)
    if when is None:
        route = replace(
            route, when=None, note=f"{place.name} does not clear the skyline that night"
        )
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


def darks_wanted(lights: int) -> int:
    """How many dark frames go with so many lights."""
    return int(np.clip(math.ceil(lights / 2), FEWEST_DARKS, MOST_DARKS))


def _sheet(
    page: NightPage, kit: Kit, site: Site, sky: Sky, tonight: Night, wish: SheetWish
) -> Sheet:
    route, obj = page.route, page.route.object
    small = ChartWish(wish.view, page.camera_angle_deg, letters=2.0)
    charts = None
    if route.legs:
        charts = (
            plate("eye", route, kit, site, sky, wish=small),
            plate("hop", route, kit, site, sky, wish=replace(small, letters=1.6)),
            plate("field", route, kit, site, sky, wish=small),
        )
    title = route.target if obj is None else obj.title
    facts = [f"night of {tonight.date}", site.name, kit.name]
    if obj is not None:
        magnitude = "" if obj.mag is None else f", magnitude {obj.mag:.1f}"
        facts.insert(0, f"{obj.kind} in {obj.constellation}{magnitude}")
    facts.insert(1, _coordinates(route.target_ra_deg, route.target_dec_deg))
    circle = format_angle(route.field_deg)
    return Sheet(
        title=title,
        subtitle=" · ".join(facts),
        charts=charts,
        chart_words=(
            "By eye, zenith up",
            f"The hop, seen {wish.view}; circles: {route.field_name}, {circle}",
            "In the eyepiece; box: the frame",
        ),
        steps=_steps(route),
        picture=page.picture,
        picture_words=(
            f"Forecast of one frame of {page.plan.exposure_s:g} s, as the camera shows it. "
            f"{page.fit.text[:1].upper()}{page.fit.text[1:]}."
        ),
        left=(_hours_block(page, site, tonight), _exposure_block(page.plan)),
        right=(
            _calibration_block(page.plan),
            Block("Other ways", _other_ways(route)),
            Block("Take care", (SUN, LASER, TUBE)),
        ),
        credit=CREDIT,
    )


def _steps(route: Route) -> tuple[str, ...]:
    """The way in short lines."""
    if not route.legs:
        return (route.reason,)
    lines = [route.anchor_text]
    for number, leg in enumerate(route.legs, 1):
        turns = []
        if abs(leg.ra_move_deg) >= 0.005:
            turns.append(f"RA {format_ra_time(leg.ra_move_deg)} {_sign(leg.ra_move_deg, 'E', 'W')}")
        if abs(leg.dec_move_deg) >= 0.005:
            turns.append(
                f"Dec {format_angle(leg.dec_move_deg)} {_sign(leg.dec_move_deg, 'N', 'S')}"
            )
        if abs(leg.dec_move_deg) > abs(leg.ra_move_deg):
            turns.reverse()
        way = f"{leg.fields:.1f} field"
        if leg.clock is not None:
            way += f" toward {clock_words(leg.clock)}"
        line = f"{number}. {', '.join(turns)} ({way}). {leg.arrival}"
        lines.append(f"{line} {leg.wrong}" if leg.ambiguity >= 0.3 else line)
    return tuple(lines)


def _sign(value: float, positive: str, negative: str) -> str:
    return positive if value > 0 else negative


def _hours_block(page: NightPage, site: Site, tonight: Night) -> Block:
    zone = ZoneInfo(site.timezone)
    lines = []
    if page.when is None or not page.spans:
        lines.append(page.route.note or "Not up in darkness that night.")
    else:
        spans = " and ".join(f"{_clock(a, zone)}–{_clock(b, zone)}" for a, b in page.spans)
        stands = ""
        if page.route.altitude_deg is not None:
            stands = f", {page.route.altitude_deg:.0f}° high"
        lines.append(f"Clear of the skyline in darkness {spans}; best at "
                     f"{_clock(page.when, zone)}{stands}.")  # fmt: skip
        limits = page.route.limits
        if limits is not None:
            field = "" if limits.field_mag is None else f", eyepiece {limits.field_mag:.1f}"
            finder = "" if limits.finder_mag is None else f", finder {limits.finder_mag:.1f}"
            lines.append(
                f"Sky {limits.sky_mag_arcsec2:.1f} mag/arcsec²; faintest star by eye "
                f"{limits.eye_mag:.1f}{finder}{field}."
            )
    lines.append(
        f"Moon {tonight.moon_illuminated_fraction:.0%} lit, {moon_words(tonight, site.timezone)}"
        f"{page.moon_text}."
    )
    return Block("When", tuple(lines))


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


def _exposure_block(plan: ExposurePlan) -> Block:
    """The plan in few lines: what to set, how many, and what to expect of them."""
    lights = _lights(plan)
    lines = [
        f"{lights} frames of {plan.exposure_s:g} s ({lights * plan.exposure_s / 60.0:.0f} min of "
        f"light); {plan.keeper_fraction:.0%} of them keep round stars."
    ]
    if plan.frames_in_window is not None:
        lines[0] += f" The hours hold {plan.frames_in_window}."
    if plan.snr is not None:
        lines.append(
            f"Signal to noise {plan.snr:.1f} in one, {plan.snr * math.sqrt(lights):.0f} in all, "
            f"for {plan.measures}."
        )
    sky = (
        f"{plan.sky_limited_s:.0f} s"
        if plan.sky_limited_s < 120
        else (f"{plan.sky_limited_s / 60.0:.0f} min")
    )
    lines.append(
        f"Stars reach magnitude {plan.faintest_mag:.1f} in one frame. The sky’s own noise rules "
        f"beyond {sky}; the mount holds {plan.hold_time_s:.0f} s."
    )
    lines += [f"{note[:1].upper()}{note[1:]}." for note in plan.notes]
    if plan.saturates:
        lines.append(f"Clips: {'; '.join(plan.saturates)}.")
    return Block("Exposures", tuple(lines))


def _lights(plan: ExposurePlan) -> int:
    """How many lights of the suggested length to take: enough, and no more than the night holds."""
    wanted = max(math.ceil(60.0 * SESSION_MIN / plan.exposure_s), plan.suggested_frames or 1)
    return wanted if plan.frames_in_window is None else max(1, min(wanted, plan.frames_in_window))


def _calibration_block(plan: ExposurePlan) -> Block:
    darks = darks_wanted(_lights(plan))
    minutes = max(1.0, darks * plan.exposure_s / 60.0)
    return Block(
        "Darks and flats",
        (
            f"{darks} darks of {plan.exposure_s:g} s with the cap on, as warm as the lights "
            f"({minutes:.0f} min).",
            f"{FLATS} flats of an even white screen at half of full, focus and camera untouched; "
            f"{FLATS} bias frames at the shortest exposure with the cap on.",
        ),
    )


def _other_ways(route: Route) -> tuple[str, ...]:
    lines = []
    if route.drift is not None:
        lines.append(route.drift.text)
    if route.circles is not None:
        lines.append(route.circles.text)
    lines += [
        f"Another hop: {len(other.legs)} moves from {other.anchor_title}."
        for other in route.alternatives
    ]
    return tuple(lines)


def _contents(pages: Sequence[NightPage], kit: Kit, site: Site, tonight: Night) -> Contents:
    zone = ZoneInfo(site.timezone)
    rows = []
    for number, page in enumerate(pages, 2):
        route, plan = page.route, page.plan
        place = "not up"
        if page.when is not None and route.altitude_deg is not None:
            azimuth = compass_words(_azimuth(route, site, page.when))
            place = f"{route.altitude_deg:.0f}° {azimuth}"
        moves = len(route.legs)
        hop = f"{moves} move{'s' if moves != 1 else ''} from {route.anchor}" if moves else "by eye"
        if not moves and route.anchor is None:
            hop = "no hop found"
        rows.append(
            ContentsRow(
                number,
                "–" if page.when is None else _clock(page.when, zone),
                route.target,
                place,
                f"{_lights(plan)} × {plan.exposure_s:g} s",
                hop,
            )
        )
    window = darkest_window(tonight)
    dark = "The Sun does not go 6° below the horizon."
    if window is not None:
        dark = f"Dark from {_clock(window[0], zone)} to {_clock(window[1], zone)}, local time."
    facts = (
        Block(
            "The night",
            (
                dark,
                f"Moon {tonight.moon_illuminated_fraction:.0%} lit, "
                f"{moon_words(tonight, site.timezone)}.",
            ),
        ),
        Block("Take care", CAUTIONS),
    )
    return Contents(
        f"Night of {tonight.date}",
        f"{site.name} · {kit.name} · {len(pages)} objects in the order of their best hours",
        tuple(rows),
        facts,
        (Block("Pack", _packing(kit)),),
    )


def _azimuth(route: Route, site: Site, when: datetime) -> float:
    from slowglass.find.anchors import sight_of

    return sight_of(route.target_ra_deg, route.target_dec_deg, site, when)[1]


def _packing(kit: Kit) -> tuple[str, ...]:
    """What to carry out, from what the kit has and what a night without power needs."""
    finder = "red dot, its battery" if kit.finder.kind == "red-dot" else "finder, its caps"
    drive = "mount, counterweight, slow-motion knobs"
    if kit.mount.driven == "ra":
        drive += ", RA motor with its battery"
    things = [
        f"tube of {kit.optics.aperture_mm:g} mm with cap and dew shield",
        f"{drive}, tripod",
        finder,
        "camera, adapter, charged batteries, empty cards, remote release",
        "these sheets, pencil, red light",
        "white screen or shirt for the flats",
        "watch on the right time",
        "warm clothes, something hot, telephone",
    ]
    if kit.eyepieces:
        names = ", ".join(f"{e.focal_length_mm:g} mm" for e in kit.eyepieces)
        things.insert(3, f"eyepieces {names}, star diagonal if used")
    return tuple(things)


def _clock(moment: datetime, zone: ZoneInfo) -> str:
    return f"{moment.astimezone(zone):%H:%M}"


def _coordinates(ra_deg: float, dec_deg: float) -> str:
    minutes = round(ra_deg * 4.0, 1)
    size = round(abs(dec_deg) * 60.0)
    return (
        f"{int(minutes // 60):d} h {minutes % 60:04.1f} min "
        f"{'−' if dec_deg < 0 else '+'}{size // 60}° {size % 60:02d}′"
    )
