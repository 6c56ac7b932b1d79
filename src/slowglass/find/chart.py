"""The hop chart as a list of drawing instructions with positions; painters only paint it.

Chart units are points of an A4-like page, x right, y down. North is up and east is left, as on
the sky seen by eye; the projection is gnomonic about the middle of the hop, so straight moves
are straight lines.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
import numpy.typing as npt

from slowglass.find.nudge import format_angle
from slowglass.sky.coords import offset_point, separation_deg
from slowglass.sky.wcs import project_tan

Floats = npt.NDArray[np.float64]
Role = Literal["sky", "star", "object", "route", "field", "edge", "text", "note"]

PAGE_WIDTH = 800.0
MARGIN = 30.0
SKY_TOP = 92.0
SKY_SIZE = PAGE_WIDTH - 2 * MARGIN
LINE = 17.0
SMALLEST_OBJECT = 5.0


@dataclass(frozen=True)
class Disc:
    """A filled circle with a thin rim in the sky's colour."""

    x: float
    y: float
    radius: float
    role: Role


@dataclass(frozen=True)
class Line:
    """A polyline, or an outline when ``closed``."""

    points: tuple[tuple[float, float], ...]
    role: Role
    width: float = 1.0
    dashed: bool = False
    closed: bool = False


@dataclass(frozen=True)
class Label:
    """One line of text; ``align`` says which part of it stands at x; y is its baseline."""

    x: float
    y: float
    text: str
    role: Role = "text"
    size: float = 12.0
    align: Literal["start", "middle", "end"] = "start"
    bold: bool = False


Mark = Disc | Line | Label


@dataclass(frozen=True)
class Chart:
    """A page of marks, in painting order; those before ``clip_until`` stay inside the sky box."""

    width: float
    height: float
    sky_box: tuple[float, float, float, float]
    sky_marks: tuple[Mark, ...]
    page_marks: tuple[Mark, ...]
    title: str


@dataclass(frozen=True)
class ChartStars:
    """Stars to draw: ICRS degrees, magnitudes, and names where they have one ("" where not)."""

    ra_deg: Floats
    dec_deg: Floats
    mag: Floats
    names: tuple[str, ...]


@dataclass(frozen=True)
class Stop:
    """A place on the route: its label on the chart and where it is."""

    name: str
    short: str
    ra_deg: float
    dec_deg: float


@dataclass(frozen=True)
class Outline:
    """The target's ellipse: full axes in arcmin and position angle (0 when not known)."""

    major_arcmin: float
    minor_arcmin: float
    position_angle_deg: float


def hop_chart(
    *,
    title: str,
    subtitle: str,
    stops: Sequence[Stop],
    lines: Sequence[str],
    stars: ChartStars,
    outline: Outline | None,
    field_deg: float,
    field_name: str,
    credit: str = "",
) -> Chart:
    """The chart of a hop: ``stops`` from anchor to target, ``lines`` the words for each leg."""
    ra0, dec0, half_deg = middle_of(stops, field_deg)
    sky = _Projection(ra0, dec0, half_deg)
    marks: list[Mark] = []
    taken: list[tuple[float, float, float, float]] = []

    x, y = sky(stars.ra_deg, stars.dec_deg)
    radius = star_radius(stars.mag, float(np.max(stars.mag, initial=6.0)))
    inside = np.flatnonzero(sky.inside(x, y))
    marks += [Disc(float(x[i]), float(y[i]), float(radius[i]), "star") for i in inside]

    places = [sky.place(s.ra_deg, s.dec_deg) for s in stops]
    field_radius = field_deg / 2.0 * sky.scale
    marks += [_ring(px, py, field_radius, "field", dashed=True) for px, py in places]
    for (x1, y1), (x2, y2) in pairwise(places):
        marks += _leg_line(x1, y1, x2, y2)
        taken.append(_box_around((x1 + x2) / 2, (y1 + y2) / 2, 3.0))
    marks += _object_marks(stops[-1], outline, sky)

    for stop, (px, py) in zip(stops, places, strict=True):
        taken.append(_box_around(px, py, 7.0))
        marks.append(_place_label(px, py, stop.short, taken, role="route", bold=True))
    route_names = {s.short for s in stops}
    for i in inside[np.argsort(stars.mag[inside])]:
        name = stars.names[i]
        if name and name not in route_names:
            marks.append(_place_label(float(x[i]), float(y[i]), name, taken, role="note"))

    page: list[Mark] = [
        Label(MARGIN, 42.0, title, "text", 24.0, bold=True),
        Label(MARGIN, 66.0, subtitle, "note", 13.0),
        *_compass(),
        *_scale_bar(sky),
        *_magnitude_key(stars),
        Label(
            PAGE_WIDTH - MARGIN,
            SKY_TOP + SKY_SIZE + 20.0,
            f"dashed: {field_name}, {format_angle(field_deg)}",
            "note",
            12.0,
            "end",
        ),
    ]
    cursor = SKY_TOP + SKY_SIZE + 48.0
    for line in lines:
        for k, part in enumerate(wrap(line, 112)):
            page.append(Label(MARGIN + (18.0 if k else 0.0), cursor, part, "text", 13.0))
            cursor += LINE
        cursor += 4.0
    if credit:
        page.append(Label(MARGIN, cursor + 8.0, credit, "note", 10.0))
        cursor += LINE
    box = (MARGIN, SKY_TOP, SKY_SIZE, SKY_SIZE)
    return Chart(PAGE_WIDTH, cursor + 12.0, box, tuple(marks), tuple(page), title)


