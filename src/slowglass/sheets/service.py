"""A night's printed pages: gathered, ordered, written."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from slowglass.choose.service import moon_words
from slowglass.find.cautions import CAUTIONS, LASER, SUN, TUBE
from slowglass.find.direction import compass_words
from slowglass.find.hour import darkest_window, site_night
from slowglass.find.nudge import format_angle
from slowglass.find.plates import CREDIT, ChartWish, plate
from slowglass.find.result import Route, moves_words
from slowglass.find.sheet import (
    Block,
    Contents,
    ContentsRow,
    Sheet,
    page_format,
    write_sheets,
)
from slowglass.kit.model import Kit, Site
from slowglass.progress import Report, silent
from slowglass.sheets.plan import NightPage, SheetWish, night_page
from slowglass.sheets.words import (
    calibration_block,
    clock,
    coordinates,
    exposure_block,
    hours_block,
    lights_wanted,
    other_ways,
    packing,
    steps,
)
from slowglass.sky.night import Night
from slowglass.sky.place import resolve_place

if TYPE_CHECKING:
    from slowglass.sky.store import Sky

MOST_LEGS_BESIDE = 7
"""More legs than this leave no room under them for the other ways."""


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
    facts.insert(1, coordinates(route.target_ra_deg, route.target_dec_deg))
    circle = format_angle(route.field_deg)
    others = Block("Other ways", other_ways(route))
    crowded = len(route.legs) > MOST_LEGS_BESIDE
    return Sheet(
        title=title,
        subtitle=" · ".join(facts),
        charts=charts,
        chart_words=(
            "By eye, zenith up",
            f"The hop, seen {wish.view}; circles: {route.field_name}, {circle}",
            "In the eyepiece; box: the frame",
        ),
        steps=steps(route),
        picture=page.picture,
        picture_words=(
            f"Forecast of one frame of {page.plan.exposure_s:g} s, as the camera shows it. "
            f"{page.fit.text[:1].upper()}{page.fit.text[1:]}."
        ),
        left=(hours_block(page, site, tonight), exposure_block(page.plan)),
        beside=() if crowded else (others,),
        right=(
            calibration_block(page.plan),
            *((others,) if crowded else ()),
            Block("Take care", (SUN, LASER, TUBE)),
        ),
        credit=CREDIT,
    )


def _contents(pages: Sequence[NightPage], kit: Kit, site: Site, tonight: Night) -> Contents:
    zone = ZoneInfo(site.timezone)
    rows = []
    for number, page in enumerate(pages, 2):
        route, plan = page.route, page.plan
        place = "not up"
        if page.when is not None and route.altitude_deg is not None:
            azimuth = compass_words(_azimuth(route, site, page.when))
            place = f"{route.altitude_deg:.0f}° {azimuth}"
        hop = f"{moves_words(route)} from {route.anchor}" if route.legs else "by eye"
        if not route.legs and route.anchor is None:
            hop = "no hop found"
        rows.append(
            ContentsRow(
                number,
                "–" if page.when is None else clock(page.when, zone),
                route.target,
                place,
                "–" if page.when is None else f"{lights_wanted(plan)} × {plan.exposure_s:g} s",
                hop,
            )
        )
    window = darkest_window(tonight)
    dark = "The Sun does not go 6° below the horizon."
    if window is not None:
        dark = f"Dark from {clock(window[0], zone)} to {clock(window[1], zone)}, local time."
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
        (Block("Pack", packing(kit)),),
    )


def _azimuth(route: Route, site: Site, when: datetime) -> float:
    from slowglass.find.anchors import sight_of

    return sight_of(route.target_ra_deg, route.target_dec_deg, site, when)[1]
