"""The whole sky on one sheet: where finished pictures lie, as positions and as SVG.

Hammer's equal-area projection (E. Hammer 1892, *Petermanns Mitteilungen* 38, 85): all of the sky
in an ellipse twice as wide as high. Twelve hours of right ascension stand in the middle, north on
top, east on the left, as one sees it looking up.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape, quoteattr

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

MIDDLE_RA_DEG = 180.0
GALACTIC_POLE_DEG = (192.85948, 27.12825)
GALACTIC_NODE_DEG = 32.93192
"""Galactic longitude of the ascending node on the equator (Hipparcos catalogue, vol. 1, 1.5.3)."""
OBLIQUITY_DEG = 23.43928
"""Of the ecliptic at J2000 (IAU 1976; Lieske et al. 1977)."""
WIDTH, HEIGHT = 720.0, 376.0
MARGIN = 8.0
LABELLED = 40
"""With more pictures than that the map shows places alone."""
LABEL_HIGH, LETTER_WIDE = 12.0, 5.6

STYLE = """
svg { background: #fbf8f1; font-family: Georgia, serif }
.sky-edge, .sky-grid { fill: none; stroke: #b9b2a3; stroke-width: .7 }
.sky-edge { stroke: #63584a; stroke-width: 1.2 }
.sky-band { fill: none; stroke: #2a241c; stroke-opacity: .09; stroke-width: 26 }
.sky-plane { fill: none; stroke: #63584a; stroke-width: .8 }
.sky-sun { fill: none; stroke: #63584a; stroke-width: .8; stroke-dasharray: 5 4 }
.sky-circle { fill: none; stroke: #a3201a; stroke-width: 1.2 }
.sky-words { fill: #63584a; font-size: 10px; font-style: italic }
.sky-name { fill: #2a241c; font-size: 11px }
.sky-place { fill: #a3201a; stroke: #fbf8f1; stroke-width: 1 }
"""


@dataclass(frozen=True)
class Spot:
    """A place on the map: its name, what is told of it, and the address it leads to, if any."""

    ra_deg: float
    dec_deg: float
    name: str
    told: str = ""
    href: str = ""


def project(ra_deg: npt.ArrayLike, dec_deg: npt.ArrayLike) -> tuple[Floats, Floats]:
    """(x, y) of places, x −2√2…2√2 with east on the left, y −√2…√2 with north on top."""
    ra = np.asarray(ra_deg, dtype=np.float64)
    away = np.radians((ra - MIDDLE_RA_DEG + 180.0) % 360.0 - 180.0)
    dec = np.radians(np.asarray(dec_deg, dtype=np.float64))
    under = np.sqrt(1.0 + np.cos(dec) * np.cos(away / 2.0))
    x = -2.0 * math.sqrt(2.0) * np.cos(dec) * np.sin(away / 2.0) / under
    return x, math.sqrt(2.0) * np.sin(dec) / under


def galactic_circle(latitude_deg: float = 0.0, points: int = 361) -> tuple[Floats, Floats]:
    """(ra, dec) in degrees of a circle of galactic latitude; 0 is the Milky Way's middle."""
    pole_ra, pole_dec = np.radians(GALACTIC_POLE_DEG)
    along = np.linspace(0.0, 2.0 * np.pi, points) - math.radians(GALACTIC_NODE_DEG)
    b = math.radians(latitude_deg)
    sine = math.sin(b) * np.sin(pole_dec) + math.cos(b) * np.cos(pole_dec) * np.sin(along)
    y = math.cos(b) * np.cos(along)
    x = math.sin(b) * np.cos(pole_dec) - math.cos(b) * np.sin(pole_dec) * np.sin(along)
    ra = np.degrees(np.arctan2(y, x) + pole_ra)
    return ra % 360.0, np.degrees(np.arcsin(np.clip(sine, -1.0, 1.0)))


def ecliptic(points: int = 361) -> tuple[Floats, Floats]:
    """(ra, dec) in degrees of the Sun's yearly way."""
    longitude = np.linspace(0.0, 2.0 * np.pi, points)
    tilt = math.radians(OBLIQUITY_DEG)
    ra = np.degrees(np.arctan2(math.cos(tilt) * np.sin(longitude), np.cos(longitude)))
    return ra % 360.0, np.degrees(np.arcsin(math.sin(tilt) * np.sin(longitude)))


def circle(ra_deg: float, dec_deg: float, radius_deg: float) -> tuple[Floats, Floats]:
    """(ra, dec) in degrees of a circle about a place."""
    turn = np.linspace(0.0, 2.0 * np.pi, 121)
    r, dec = math.radians(radius_deg), math.radians(dec_deg)
    sine = math.sin(dec) * math.cos(r) + math.cos(dec) * math.sin(r) * np.cos(turn)
    away = np.arctan2(
        np.sin(turn) * math.sin(r) * math.cos(dec), math.cos(r) - math.sin(dec) * sine
    )
    return (ra_deg + np.degrees(away)) % 360.0, np.degrees(np.arcsin(np.clip(sine, -1, 1)))


def pieces(ra_deg: Floats, dec_deg: Floats) -> list[tuple[Floats, Floats]]:
    """A line on the map, cut where it leaves one edge and comes in at the other."""
    x, y = project(ra_deg, dec_deg)
    cuts = np.flatnonzero(np.abs(np.diff(ra_deg % 360.0)) > 180.0) + 1
    parts = zip(np.split(x, cuts), np.split(y, cuts), strict=True)
    return [(px, py) for px, py in parts if px.size > 1]


def grid() -> list[tuple[Floats, Floats]]:
    """The lines of every second hour and every thirtieth degree, on the map."""
    dec = np.linspace(-90.0, 90.0, 91)
    lines = [project(np.full(dec.size, 30.0 * n), dec) for n in range(1, 12)]
    ra = np.linspace(1e-6, 360.0 - 1e-6, 181)
    lines += [project(ra, np.full(ra.size, float(d))) for d in (-60, -30, 0, 30, 60)]
    return lines


def map_svg(
    spots: Sequence[Spot],
    *,
    around: tuple[float, float, float] | None = None,
    alone: bool = False,
) -> str:
    """The map as an SVG element; ``alone`` with its own colours, for a file.

    ``around`` draws a circle: right ascension, declination and radius in degrees.
    """
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:g} {HEIGHT:g}" '
        f'class="sky-map" role="group" aria-label={quoteattr(_spoken(spots))}>'
    ]
    if alone:
        parts.append(f"<style>{STYLE}</style>")
    edge = f'cx="{WIDTH / 2:g}" cy="{HEIGHT / 2:g}" rx="{WIDTH / 2 - MARGIN:g}" '
    edge += f'ry="{HEIGHT / 2 - MARGIN:g}"'
    parts.append(f'<clipPath id="sky-inside"><ellipse {edge}/></clipPath>')
    parts.append('<g clip-path="url(#sky-inside)" aria-hidden="true">')
    plane = pieces(*galactic_circle())
    parts += [_line("sky-band", line) for line in plane]
    parts += [_line("sky-grid", line) for line in grid()]
    parts += [_line("sky-plane", line) for line in plane]
    parts += [_line("sky-sun", line) for line in pieces(*ecliptic())]
    if around is not None:
        parts += [_line("sky-circle", line) for line in pieces(*circle(*around))]
    parts.append("</g>")
    parts.append(f'<ellipse class="sky-edge" {edge}/>')
    taken: list[tuple[float, float, float]] = []
    for ra, dec, words in scale_words():
        x, y = (float(v) for v in _sheet(*project(ra, dec)))
        parts.append(_words("sky-words", x, y, words, "middle"))
        half = LETTER_WIDE * len(words) / 2.0
        taken.append((x - half, x + half, y))
    parts += _spots(spots, taken)
    return "".join([*parts, "</svg>"])


def scale_words() -> list[tuple[float, float, str]]:
    """(ra, dec, words) of what is written along the equator and the middle line."""
    hours = [(15.0 * hour, -6.0, f"{hour} h") for hour in range(2, 24, 4)]
    degrees = [
        (MIDDLE_RA_DEG - 6.0, dec + 2.0, f"{'−' if dec < 0 else '+'}{abs(dec)}°")
        for dec in (-60, -30, 30, 60)
    ]
    return hours + degrees


def _spots(spots: Sequence[Spot], taken: list[tuple[float, float, float]]) -> list[str]:
    found = []
    for spot in spots:
        x, y = (float(v) for v in _sheet(*project(spot.ra_deg, spot.dec_deg)))
        told = f"<title>{escape(spot.told or spot.name)}</title>"
        drawn = f'<circle class="sky-place" cx="{x:.1f}" cy="{y:.1f}" r="4.5">{told}</circle>'
        label = _free_label(taken, x, y, spot.name) if len(spots) <= LABELLED else None
        if label is not None:
            drawn += _words("sky-name", *label[:2], spot.name, label[2])
        if spot.href:
            # Room for a finger round the spot.
            reach = f'<circle class="sky-reach" cx="{x:.1f}" cy="{y:.1f}" r="14" fill-opacity="0"/>'
            name = quoteattr(spot.told or spot.name)
            drawn = f"<a href={quoteattr(spot.href)} aria-label={name}>{reach}{drawn}</a>"
        found.append(drawn)
    return found


def _free_label(
    taken: list[tuple[float, float, float]], x: float, y: float, name: str
) -> tuple[float, float, str] | None:
    """(x, y, anchor) of a name beside its spot that covers no other words; None without room.

    ``taken`` holds left, right and base line of what is written already, and gets this too.
    """
    wide = LETTER_WIDE * len(name)
    for dx, dy, anchor in ((8, 4, "start"), (-8, 4, "end"), (0, -9, "middle"), (0, 17, "middle")):
        left = x + dx - {"start": 0.0, "end": wide, "middle": wide / 2.0}[anchor]
        row = y + dy
        free = all(abs(row - r) >= LABEL_HIGH or left > t or left + wide < s for s, t, r in taken)
        if free and left > 2.0 and left + wide < WIDTH - 2.0:
            taken.append((left, left + wide, row))
            return x + dx, row, anchor
    return None


def _spoken(spots: Sequence[Spot]) -> str:
    if not spots:
        return "Map of the whole sky, without pictures"
    count = "one picture" if len(spots) == 1 else f"{len(spots)} pictures"
    return f"Map of the whole sky with {count}; the Milky Way as a band, the Sun’s way dashed"


def _sheet(x: npt.ArrayLike, y: npt.ArrayLike) -> tuple[Floats, Floats]:
    """Positions of the projection on the sheet."""
    half = math.sqrt(2.0)
    return (
        WIDTH / 2.0 + np.asarray(x) / (2.0 * half) * (WIDTH / 2.0 - MARGIN),
        HEIGHT / 2.0 - np.asarray(y) / half * (HEIGHT / 2.0 - MARGIN),
    )


def _line(style: str, line: tuple[Floats, Floats]) -> str:
    points = " ".join(f"{x:.1f},{y:.1f}" for x, y in zip(*_sheet(*line), strict=True))
    return f'<polyline class="{style}" points="{points}"/>'


def _words(style: str, x: float, y: float, text: str, anchor: str = "start") -> str:
    at = f'x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}"'
    return f'<text class="{style}" {at}>{escape(text)}</text>'
