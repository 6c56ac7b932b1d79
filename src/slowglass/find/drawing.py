"""Scenes drawn as charts: stars, figures, outline, hop, fields, frame, compass, drift, key."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from slowglass.find.chart import (
    MARGIN,
    PAGE_WIDTH,
    SKY_SIZE,
    SKY_TOP,
    Chart,
    ChartStars,
    Disc,
    Floats,
    Label,
    Labels,
    Line,
    Mark,
    Outline,
    Projection,
    Rose,
    View,
    arrow,
    outline_mark,
    points_of,
    ring,
    star_radius,
    wrap,
)
from slowglass.find.legend import faintest_mag, magnitude_key, rose, scale_bar
from slowglass.sky.coords import separation_deg, sky_angles, unit_vectors
from slowglass.sky.wcs import TanWcs

LINE = 17.0
WORDS_WIDTH = 112


@dataclass(frozen=True)
class ChartStop:
    """A place on the route: its label on the chart, where it is, the stars it is made of."""

    short: str
    ra_deg: float
    dec_deg: float
    stars: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True)
class FieldCircle:
    """A circle of sky, such as an eyepiece's view."""

    ra_deg: float
    dec_deg: float
    field_deg: float


@dataclass(frozen=True, eq=False)
class SkyLines:
    """Lines on the sky as (ra, dec) arrays, and names with their places."""

    figures: tuple[tuple[Floats, Floats], ...] = ()
    borders: tuple[tuple[Floats, Floats], ...] = ()
    ground: tuple[Floats, Floats] | None = None
    names: tuple[tuple[str, float, float], ...] = ()


ERECT, NO_LINES = View(), SkyLines()


@dataclass(frozen=True)
class Neighbour:
    """Another object in the picture."""

    name: str
    ra_deg: float
    dec_deg: float
    outline: Outline | None


@dataclass(frozen=True, eq=False)
class Scene:
    """What one chart shows. ``stops`` run from anchor to target; ``arrow`` is a nudge's (from, to).

    ``half_deg`` is half of the sky's width. ``join_stops`` draws the legs. ``frame`` with
    ``frame_size_px`` is a camera frame's outline.
    """

    title: str
    ra_deg: float
    dec_deg: float
    half_deg: float
    stars: ChartStars
    view: View = ERECT
    view_words: str = ""
    subtitle: str = ""
    stops: Sequence[ChartStop] = ()
    join_stops: bool = False
    target: tuple[float, float] | None = None
    outline: Outline | None = None
    neighbours: Sequence[Neighbour] = ()
    circles: Sequence[FieldCircle] = ()
    circle_words: str = ""
    frame: TanWcs | None = None
    frame_size_px: tuple[int, int] = (0, 0)
    arrow: tuple[tuple[float, float], tuple[float, float]] | None = None
    lines: SkyLines = NO_LINES
    zenith_deg: float | None = None
    drift: bool = False
    round: bool = False
    star_step: float = 0.75
    name_stars: bool = True
    letters: float = 1.0
    """How much larger letters and stars are, for a chart that is printed small."""
    words: Sequence[str] = ()
    credit: str = ""


def draw(scene: Scene) -> Chart:
    """The chart of a scene."""
    box = (MARGIN, SKY_TOP, SKY_SIZE, SKY_SIZE)
    plane = float(np.degrees(np.tan(np.radians(scene.half_deg))))
    middle = MARGIN + SKY_SIZE / 2.0, SKY_TOP + SKY_SIZE / 2.0
    sky = Projection(scene.ra_deg, scene.dec_deg, scene.view, *middle, SKY_SIZE / 2.0 / plane)
    labels = Labels(box, scene.letters)
    marks: list[Mark] = []
    marks += _line_marks(scene, sky)
    inside, discs = _star_marks(scene, sky)
    marks += discs
    marks += _circle_marks(scene, sky)
    if scene.frame is not None:
        marks.append(_frame_mark(scene.frame, scene.frame_size_px, sky))
    marks += _stop_marks(scene, sky, labels)
    marks += _object_marks(scene, sky, labels)
    if scene.arrow is not None:
        (ra1, dec1), (ra2, dec2) = scene.arrow
        marks += arrow(*sky.place(ra1, dec1), *sky.place(ra2, dec2))
    roses = _roses(scene, sky, labels)
    for stop in scene.stops:
        px, py = sky.place(stop.ra_deg, stop.dec_deg)
        gap = min(60.0, max(10.0, _reach(stop, scene, sky) + 6.0))
        label = labels.beside(px, py, stop.short, role="route", size=13.0, bold=True, gap=gap)
        if label is not None:
            marks.append(label)
    marks += _name_marks(scene, sky, labels, inside)
    page, height = _page_marks(scene, sky)
    return Chart(
        PAGE_WIDTH,
        height,
        box,
        tuple(marks),
        tuple(page),
        scene.title,
        sky,
        roses,
        scene.round,
        scene.zenith_deg,
    )


