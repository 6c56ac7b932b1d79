"""A chart as a list of drawing instructions with positions; painters only paint it.

Chart units are points of a page 800 wide, x right, y down. The projection is gnomonic about the
middle, so that straight moves are straight lines.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from slowglass.sky.coords import offset_point
from slowglass.sky.wcs import project_tan

Floats = npt.NDArray[np.float64]
Role = Literal[
    "sky", "star", "object", "route", "field", "frame", "figure", "border", "edge", "text", "note",
    "ground",
]  # fmt: skip
ViewName = Literal["erect", "inverted", "mirrored", "camera"]
VIEWS: tuple[ViewName, ...] = ("erect", "inverted", "mirrored", "camera")

PAGE_WIDTH = 800.0
MARGIN = 30.0
SKY_TOP = 92.0
SKY_SIZE = PAGE_WIDTH - 2 * MARGIN
SMALLEST_OBJECT = 5.0
Box = tuple[float, float, float, float]


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
    """One line of text; ``align`` says which part of it stands at x; y is its baseline.

    ``at`` is the point it names, about which it is turned to stay upright when the sky is turned.
    """

    x: float
    y: float
    text: str
    role: Role = "text"
    size: float = 12.0
    align: Literal["start", "middle", "end"] = "start"
    bold: bool = False
    at: tuple[float, float] | None = None


Mark = Disc | Line | Label


@dataclass(frozen=True)
class Rose:
    """Arrows that tell directions, about their own middle, so that they can turn in place."""

    x: float
    y: float
    marks: tuple[Mark, ...]


@dataclass(frozen=True)
class View:
    """How a chart is turned: the position angle that is up, and whether it is a mirror image."""

    up_deg: float = 0.0
    mirrored: bool = False

    def seen(self, name: ViewName) -> View:
        """This view as seen erect, upside down (inverted) or through a diagonal (mirrored)."""
        if name == "inverted":
            return View((self.up_deg + 180.0) % 360.0, self.mirrored)
        return View(self.up_deg, not self.mirrored) if name == "mirrored" else self


def camera_view(rotation_deg: float, parity: int) -> View:
    """The view of a stored picture, first row on top: up is against its +y axis."""
    return View((rotation_deg + 180.0) % 360.0, parity < 0)


@dataclass(frozen=True)
class Projection:
    """Sky to chart: middle of the sky, view, middle of the box and points per degree there."""

    ra0_deg: float
    dec0_deg: float
    view: View
    middle_x: float
    middle_y: float
    scale: float

    def __call__(self, ra_deg: npt.ArrayLike, dec_deg: npt.ArrayLike) -> tuple[Floats, Floats]:
        """Chart (x, y) of places; NaN for those 90° or more away."""
        xi, eta = project_tan(ra_deg, dec_deg, self.ra0_deg, self.dec0_deg)
        turn = np.radians(self.view.up_deg)
        left = xi * np.cos(turn) - eta * np.sin(turn)
        up = eta * np.cos(turn) + xi * np.sin(turn)
        if self.view.mirrored:
            left = -left
        return self.middle_x - left * self.scale, self.middle_y - up * self.scale

    def place(self, ra_deg: float, dec_deg: float) -> tuple[float, float]:
        """Chart (x, y) of one place."""
        x, y = self(ra_deg, dec_deg)
        return float(x), float(y)

    def towards(self, position_angle_deg: float) -> tuple[float, float]:
        """Unit step on the chart (x right, y down) of a position angle at the middle."""
        angle = np.radians(position_angle_deg - self.view.up_deg)
        left = -np.sin(angle) if self.view.mirrored else np.sin(angle)
        return float(-left), float(-np.cos(angle))


@dataclass(frozen=True)
class Chart:
    """A page of marks, in painting order; ``sky_marks`` stay inside the sky box.

    ``round`` clips the sky to the circle in the box. ``zenith_deg`` is the position angle of the
    way up at the middle, if a moment was given.
    """

    width: float
    height: float
    sky_box: Box
    sky_marks: tuple[Mark, ...]
    page_marks: tuple[Mark, ...]
    title: str
    projection: Projection
    roses: tuple[Rose, ...] = ()
    round: bool = False
    zenith_deg: float | None = None


@dataclass(frozen=True)
class ChartStars:
    """Stars to draw: ICRS degrees, magnitudes, and names where they have one ("" where not)."""

    ra_deg: Floats
    dec_deg: Floats
    mag: Floats
    names: tuple[str, ...]


@dataclass(frozen=True)
class Outline:
    """The target's ellipse: full axes in arcmin and position angle (0 when not known)."""

    major_arcmin: float
    minor_arcmin: float
    position_angle_deg: float


