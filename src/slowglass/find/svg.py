"""A chart's marks painted as SVG, and the two styles: ink on paper, red on black.

The sky is one group in layers named by role. To turn it, a page turns each ``turns`` group about
its ``data-x`` and ``data-y`` and each ``upright`` name about its own the other way; the root's
``data-`` attributes say where, how large and which way up, so that it can be turned to the sky
at hand. Nothing needs inline styles, which a strict page forbids.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import groupby
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
            "frame": "#3f6b2f",
            "figure": "#9a958a",
            "border": "#cfcabd",
            "ground": "#7a6a55",
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
            "frame": "#c8402f",
            "figure": "#7a1c15",
            "border": "#4a120d",
            "ground": "#8a2018",
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
    sky = chart.projection
    if chart.round:
        shape = f'<circle cx="{x + w / 2:g}" cy="{y + h / 2:g}" r="{w / 2:g}"'
    else:
        shape = f'<rect x="{x:g}" y="{y:g}" width="{w:g}" height="{h:g}"'
    zenith = "" if chart.zenith_deg is None else f'data-zenith-deg="{chart.zenith_deg:.2f}" '
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {chart.width:g} {chart.height:g}" '
        f'width="{chart.width:g}" height="{chart.height:g}" role="img" '
        f'data-ra-deg="{sky.ra0_deg:.5f}" data-dec-deg="{sky.dec0_deg:.5f}" '
        f'data-units-per-deg="{sky.scale:.4f}" data-up-deg="{sky.view.up_deg:.2f}" '
        f'data-mirrored="{int(sky.view.mirrored)}" {zenith}'
        f'font-family="{escape(FONT, {chr(34): "&quot;"})}">',
        f"<title>{escape(chart.title)}</title>",
        f'<rect width="100%" height="100%" fill="{look.page}"/>',
        f'<clipPath id="sky">{shape}/></clipPath>',
        f'{shape} fill="{look.sky}" stroke="{look.colours["edge"]}" stroke-width="1"/>',
        '<g clip-path="url(#sky)">',
        f'<g class="turns" data-x="{sky.middle_x:g}" data-y="{sky.middle_y:g}">',
    ]
    for role, marks in groupby(chart.sky_marks, key=lambda mark: mark.role):
        parts.append(f'<g class="{role}">')
        parts += [_svg_mark(mark, look) for mark in marks]
        parts.append("</g>")
    parts += ["</g>", "</g>"]
    for rose in chart.roses:
        parts.append(f'<g class="turns" data-x="{rose.x:g}" data-y="{rose.y:g}">')
        parts += [_svg_mark(mark, look) for mark in rose.marks]
        parts.append("</g>")
    parts.append('<g class="page">')
    parts += [_svg_mark(mark, look) for mark in chart.page_marks]
    parts += ["</g>", "</svg>"]
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
        upright = ""
        if mark.at is not None:
            upright = f' class="upright" data-x="{mark.at[0]:.1f}" data-y="{mark.at[1]:.1f}"'
        return (
            f'<text x="{mark.x:.1f}" y="{mark.y:.1f}" font-size="{mark.size:g}" '
            f'text-anchor="{mark.align}" fill="{colour}"{weight}{halo}{upright}>'
            f"{escape(mark.text)}</text>"
        )
    points = " ".join(f"{px:.2f},{py:.2f}" for px, py in mark.points)
    dash = ' stroke-dasharray="5 4"' if mark.dashed else ""
    tag = "polygon" if mark.closed else "polyline"
    return (
        f'<{tag} points="{points}" fill="none" stroke="{colour}" '
        f'stroke-width="{mark.width:g}" stroke-linejoin="round"{dash}/>'
    )