def middle_of(stops: Sequence[ChartStop], field_deg: float) -> tuple[float, float, float]:
    """Centre (ra, dec) and half-width in degrees of the square sky that holds every stop."""
    ra, dec = np.array([s.ra_deg for s in stops]), np.array([s.dec_deg for s in stops])
    ra0, dec0 = (float(a) for a in sky_angles(unit_vectors(ra, dec).mean(axis=0)))
    reach = float(np.max(separation_deg(ra0, dec0, ra, dec)))
    return ra0, dec0, max(1.15 * reach + 0.6 * field_deg, 1.2 * field_deg)


def _object_marks(scene: Scene, sky: Projection, labels: Labels) -> list[Mark]:
    marks: list[Mark] = []
    for other in scene.neighbours:
        x, y = sky.place(other.ra_deg, other.dec_deg)
        if scene.round and np.hypot(x - sky.middle_x, y - sky.middle_y) > 0.45 * SKY_SIZE:
            continue
        line = outline_mark(other.ra_deg, other.dec_deg, other.outline, sky)
        marks.append(replace(line, width=1.0, dashed=True))
        label = labels.beside(x, y, other.name, role="object", must=False)
        if label is not None:
            marks.append(label)
    if scene.target is not None:
        marks.append(outline_mark(*scene.target, scene.outline, sky))
        labels.keep_clear(*sky.place(*scene.target), 10.0)
    return marks


def _star_marks(scene: Scene, sky: Projection) -> tuple[np.ndarray, list[Mark]]:
    x, y = sky(scene.stars.ra_deg, scene.stars.dec_deg)
    radius = _radii(scene)
    half = SKY_SIZE / 2.0
    with np.errstate(invalid="ignore"):
        within = (np.abs(x - sky.middle_x) < half) & (np.abs(y - sky.middle_y) < half)
        if scene.round:
            within &= np.hypot(x - sky.middle_x, y - sky.middle_y) < half
    inside = np.flatnonzero(within)
    # the brightest last, over their companions
    order = inside[np.argsort(-scene.stars.mag[inside], kind="stable")]
    return inside, [Disc(float(x[i]), float(y[i]), float(radius[i]), "star") for i in order]


def _radii(scene: Scene) -> Floats:
    return star_radius(scene.stars.mag, faintest_mag(scene.stars), scene.star_step) * scene.letters


def _line_marks(scene: Scene, sky: Projection) -> list[Mark]:
    marks: list[Mark] = []
    lines = scene.lines
    for group, role, width, dashed in (
        (lines.borders, "border", 0.8, True),
        (lines.figures, "figure", 1.1, False),
    ):
        for ra, dec in group:
            x, y = sky(ra, dec)
            near = np.hypot(x - sky.middle_x, y - sky.middle_y) < 1.6 * SKY_SIZE
            if np.all(np.isfinite(x)) and near.any():
                marks.append(Line(points_of(x, y), role, width, dashed))  # type: ignore[arg-type]
    if lines.ground is not None:
        x, y = sky(*lines.ground)
        good = np.isfinite(x) & (np.hypot(x - sky.middle_x, y - sky.middle_y) < 3.0 * SKY_SIZE)
        if np.sum(good) > 1:
            marks.append(Line(points_of(x[good], y[good]), "ground", 2.2))
    return marks


def _circle_marks(scene: Scene, sky: Projection) -> list[Mark]:
    marks: list[Mark] = []
    for circle in scene.circles:
        px, py = sky.place(circle.ra_deg, circle.dec_deg)
        marks.append(ring(px, py, circle.field_deg / 2.0 * sky.scale, "field", dashed=True))
    return marks


def _frame_mark(wcs: TanWcs, size_px: tuple[int, int], sky: Projection) -> Line:
    width, height = size_px
    x = np.array([-0.5, width - 0.5, width - 0.5, -0.5])
    y = np.array([-0.5, -0.5, height - 0.5, height - 0.5])
    return Line(points_of(*sky(*wcs.pixel_to_sky(x, y))), "frame", 1.8, closed=True)