def star_radius(mag: npt.ArrayLike, faintest_mag: float, step: float = 0.75) -> Floats:
    """Disc radius in chart units: 0.9 at the faintest drawn, ``step`` more a magnitude brighter."""
    return np.clip(0.9 + step * (faintest_mag - np.asarray(mag, float)), 0.7, 9.0)


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


def ring(x: float, y: float, radius: float, role: Role, *, dashed: bool = False) -> Line:
    """A circle as a closed line."""
    turn = np.linspace(0.0, 2.0 * np.pi, 73)[:-1]
    points = tuple((x + radius * float(np.cos(t)), y + radius * float(np.sin(t))) for t in turn)
    return Line(points, role, 1.0, dashed, closed=True)


def arrow(x1: float, y1: float, x2: float, y2: float, role: Role = "route") -> list[Mark]:
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
    return [Line((a, b), role, 1.8), Line((left, b, right), role, 1.8)]


def outline_mark(ra_deg: float, dec_deg: float, outline: Outline | None, sky: Projection) -> Line:
    """The object's ellipse to scale at its position angle; a small ring when smaller than that."""
    px, py = sky.place(ra_deg, dec_deg)
    if outline is None or outline.major_arcmin / 120.0 * sky.scale < SMALLEST_OBJECT:
        return ring(px, py, SMALLEST_OBJECT, "object")
    turn = np.linspace(0.0, 360.0, 97)[:-1]
    a, b = outline.major_arcmin / 120.0, max(outline.minor_arcmin, 0.1) / 120.0
    along, across = a * np.cos(np.radians(turn)), b * np.sin(np.radians(turn))
    angle = outline.position_angle_deg + np.degrees(np.arctan2(across, along))
    ra, dec = offset_point(ra_deg, dec_deg, angle, np.hypot(along, across))
    return Line(points_of(*sky(ra, dec)), "object", 1.6, closed=True)


def points_of(x: Floats, y: Floats) -> tuple[tuple[float, float], ...]:
    """Arrays as the points of a line."""
    return tuple((float(u), float(v)) for u, v in zip(x, y, strict=True))


class Labels:
    """Finds room for names: each goes to the first of eight sides that covers nothing placed."""

    def __init__(self, box: Box, letters: float = 1.0) -> None:
        self.box = box
        self.letters = letters
        self.taken: list[Box] = []

    def keep_clear(self, x: float, y: float, half: float) -> None:
        """Room that no label may cover."""
        self.taken.append((x - half, y - half, x + half, y + half))

    def beside(
        self,
        x: float,
        y: float,
        text: str,
        *,
        role: Role,
        size: float = 11.0,
        bold: bool = False,
        gap: float = 9.0,
        must: bool = True,
    ) -> Label | None:
        """The label beside (x, y); None when there is no room and it need not be."""
        size *= self.letters
        width = 0.58 * size * len(text)
        left, top, right, bottom = (
            self.box[0] + 3.0, self.box[1] + 3.0,
            self.box[0] + self.box[2] - 3.0, self.box[1] + self.box[3] - 3.0,
        )  # fmt: skip
        best: tuple[int, float, float, Box] | None = None
        for dx, dy in ((1, 0), (-1, 0), (0, -1), (0, 1), (1, -1), (-1, -1), (1, 1), (-1, 1)):
            start = x + gap * dx if dx > 0 else x - gap - width if dx < 0 else x - width / 2
            base = y + 0.35 * size + dy * (gap + 4.0)
            room = (start, base - size, start + width, base + 3.0)
            clashes = sum(
                room[0] < t[2] and t[0] < room[2] and room[1] < t[3] and t[1] < room[3]
                for t in self.taken
            )
            outside = room[0] < left or room[2] > right or room[1] < top or room[3] > bottom
            if best is None or clashes + 2 * outside < best[0]:
                best = (clashes + 2 * outside, start, base, room)
            if best[0] == 0:
                break
        assert best is not None
        if best[0] and not must:
            return None
        self.taken.append(best[3])
        return Label(best[1], best[2], text, role, size, "start", bold, at=(x, y))
