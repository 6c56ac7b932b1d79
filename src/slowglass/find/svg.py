"""A chart's marks painted as SVG, and the two styles: ink on paper, red on black."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal
from xml.sax.saxutils import escape

from slowglass.find.chart import Chart, Disc, Label, Mark, Role

StyleName = Literal["paper", "night"]


@dataclass(frozen=True)
class Style:
    """Colours by role, and the page behind them."""

    page: str
    sky: str
    colours: dict[Role, str]


STYLES: dict[StyleName, Style] = {
    "paper": Style(
        page="#ffffff",
        sky="#fbfaf6",
        colours={
            "sky": "#fbfaf6",
            "star": "#15171c",
            "object": "#a3213f",
            "route": "#0a5c86",
            "field": "#6f8794",
            "edge": "#8c8a83",
            "text": "#15171c",
            "note": "#55585f",
        },
    ),
    # red light only, so that the eye stays adapted to the dark; brightness alone tells roles apart
    "night": Style(
        page="#0a0000",
        sky="#120000",
        colours={
            "sky": "#120000",
            "star": "#ff5a4a",
            "object": "#ff7a66",
            "route": "#e23a2c",
            "field": "#8a2018",
            "edge": "#6a1812",
            "text": "#e8483a",
            "note": "#b5352a",
        },
    ),
}
FONT = "Georgia, 'DejaVu Serif', serif"


def svg_text(chart: Chart, style: StyleName = "paper") -> str:
    """The chart as one SVG document."""
    look = STYLES[style]
    x, y, w, h = chart.sky_box
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {chart.width:g} {chart.height:g}" '
        f'width="{chart.width:g}" height="{chart.height:g}" role="img" '
        f'font-family="{escape(FONT, {chr(34): "&quot;"})}">',
        f"<title>{escape(chart.title)}</title>",
        f'<rect width="100%" height="100%" fill="{look.page}"/>',
        f'<clipPath id="sky"><rect x="{x:g}" y="{y:g}" width="{w:g}" height="{h:g}"/></clipPath>',
        f'<rect x="{x:g}" y="{y:g}" width="{w:g}" height="{h:g}" fill="{look.sky}" '
        f'stroke="{look.colours["edge"]}" stroke-width="1"/>',
        '<g clip-path="url(#sky)">',
        *(_svg_mark(mark, look) for mark in chart.sky_marks),
        "</g>",
        *(_svg_mark(mark, look) for mark in chart.page_marks),
        "</svg>",
    ]
    return "\n".join(parts) + "\n"


def _svg_mark(mark: Mark, look: Style) -> str:
    colour = look.colours[mark.role]
    if isinstance(mark, Disc):
        return (
            f'<circle cx="{mark.x:.2f}" cy="{mark.y:.2f}" r="{mark.radius:.2f}" '
            f'fill="{colour}" stroke="{look.sky}" stroke-width="0.8"/>'
        )
    if isinstance(mark, Label):
        weight = ' font-weight="bold"' if mark.bold else ""
        halo = f' paint-order="stroke" stroke="{look.sky}" stroke-width="3"' if mark.bold else ""
        return (
            f'<text x="{mark.x:.1f}" y="{mark.y:.1f}" font-size="{mark.size:g}" '
            f'text-anchor="{mark.align}" fill="{colour}"{weight}{halo}>{escape(mark.text)}</text>'
        )
    points = " ".join(f"{px:.2f},{py:.2f}" for px, py in mark.points)
    dash = ' stroke-dasharray="5 4"' if mark.dashed else ""
    tag = "polygon" if mark.closed else "polyline"
    return (
        f'<{tag} points="{points}" fill="none" stroke="{colour}" '
        f'stroke-width="{mark.width:g}" stroke-linejoin="round"{dash}/>'
    )