def _stop_marks(scene: Scene, sky: Projection, labels: Labels) -> list[Mark]:
    """Legs as arrows, and the stars of each pattern joined."""
    marks: list[Mark] = []
    places = [sky.place(s.ra_deg, s.dec_deg) for s in scene.stops]
    for stop, (px, py) in zip(scene.stops, places, strict=True):
        labels.keep_clear(px, py, 7.0)
        if len(stop.stars) > 1:
            ra, dec = np.array(stop.stars).T
            points = points_of(*sky(ra, dec))
            if len(points) <= 3:
                marks.append(Line(points, "route", 1.0, closed=len(points) == 3))
            else:
                size = max(np.hypot(x - px, y - py) for x, y in points) + 6.0
                marks.append(ring(px, py, float(size), "route"))
    if scene.join_stops:
        for (x1, y1), (x2, y2) in pairwise(places):
            marks += arrow(x1, y1, x2, y2)
            labels.keep_clear((x1 + x2) / 2, (y1 + y2) / 2, 3.0)
    return marks


def _reach(stop: ChartStop, scene: Scene, sky: Projection) -> float:
    """How far what is drawn at a stop goes from its middle: a pattern, or the target's outline."""
    px, py = sky.place(stop.ra_deg, stop.dec_deg)
    if len(stop.stars) > 1:
        return float(max(np.hypot(*np.subtract(sky.place(*star), (px, py))) for star in stop.stars))
    if scene.target == (stop.ra_deg, stop.dec_deg) and scene.outline is not None:
        return scene.outline.major_arcmin / 120.0 * sky.scale
    return 0.0


def _name_marks(scene: Scene, sky: Projection, labels: Labels, inside: np.ndarray) -> list[Mark]:
    marks: list[Mark] = []
    taken = {stop.short for stop in scene.stops}
    x, y = sky(scene.stars.ra_deg, scene.stars.dec_deg)
    radius = _radii(scene)
    if scene.name_stars:
        for i in inside[np.argsort(scene.stars.mag[inside], kind="stable")]:
            name = scene.stars.names[i]
            if name and name not in taken:
                gap = float(radius[i]) + 4.0
                label = labels.beside(
                    float(x[i]), float(y[i]), name, role="note", gap=gap, must=False
                )
                if label is not None:
                    marks.append(label)
    for name, ra, dec in scene.lines.names:
        px, py = sky.place(ra, dec)
        if abs(px - sky.middle_x) < SKY_SIZE / 2 and abs(py - sky.middle_y) < SKY_SIZE / 2:
            label = labels.beside(px, py, name, role="figure", size=12.0, gap=2.0, must=False)
            if label is not None:
                marks.append(label)
    return marks


def _roses(scene: Scene, sky: Projection, labels: Labels) -> tuple[Rose, ...]:
    """N and E arrows, the drift, and which way is up at that hour, in the box's corners."""
    k = min(1.5, scene.letters)
    inset = 10.0 + 42.0 * k
    right, left = MARGIN + SKY_SIZE - inset, MARGIN + inset
    top, low = SKY_TOP + inset, SKY_TOP + SKY_SIZE - inset
    roses = [rose(right, top, sky, ((0.0, "N"), (90.0, "E")), k)]
    if scene.drift:
        roses.append(rose(left, low, sky, ((270.0, "drift"),), k, role="field"))
    if scene.zenith_deg is not None:
        roses.append(rose(left, top, sky, ((scene.zenith_deg, "up"),), k))
    for made in roses:
        labels.keep_clear(made.x, made.y, 58.0 * k)
    return tuple(roses)


def _page_marks(scene: Scene, sky: Projection) -> tuple[list[Mark], float]:
    below = SKY_TOP + SKY_SIZE
    page: list[Mark] = [
        Label(MARGIN, 42.0, scene.title, "text", 24.0, bold=True),
        Label(MARGIN, 66.0, scene.subtitle, "note", 13.0),
        *scale_bar(sky),
        *magnitude_key(scene.stars, scene.star_step, scene.letters),
    ]
    if scene.view_words:
        page.append(Label(MARGIN, 84.0, scene.view_words, "note", 12.0))
    if scene.circle_words:
        page.append(
            Label(PAGE_WIDTH - MARGIN, below + 20.0, scene.circle_words, "note", 12.0, "end")
        )
    cursor = below + 48.0
    for line in scene.words:
        for k, part in enumerate(wrap(line, WORDS_WIDTH)):
            page.append(Label(MARGIN + (18.0 if k else 0.0), cursor, part, "text", 13.0))
            cursor += LINE
        cursor += 4.0
    if scene.credit:
        page.append(Label(MARGIN, cursor + 2.0, scene.credit, "note", 10.0))
        cursor += LINE
    return page, cursor