def middle_of(stops: Sequence[Stop], field_deg: float) -> tuple[float, float, float]:
    """Centre (ra, dec) and half-width in degrees of the square sky that holds every stop."""
    ra, dec = np.array([s.ra_deg for s in stops]), np.array([s.dec_deg for s in stops])
    unit = np.stack(
        [
            np.cos(np.radians(dec)) * np.cos(np.radians(ra)),
            np.cos(np.radians(dec)) * np.sin(np.radians(ra)),
            np.sin(np.radians(dec)),
        ]
    ).mean(axis=1)
    ra0 = float(np.degrees(np.arctan2(unit[1], unit[0])) % 360.0)
    dec0 = float(np.degrees(np.arctan2(unit[2], np.hypot(unit[0], unit[1]))))
    reach = float(np.max(separation_deg(ra0, dec0, ra, dec)))
    return ra0, dec0, max(1.15 * reach + 0.6 * field_deg, 1.2 * field_deg)


def star_radius(mag: npt.ArrayLike, faintest_mag: float) -> Floats:
    """Disc radius in chart units: 0.9 at the faintest drawn, 0.75 more a magnitude brighter."""
    return np.clip(0.9 + 0.75 * (faintest_mag - np.asarray(mag, float)), 0.7, 9.0)


def wrap(text: str, width: int) -> list[str]:
    """Text broken at spaces into lines of at most ``width`` characters."""
    lines: list[str] = []
    line = ""
    for word in text.split():
        if line and len(line) + 1 + len(word) > width:
            lines.append(line)
            line = word
        else:
            line = f"{line} {word}".strip()
    return [*lines, line] if line else lines


class _Projection:
    """Sky to chart: gnomonic, north up, east left."""

    def __init__(self, ra0_deg: float, dec0_deg: float, half_deg: float) -> None:
        self.ra0_deg, self.dec0_deg = ra0_deg, dec0_deg
        half_plane = float(np.degrees(np.tan(np.radians(half_deg))))
        self.scale = SKY_SIZE / 2.0 / half_plane
        self.middle_x = MARGIN + SKY_SIZE / 2.0
        self.middle_y = SKY_TOP + SKY_SIZE / 2.0

    def __call__(self, ra_deg: npt.ArrayLike, dec_deg: npt.ArrayLike) -> tuple[Floats, Floats]:
        xi, eta = project_tan(ra_deg, dec_deg, self.ra0_deg, self.dec0_deg)
        return self.middle_x - xi * self.scale, self.middle_y - eta * self.scale

    def place(self, ra_deg: float, dec_deg: float) -> tuple[float, float]:
        x, y = self(ra_deg, dec_deg)
        return float(x), float(y)

    def inside(self, x: Floats, y: Floats) -> npt.NDArray[np.bool_]:
        half = SKY_SIZE / 2.0
        return (np.abs(x - self.middle_x) < half) & (np.abs(y - self.middle_y) < half)


def _ring(x: float, y: float, radius: float, role: Role, *, dashed: bool = False) -> Line:
    turn = np.linspace(0.0, 2.0 * np.pi, 73)[:-1]
    points = tuple((x + radius * float(np.cos(t)), y + radius * float(np.sin(t))) for t in turn)
    return Line(points, role, 1.0, dashed, closed=True)


def _leg_line(x1: float, y1: float, x2: float, y2: float) -> list[Mark]:
    """A line with a gap at both ends and an arrow head at the second."""
    length = float(np.hypot(x2 - x1, y2 - y1))
    gap = min(9.0, length / 4.0)
    if length < 1.0:
        return []
    ux, uy = (x2 - x1) / length, (y2 - y1) / length
    a = (x1 + gap * ux, y1 + gap * uy)
    b = (x2 - gap * ux, y2 - gap * uy)
    head = min(8.0, length / 4.0)
    left = (b[0] - head * (ux - 0.4 * uy), b[1] - head * (uy + 0.4 * ux))
    right = (b[0] - head * (ux + 0.4 * uy), b[1] - head * (uy - 0.4 * ux))
    return [Line((a, b), "route", 1.8), Line((left, b, right), "route", 1.8)]


def _object_marks(target: Stop, outline: Outline | None, sky: _Projection) -> list[Mark]:
    px, py = sky.place(target.ra_deg, target.dec_deg)
    if outline is None or outline.major_arcmin / 120.0 * sky.scale < SMALLEST_OBJECT:
        return [_ring(px, py, SMALLEST_OBJECT, "object")]
    turn = np.linspace(0.0, 360.0, 97)[:-1]
    a, b = outline.major_arcmin / 120.0, max(outline.minor_arcmin, 0.1) / 120.0
    along, across = a * np.cos(np.radians(turn)), b * np.sin(np.radians(turn))
    angle = outline.position_angle_deg + np.degrees(np.arctan2(across, along))
    ra, dec = offset_point(target.ra_deg, target.dec_deg, angle, np.hypot(along, across))
    x, y = sky(ra, dec)
    points = tuple((float(u), float(v)) for u, v in zip(x, y, strict=True))
    return [Line(points, "object", 1.6, closed=True)]


def _compass() -> list[Mark]:
    x, y, arm = MARGIN + SKY_SIZE - 26.0, SKY_TOP + 64.0, 34.0
    north = ((x - 4, y - arm + 8), (x, y - arm), (x + 4, y - arm + 8))
    east = ((x - arm + 8, y - 4), (x - arm, y), (x - arm + 8, y + 4))
    return [
        Line(((x, y - arm), (x, y), (x - arm, y)), "text", 1.4),
        Line(north, "text", 1.4),
        Line(east, "text", 1.4),
        Label(x, y - arm - 5, "N", "text", 12.0, "middle", True),
        Label(x - arm - 5, y + 4, "E", "text", 12.0, "end", True),
    ]


def _scale_bar(sky: _Projection) -> list[Mark]:
    steps = (0.25, 0.5, 1.0, 2.0, 5.0, 10.0)
    length = max((s for s in steps if s * sky.scale < 200.0), default=0.25)
    x, y = MARGIN, SKY_TOP + SKY_SIZE + 16.0
    end = x + length * sky.scale
    return [
        Line(((x, y - 4), (x, y + 4)), "text", 1.2),
        Line(((x, y), (end, y)), "text", 1.2),
        Line(((end, y - 4), (end, y + 4)), "text", 1.2),
        Label(
            end + 8.0,
            y + 4.0,
            format_angle(length).replace(".00", "").replace(".0", ""),
            "text",
            12.0,
        ),
    ]


def _magnitude_key(stars: ChartStars) -> list[Mark]:
    if not len(stars.mag):
        return []
    faintest = float(np.max(stars.mag))
    shown = [m for m in range(int(np.floor(faintest)), -2, -2) if m >= float(np.min(stars.mag)) - 1]
    marks: list[Mark] = []
    x, y = MARGIN + 290.0, SKY_TOP + SKY_SIZE + 16.0
    for m in reversed(shown[:5]):
        radius = float(star_radius(m, faintest))
        marks.append(Disc(x, y, radius, "star"))
        marks.append(Label(x + radius + 4.0, y + 4.0, f"{m}", "note", 12.0))
        x += radius + 38.0
    return marks


def _box_around(x: float, y: float, half: float) -> tuple[float, float, float, float]:
    return x - half, y - half, x + half, y + half


def _place_label(
    x: float,
    y: float,
    text: str,
    taken: list[tuple[float, float, float, float]],
    *,
    role: Role,
    bold: bool = False,
) -> Label:
    """The label beside (x, y) at the first of eight places that covers no earlier label."""
    size = 13.0 if bold else 11.0
    width, gap = 0.58 * size * len(text), 9.0
    best: tuple[int, float, float, tuple[float, float, float, float]] | None = None
    left, right = MARGIN + 3.0, MARGIN + SKY_SIZE - 3.0
    for dx, dy in ((1, 0), (-1, 0), (0, -1), (0, 1), (1, -1), (-1, -1), (1, 1), (-1, 1)):
        start = x + gap * dx if dx > 0 else x - gap - width if dx < 0 else x - width / 2
        base = y + 0.35 * size + dy * (gap + 4.0)
        box = (start, base - size, start + width, base + 3.0)
        clashes = sum(
            box[0] < t[2] and t[0] < box[2] and box[1] < t[3] and t[1] < box[3] for t in taken
        )
        outside = start < left or start + width > right
        if best is None or clashes + 2 * outside < best[0]:
            best = (clashes + 2 * outside, start, base, box)
        if best[0] == 0:
            break
    assert best is not None
    taken.append(best[3])
    return Label(best[1], best[2], text, role, size, "start", bold)
